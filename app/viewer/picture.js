// The photo: tiles in an OpenSeadragon viewer, both lines on a canvas above it. Photo px have the first pixel's centre at (0, 0).

const SL_APEX = "rgb(0, 140, 255)";
const SL_SHOULDER = "rgb(255, 120, 0)";

// OpenSeadragon asks for every frame that the screen can draw, also where nothing moves: a tenth of a processor, and of a phone's battery.
// Undisturbed it looks up four times a second; whatever stirs it (a hand, a key, a tile that came) is answered at once, and for a while after.
const SL_REST_MS = 250;
const SL_STIRRED_MS = 1000;
const slAsked = new Set();
let slStirredAt = 0;

function slStir() {
  slStirredAt = performance.now();
  slAsked.forEach((asked) => asked.hurry());
}

function slRests(library) {
  library.requestAnimationFrame = (act) => {
    const asked = { frame: 0, timer: 0 };
    asked.hurry = () => { clearTimeout(asked.timer); slAsked.delete(asked); asked.frame = window.requestAnimationFrame(act); };
    if (performance.now() - slStirredAt < SL_STIRRED_MS) asked.hurry();
    else { slAsked.add(asked); asked.timer = setTimeout(asked.hurry, SL_REST_MS); }
    return asked;
  };
  library.cancelAnimationFrame = (asked) => {
    if (!asked) return;
    clearTimeout(asked.timer);
    slAsked.delete(asked);
    window.cancelAnimationFrame(asked.frame);
  };
}

