// The whole: what a click does, the photo, the readout, both charts. One place of the edge is pointed at in all of them at once.

const slKept = new WeakMap();
let slLibraries = null;

function slLoad(urls) {
  slLibraries ??= Promise.all(urls.map((url) => new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = new URL(url.replace(/^\//, ""), document.baseURI);
    script.onload = done;
    script.onerror = () => failed(new Error("the viewer's program did not arrive: load the page again"));
    document.head.append(script);
  }))).catch((error) => { slLibraries = null; throw error; });
  return slLibraries;
}

class SlViewer {
  constructor(root, send) {
    this.root = root;
    // For the browser tests and whoever looks for a fault.
    root.slViewer = this;
    this.send = send;
    this.mode = "look";
    this.pending = null;
    this.at = null;
    this.current = 0;
    root.replaceChildren();
    this.modes = this.add("fieldset", "sl-modes");
    this.bar = this.add("div", "sl-bar");
    this.stage = this.add("div", "sl-stage");
    this.stage.tabIndex = 0;
    this.stage.setAttribute("role", "application");
    this.readout = this.add("output", "sl-readout");
    this.readout.setAttribute("aria-live", "polite");
    this.chartBox = this.add("div", "sl-charts");
    this.picture = new SlPicture(this.stage, { click: (p) => this.clicked(p), hover: (p) => this.hovered(p), opened: () => this.opened() });
    this.charts = new SlCharts(this.chartBox, { click: (mm) => this.chartClicked(mm), hover: (i) => this.point(i) });
    this.stage.addEventListener("keydown", (e) => this.key(e));
    this.buttons();
  }

  add(tag, name, into = this.root) {
    const element = document.createElement(tag);
    element.className = name;
    into.append(element);
    return element;
  }

  destroy() { this.picture.destroy(); this.charts.destroy(); }

  opened() { this.root.dataset.opened = String(this.current); }

  buttons() {
    this.chooser = this.add("select", "sl-photo", this.bar);
    this.chooser.setAttribute("aria-label", "Which photo is shown");
    this.chooser.addEventListener("change", () => this.turn(Number(this.chooser.value)));
    const all = [["+", "Zoom in", () => this.picture.zoom(1.6)], ["−", "Zoom out", () => this.picture.zoom(1 / 1.6)], ["Edge", "Show the edge", () => (this.box() ? this.picture.fit(this.box()) : this.picture.home())],
      ["Whole", "Show the whole photo", () => this.picture.home()], ["1 : 1", "Show every pixel of the photo", () => this.picture.full(this.middle())]];
    for (const [text, title, act] of all) {
      const button = this.add("button", "sl-button", this.bar);
      button.type = "button"; button.textContent = text; button.title = title; button.setAttribute("aria-label", title);
      button.addEventListener("click", act);
    }
  }

  update(data) {
    this.data = data;
    const p = data.profile, pair = (a, b, i) => [p[a][i], p[b][i]];
    this.stations = p.x.map((x, i) => ({ i, x, photo: p.photo[i], apex: pair("ax", "ay", i), shoulder: pair("sx", "sy", i), doubt: p.doubt[i] }));
    const other = p.other.map((s) => ({ ...s, i: null }));
    Object.assign(this.picture, { lines: [...this.stations, ...other], marks: p.marks, readings: p.readings, rivals: p.rivals });
    this.chooser.replaceChildren(...data.photos.map((photo, i) => new Option(`${i + 1}: ${photo.name}`, i)));
    this.chooser.hidden = data.photos.length < 2;
    if (this.current >= data.photos.length) this.current = 0;
    this.chooser.value = this.current;
    this.drawModes();
    this.pending = this.charts.pending = null;
    this.picture.cross = null;
    this.stage.setAttribute("aria-label", `Photo ${data.photos[this.current].name} with apex and shoulder drawn in. Arrow left and right walk along the edge, with Shift faster; `
      + "up and down move the cross across it; Enter does what is chosen above; plus and minus zoom; E shows the edge, W the whole photo; Escape lets go.");
    const narrow = this.root.clientWidth < 500;
    this.chartBox.hidden = !p.x.length;
    if (p.x.length) this.charts.set(p, narrow ? 170 : 200);
    const described = this.chartBox.querySelectorAll("figure");
    described.forEach((f) => { f.setAttribute("role", "img"); f.setAttribute("aria-label", `${f.firstChild.textContent}. The figures are in profile.csv and in the table below.`); });
    this.picture.show(data.photos[this.current], this.current, this.box()).catch((error) => { this.readout.textContent = error.message; });
    this.say();
  }