class SlPicture {
  constructor(stage, on) {
    this.stage = stage;
    this.on = on;
    this.packs = new Map();
    this.urls = [];
    this.shown = null;
    this.station = null;
    this.cross = null;
    const box = document.createElement("div");
    box.className = "sl-osd";
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("aria-hidden", "true");
    stage.append(box, this.canvas);
    slRests(window.OpenSeadragon);
    slStir();
    this.viewer = window.OpenSeadragon({
      element: box, drawer: "canvas", showNavigationControl: false, maxZoomPixelRatio: 12, minZoomImageRatio: 0.6, visibilityRatio: 0.5,
      animationTime: 0.4, autoResize: true, preserveImageSizeOnResize: false, crossOriginPolicy: false,
      gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: false }, gestureSettingsTouch: { clickToZoom: false, dblClickToZoom: true },
      gestureSettingsPen: { clickToZoom: false },
    });
    // The stage itself answers to keys: arrows walk along the edge there.
    this.viewer.innerTracker.keyHandler = null;
    this.viewer.innerTracker.keyDownHandler = null;
    this.viewer.canvas.tabIndex = -1;
    ["open", "zoom", "pan", "resize", "animation", "tile-loaded"].forEach((name) => this.viewer.addHandler(name, slStir));
    ["pointerdown", "pointermove", "wheel", "keydown"].forEach((name) => stage.addEventListener(name, slStir, { capture: true, passive: true }));
    this.viewer.addHandler("update-viewport", () => this.draw());
    this.viewer.addHandler("resize", () => this.draw());
    this.viewer.addHandler("zoom", () => this.smooth());
    this.viewer.addHandler("canvas-click", (e) => e.quick && this.on.click(this.at(e.position)));
    // The wheel scrolls the page until the photo has been chosen by a click or the keyboard.
    this.viewer.addHandler("canvas-scroll", (e) => {
      if (!stage.contains(document.activeElement)) { e.preventDefaultAction = true; e.preventDefault = false; }
    });
    this.viewer.addHandler("canvas-press", () => stage.focus({ preventScroll: true }));
    stage.addEventListener("pointermove", (e) => this.hover(e));
    stage.addEventListener("pointerleave", () => this.on.hover(null));
  }

  destroy() {
    this.urls.forEach((url) => URL.revokeObjectURL(url));
    this.viewer.destroy();
  }

  async pack(photo) {
    if (!this.packs.has(photo.url)) {
      // Relative to the page, so that a server behind a path of its own is found too.
      const answer = await fetch(new URL(photo.url.replace(/^\//, ""), document.baseURI));
      if (!answer.ok) throw new Error(`the photo's tiles did not arrive (${answer.status})`);
      const data = await answer.arrayBuffer();
      const urls = photo.ends.map((end, i) => URL.createObjectURL(new Blob([data.slice(i ? photo.ends[i - 1] : 0, end)], { type: "image/jpeg" })));
      this.urls.push(...urls);
      this.packs.set(photo.url, urls);
    }
    return this.packs.get(photo.url);
  }

  async show(photo, index, box) {
    this.photo = photo;
    this.index = index;
    if (this.shown === photo.url) return this.draw();
    this.shown = photo.url;
    const urls = await this.pack(photo);
    if (this.shown !== photo.url) return;
    const last = photo.levels.length - 1;
    const starts = [];
    photo.levels.reduce((sum, [, columns, rows], i) => { starts[i] = sum; return sum + columns * rows; }, 0);
    this.viewer.addOnceHandler("open", () => { box ? this.fit(box, true) : this.viewer.viewport.goHome(true); this.smooth(); this.draw(); this.on.opened(); });
    this.viewer.open({
      width: photo.width, height: photo.height, tileSize: photo.tile, minLevel: 0, maxLevel: last,
      getTileUrl: (level, x, y) => urls[starts[last - level] + y * photo.levels[last - level][1] + x],
    });
  }

  open() { return this.viewer.world.getItemAt(0); }

  // Single pixels are for judging at more than twice their size; below that nearest neighbours would flicker.
  smooth() { const item = this.open(); if (item) this.viewer.drawer.setImageSmoothingEnabled(item.viewportToImageZoom(this.viewer.viewport.getZoom()) < 2); }

  at(position) {
    const p = this.viewer.viewport.viewerElementToImageCoordinates(position);
    return { x: p.x - 0.5, y: p.y - 0.5 };
  }

  hover(event) {
    if (!this.open()) return;
    const r = this.canvas.getBoundingClientRect();
    this.on.hover(this.at(new window.OpenSeadragon.Point(event.clientX - r.left, event.clientY - r.top)));
  }

  // How many css px a photo px takes, and where the photo's corner lies.
  view() {
    const v = this.viewer.viewport, p = v.imageToViewerElementCoordinates(new window.OpenSeadragon.Point(0, 0));
    const q = v.imageToViewerElementCoordinates(new window.OpenSeadragon.Point(1000, 0));
    return { k: (q.x - p.x) / 1000, x: p.x, y: p.y };
  }

  fit(box, at_once) {
    const r = this.viewer.viewport.imageToViewportRectangle(new window.OpenSeadragon.Rect(box.x, box.y, box.width, box.height));
    this.viewer.viewport.fitBounds(r, at_once);
  }

  zoom(factor) { if (this.open()) { this.viewer.viewport.zoomBy(factor); this.viewer.viewport.applyConstraints(); } }

  full(point) {
    const item = this.open();
    if (!item) return;
    if (point) this.viewer.viewport.panTo(this.viewer.viewport.imageToViewportCoordinates(point.x + 0.5, point.y + 0.5));
    this.viewer.viewport.zoomTo(item.imageToViewportZoom(1 / (window.devicePixelRatio || 1)));
  }

  home() { if (this.open()) this.viewer.viewport.goHome(); }

  follow(point) {
    if (!this.open()) return;
    const { k, x, y } = this.view(), r = this.canvas.getBoundingClientRect();
    const px = x + (point.x + 0.5) * k, py = y + (point.y + 0.5) * k;
    if (px < 30 || py < 30 || px > r.width - 30 || py > r.height - 30)
      this.viewer.viewport.panTo(this.viewer.viewport.imageToViewportCoordinates(point.x + 0.5, point.y + 0.5));
  }

  draw() {
    const r = this.stage.getBoundingClientRect(), dpr = window.devicePixelRatio || 1;
    const size = [Math.round(r.width * dpr), Math.round(r.height * dpr)];
    if (this.canvas.width !== size[0] || this.canvas.height !== size[1]) [this.canvas.width, this.canvas.height] = size;
    const c = this.canvas.getContext("2d");
    c.setTransform(dpr, 0, 0, dpr, 0, 0);
    c.clearRect(0, 0, r.width, r.height);
    if (!this.open() || !this.lines || !this.photo) return;
    const view = this.view(), to = (p) => [view.x + (p[0] + 0.5) * view.k, view.y + (p[1] + 0.5) * view.k];
    const mine = this.lines.filter((s) => s.photo === this.index);
    this.marked(c, mine, to);
    this.ticks(c, mine, to);
    for (const rival of this.rivals || []) if (rival.photo === this.index) {
      // Dots with a dark rim: a thin dotted line is lost on a grey cheek.
      const dots = rival.points.map(to);
      this.path(c, dots, "rgba(0, 0, 0, 0.7)", [2.5, 4.5], 3.6);
      this.path(c, dots, SL_SHOULDER, [2.5, 4.5], 2);
    }
    this.line(c, mine, "shoulder", to, SL_SHOULDER);
    this.line(c, mine, "apex", to, SL_APEX);
    this.names(c, mine, to, r);
    const drawn = (this.photo.guides || []).filter(([kind]) => kind === "along").map(([, x, y]) => to([x, y]));
    if (drawn.length > 1) this.path(c, drawn, "#fff", [8, 4], 1.5);
    this.places(c, mine, to);
  }

  path(c, points, colour, dash, width) {
    c.beginPath();
    points.forEach((p, i) => (i ? c.lineTo(...p) : c.moveTo(...p)));
    c.setLineDash(dash);
    c.lineWidth = width;
    c.strokeStyle = colour;
    c.stroke();
    c.setLineDash([]);
  }

  // Runs of neighbouring stations that are all sound or all doubtful; a doubtful run is dashed.
  line(c, mine, which, to, colour) {
    let run = [], doubt = false;
    const end = () => { if (run.length > 1) this.path(c, run, colour, doubt ? [5, 5] : [], 1.6); };
    for (const s of mine) {
      const p = s[which];
      if (p[0] === null) { end(); run = []; continue; }
      if (run.length && s.doubt !== doubt) { const last = run[run.length - 1]; end(); run = [last]; }
      doubt = s.doubt;
      run.push(to(p));
    }
    end();
  }

  // Stretches that a person marked: hatched from apex to shoulder.
  marked(c, mine, to) {
    for (const mark of this.marks || []) {
      let last = [-1e9, 0];
      for (const s of mine) {
        if (s.x < mark.start || s.x > mark.end || s.apex[0] === null || s.shoulder[0] === null) continue;
        const a = to(s.apex), b = to(s.shoulder);
        if (Math.hypot(a[0] - last[0], a[1] - last[1]) < 8) continue;
        last = a;
        this.outlined(c, () => { c.beginPath(); c.moveTo(...a); c.lineTo(b[0] + 6, b[1]); c.stroke(); });
      }
    }
  }

  ticks(c, mine, to) {
    const known = mine.filter((s) => s.apex[0] !== null && s.shoulder[0] !== null);
    if (known.length < 3) return;
    const a = to(known[0].apex), b = to(known[known.length - 1].apex);
    const per_mm = Math.hypot(b[0] - a[0], b[1] - a[1]) / Math.max(Math.abs(known[known.length - 1].x - known[0].x), 1e-9);
    const every = per_mm > 8 ? 1 : per_mm > 2 ? 5 : 10, number = per_mm > 30 ? 1 : per_mm > 8 ? 5 : 10;
    c.font = "600 12px sans-serif"; c.textAlign = "center"; c.textBaseline = "middle";
    for (let i = 1; i < known.length; i++) {
      const mm = Math.floor(Math.max(known[i].x, known[i - 1].x));
      if (mm % every || Math.floor(Math.min(known[i].x, known[i - 1].x)) === mm) continue;
      const p = to(known[i].apex), q = to(known[i].shoulder), d = Math.hypot(q[0] - p[0], q[1] - p[1]) || 1;
      const n = [(q[0] - p[0]) / d, (q[1] - p[1]) / d], from = [q[0] + 6 * n[0], q[1] + 6 * n[1]];
      this.outlined(c, () => { c.beginPath(); c.moveTo(...from); c.lineTo(from[0] + 7 * n[0], from[1] + 7 * n[1]); c.stroke(); });
      if (mm % number === 0) this.text(c, String(mm), from[0] + 16 * n[0], from[1] + 16 * n[1]);
    }
  }

  outlined(c, draw) {
    c.strokeStyle = "rgba(0, 0, 0, 0.75)"; c.lineWidth = 3; draw();
    c.strokeStyle = "#fff"; c.lineWidth = 1.2; draw();
  }

  text(c, text, x, y) {
    c.lineJoin = "round"; c.lineWidth = 3; c.strokeStyle = "rgba(0, 0, 0, 0.85)"; c.strokeText(text, x, y);
    c.fillStyle = "#fff"; c.fillText(text, x, y);
  }

  // Each line's name beside its first visible station: colour alone need not be told apart.
  names(c, mine, to, r) {
    c.font = "600 13px sans-serif"; c.textAlign = "left"; c.textBaseline = "middle";
    const seen = mine.filter((s) => s.shoulder[0] !== null).map((s) => [to(s.apex), to(s.shoulder)]).filter(([a]) => a[0] > 8 && a[0] < r.width - 90 && a[1] > 8 && a[1] < r.height - 8);
    if (!seen.length) return;
    const [a, s] = seen.reduce((best, p) => (p[0][0] < best[0][0] ? p : best));
    const side = s[1] < a[1] ? 1 : -1;
    this.text(c, "apex", a[0] + 4, a[1] + 13 * side);
    // Beyond the numbers of the scale, which stand 22 px off.
    this.text(c, "shoulder", s[0] + 4, s[1] - 40 * side);
  }

  places(c, mine, to) {
    for (const reading of this.readings || []) {
      const s = slNearest(mine, reading.x);
      if (!s || Math.abs(s.x - reading.x) > 0.5) continue;
      const [x, y] = to(s.shoulder[0] === null ? s.apex : s.shoulder);
      this.outlined(c, () => { c.beginPath(); c.moveTo(x, y - 7); c.lineTo(x + 6, y); c.lineTo(x, y + 7); c.lineTo(x - 6, y); c.closePath(); c.stroke(); });
    }
    for (const [kind, gx, gy] of this.photo.guides || []) {
      const [x, y] = to([gx, gy]);
      this.outlined(c, () => { c.beginPath(); c.arc(x, y, 6, 0, 7); c.moveTo(x - 11, y); c.lineTo(x + 11, y); c.moveTo(x, y - 11); c.lineTo(x, y + 11); c.stroke(); });
      this.text(c, kind, x + 12, y - 10);
    }
    const s = this.station;
    if (s && s.photo === this.index && s.apex[0] !== null) {
      const a = to(s.apex), b = s.shoulder[0] === null ? a : to(s.shoulder);
      this.outlined(c, () => { c.beginPath(); c.moveTo(...a); c.lineTo(...b); c.stroke(); for (const p of [a, b]) { c.beginPath(); c.arc(...p, 4, 0, 7); c.stroke(); } });
    }
    if (this.cross) {
      const [x, y] = to([this.cross.x, this.cross.y]);
      this.outlined(c, () => { c.beginPath(); c.moveTo(x - 14, y); c.lineTo(x - 3, y); c.moveTo(x + 3, y); c.lineTo(x + 14, y); c.moveTo(x, y - 14); c.lineTo(x, y - 3); c.moveTo(x, y + 3); c.lineTo(x, y + 14); c.stroke(); });
    }
  }
}

function slNearest(stations, x) {
  let best = null;
  for (const s of stations) if (s.x !== null && s.apex[0] !== null && (!best || Math.abs(s.x - x) < Math.abs(best.x - x))) best = s;
  return best;
}