  drawModes() {
    const kept = this.data.modes.some((m) => m.name === this.mode) ? this.mode : "look";
    this.modes.replaceChildren();
    const legend = this.add("legend", "", this.modes);
    legend.textContent = "A click on the photo or a chart";
    for (const mode of this.data.modes) {
      const label = this.add("label", "", this.modes), input = this.add("input", "", label);
      Object.assign(input, { type: "radio", name: "sl-mode", value: mode.name, checked: mode.name === kept });
      input.addEventListener("change", () => { this.mode = mode.name; this.pending = this.charts.pending = null; this.charts.redraw(); this.say(mode.hint); });
      label.append(mode.label);
    }
    this.mode = kept;
  }

  turn(index) {
    if (index === this.current) return;
    this.current = index;
    this.chooser.value = index;
    this.picture.cross = null;
    this.picture.show(this.data.photos[index], index, this.box()).catch((error) => { this.readout.textContent = error.message; });
  }

  mine() { return this.picture.lines.filter((s) => s.photo === this.current && s.apex[0] !== null); }

  // The edge with some of its surroundings, in photo px.
  box() {
    const mine = this.mine();
    if (!mine.length) return null;
    const x = mine.flatMap((s) => [s.apex[0], s.shoulder[0] ?? s.apex[0]]), y = mine.flatMap((s) => [s.apex[1], s.shoulder[1] ?? s.apex[1]]);
    const [l, r, t, b] = [Math.min(...x), Math.max(...x), Math.min(...y), Math.max(...y)], pad = 0.04 * Math.max(r - l, b - t);
    return { x: l - pad, y: t - pad, width: r - l + 2 * pad, height: b - t + 2 * pad };
  }

  middle() {
    if (this.at && this.at.photo === this.current) return { x: this.at.apex[0], y: this.at.apex[1] };
    const mine = this.mine(), s = mine[Math.floor(mine.length / 2)];
    return s ? { x: s.apex[0], y: s.apex[1] } : null;
  }

  // The station whose apex or shoulder is nearest in the photo.
  near(point) {
    let best = null, least = Infinity;
    for (const s of this.mine()) for (const p of [s.apex, s.shoulder]) {
      const d = p[0] === null ? Infinity : Math.hypot(p[0] - point.x, p[1] - point.y);
      if (d < least) { least = d; best = s; }
    }
    return best;
  }

  hovered(point) {
    const s = point && this.near(point);
    this.point(s ? s.i : null, s);
  }

  // Point at one station everywhere.
  point(index, station = null) {
    const s = station || (index === null || index === undefined ? null : this.stations[index]);
    if (s === this.at) return;
    this.at = s;
    this.picture.station = s;
    this.charts.cursor(s ? s.i : null);
    this.picture.draw();
    this.say();
  }

  say(text = "") {
    const s = this.at, p = this.data.profile;
    if (text) this.readout.textContent = text;
    else if (s && s.x !== null && s.i !== null) {
      const photo = this.data.photos.length > 1 && s.photo >= 0 ? `, photo ${s.photo + 1}` : "";
      this.readout.textContent = `${s.x.toFixed(1)} mm${photo}: ${p.shown[s.i]}${p.says[s.i] ? `; flags: ${p.says[s.i]}` : ""}`;
    } else if (s && s.x !== null) this.readout.textContent = `${s.x.toFixed(1)} mm ${p.where}`;
    else this.readout.textContent = this.data.modes.find((m) => m.name === this.mode).hint;
    this.root.dataset.position = s && s.x !== null ? s.x : "";
  }

  clicked(point) {
    const s = this.near(point);
    this.act({ photo: this.current, x_px: point.x, y_px: point.y, position_mm: s ? s.x : null });
  }

  chartClicked(mm) {
    const s = slNearest(this.stations, mm);
    if (!s) return;
    if (this.mode === "look") {
      this.turn(s.photo);
      this.picture.full({ x: s.apex[0], y: s.apex[1] });
    } else if (this.mode.startsWith("guide")) this.say("Point at the line in the photo: a chart has no place for it.");
    else this.act({ photo: s.photo, x_px: null, y_px: null, position_mm: mm });
  }

  act(what) {
    const mode = this.data.modes.find((m) => m.name === this.mode);
    if (mode.name === "look") return;
    if (mode.needs_edge && what.position_mm === null) return this.say("No edge is known here yet.");
    if (mode.kind === "point") return this.send({ mode: mode.name, ...what });
    if (this.pending === null) {
      this.pending = this.charts.pending = what.position_mm;
      this.charts.redraw();
      return this.say(`From ${what.position_mm.toFixed(1)} mm: now the other end. Escape lets go.`);
    }
    const [start, end] = [this.pending, what.position_mm].sort((a, b) => a - b);
    this.pending = this.charts.pending = null;
    if (end - start > 0.05) this.send({ mode: mode.name, start_mm: start, end_mm: end });
    else this.say("Both ends are the same place: point at two.");
  }

  key(event) {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key], across = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (step) this.walk(step * (event.shiftKey ? 10 : 1));
    else if (across) this.shift(across * (event.shiftKey ? 10 : 1));
    else if (event.key === "Enter") this.enter();
    else if (event.key === "+" || event.key === "=") this.picture.zoom(1.4);
    else if (event.key === "-") this.picture.zoom(1 / 1.4);
    else if (event.key === "e" || event.key === "E") this.box() && this.picture.fit(this.box());
    else if (event.key === "w" || event.key === "W") this.picture.home();
    else if (event.key === "Escape") { this.pending = this.charts.pending = this.picture.cross = null; this.charts.redraw(); this.point(null); this.picture.draw(); this.say(); }
    else return;
    event.preventDefault();
  }

  walk(by) {
    const mine = this.mine();
    if (!mine.length) return this.roam(by, 0);
    const from = this.at && this.at.photo === this.current ? mine.indexOf(this.at) : by > 0 ? -1 : mine.length;
    const s = mine[Math.min(Math.max(from + by, 0), mine.length - 1)];
    this.point(s.i, s);
    this.picture.cross = { x: s.apex[0], y: s.apex[1] };
    this.picture.follow(this.picture.cross);
    this.picture.draw();
  }

  // The cross goes off the apex toward the shoulder, one photo px a step.
  shift(by) {
    const s = this.at;
    if (!this.mine().length) return this.roam(0, -by);
    if (!s || !this.picture.cross) return this.walk(1);
    const mine = this.mine().filter((q) => q.shoulder[0] !== null), q = s.shoulder[0] === null ? mine[0] : s;
    if (!q) return;
    const n = [q.shoulder[0] - q.apex[0], q.shoulder[1] - q.apex[1]], d = Math.hypot(...n) || 1;
    this.picture.cross = { x: this.picture.cross.x + (by * n[0]) / d, y: this.picture.cross.y + (by * n[1]) / d };
    this.picture.draw();
  }

  // Where no edge is known yet the cross goes freely, in steps that are seen on the screen.
  roam(x, y) {
    const photo = this.data.photos[this.current], step = 4 / this.picture.view().k;
    const from = this.picture.cross || { x: photo.width / 2, y: photo.height / 2 };
    this.picture.cross = { x: Math.min(Math.max(from.x + x * step, 0), photo.width - 1), y: Math.min(Math.max(from.y + y * step, 0), photo.height - 1) };
    this.picture.follow(this.picture.cross);
    this.picture.draw();
  }

  enter() {
    const cross = this.picture.cross;
    if (cross) this.act({ photo: this.current, x_px: cross.x, y_px: cross.y, position_mm: this.at ? this.at.x : null });
  }
}

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const root = parentElement.querySelector(".sl-viewer");
  slLoad(data.libraries).then(() => {
    let viewer = slKept.get(root);
    if (!viewer) slKept.set(root, (viewer = new SlViewer(root, () => {})));
    viewer.send = (value) => setTriggerValue("picked", value);
    viewer.update(data);
    root.dataset.ready = "yes";
  }).catch((error) => { root.textContent = error.message; });
  return () => { const viewer = slKept.get(root); if (viewer && !root.isConnected) { viewer.destroy(); slKept.delete(root); } };
}
