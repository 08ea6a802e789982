// Bevel width and thickness along the edge, on the position axis of the photo, drawn by uPlot.

class SlCharts {
  constructor(box, on) {
    this.box = box;
    this.on = on;
    this.plots = [];
    this.range = null;
    this.quiet = false;
    this.observer = new ResizeObserver(() => this.resize());
    this.observer.observe(box);
  }

  destroy() { this.observer.disconnect(); this.plots.forEach((p) => p.destroy()); }

  theme() {
    const s = getComputedStyle(this.box), v = (name, other) => s.getPropertyValue(name).trim() || other;
    return { text: v("--st-text-color", s.color), grid: "rgba(128, 128, 128, 0.28)", ground: v("--st-background-color", "#fff") };
  }

  set(profile, height) {
    this.profile = profile;
    const zoomed = this.range;
    this.plots.forEach((p) => p.destroy());
    this.box.replaceChildren();
    this.height = height;
    const theme = this.theme();
    this.plots = [
      this.plot("Bevel width, mm", ["w", "wh", "wl"], "#c2570c", theme, height * 0.8, false),
      this.plot("Thickness behind the edge, mm", ["t", "th", "tl"], "#0072b2", theme, height * 1.2, true),
    ];
    if (zoomed) this.plots[0].setScale("x", zoomed);
  }

  plot(title, names, colour, theme, height, thick) {
    const p = this.profile, figure = document.createElement("figure"), caption = document.createElement("figcaption");
    figure.className = "sl-chart";
    caption.textContent = title + (thick ? ": the line is the estimate, the shade its 95 % band" : ": shade is 95 %");
    figure.append(caption);
    this.box.append(figure);
    const axis = { stroke: theme.text, grid: { stroke: theme.grid, width: 1 }, ticks: { stroke: theme.grid, width: 1 }, font: "12px sans-serif" };
    const lightened = colour === "#0072b2" ? "#3aa0e0" : "#e08a4a";
    const stroke = slDark(theme.ground) ? lightened : colour;
    const options = {
      width: Math.max(this.box.clientWidth, 200), height,
      legend: { show: false }, cursor: { drag: { x: true, y: false, dist: 6 }, points: { show: false }, y: false },
      scales: { x: { time: false }, y: { range: (u, low, high) => this.span(names, thick, low, high) } },
      series: [{}, { stroke, width: 1.6, points: { show: false } }, ...names.slice(1).map(() => ({ stroke: "transparent", width: 0, points: { show: false } }))],
      bands: [{ series: [2, 3], fill: slAlpha(stroke, 0.25) }],
      axes: [{ ...axis, size: thick ? 44 : 26, label: thick ? `position ${p.where}, mm` : undefined, labelSize: 18, labelFont: "12px sans-serif" }, { ...axis, size: 52 }],
      hooks: {
        draw: [(u) => this.extras(u, thick, theme)],
        setCursor: [(u) => !this.quiet && this.on.hover(u.cursor.left >= 0 ? u.cursor.idx : null)],
        setScale: [(u, key) => key === "x" && this.zoomed(u)],
        ready: [(u) => this.clicks(u)],
      },
    };
    return new window.uPlot(options, [p.x, ...names.map((n) => p[n])], figure);
  }

  // Bands and readings are within the axis, whatever uPlot makes of hidden series.
  span(names, thick, low, high) {
    const values = names.flatMap((n) => this.profile[n]).filter((v) => v !== null);
    if (thick) for (const r of this.profile.readings) values.push(r.t - r.limit, r.t + r.limit);
    if (!values.length) return [0, 1];
    const a = values.reduce((x, y) => Math.min(x, y)), b = values.reduce((x, y) => Math.max(x, y)), pad = 0.06 * (b - a || 0.1);
    return [a - pad, b + pad];
  }

  zoomed(u) {
    const { min, max } = u.scales.x, all = this.profile.x;
    this.range = min <= all[0] + 1e-9 && max >= all[all.length - 1] - 1e-9 ? null : { min, max };
    for (const other of this.plots) if (other !== u && (other.scales.x.min !== min || other.scales.x.max !== max)) other.setScale("x", { min, max });
  }

  // A click is a press that did not become a drag.
  clicks(u) {
    let down = null;
    u.over.addEventListener("mousedown", (e) => { down = [e.clientX, e.clientY]; });
    u.over.addEventListener("click", (e) => {
      if (down && Math.hypot(e.clientX - down[0], e.clientY - down[1]) < 5)
        this.on.click(u.posToVal(e.clientX - u.over.getBoundingClientRect().left, "x"));
    });
  }

  cursor(index) {
    this.quiet = true;
    for (const u of this.plots) {
      const left = index === null ? -10 : u.valToPos(this.profile.x[index], "x");
      u.setCursor({ left, top: index === null ? -10 : 5 }, false);
    }
    this.quiet = false;
  }

  redraw() { this.plots.forEach((u) => u.redraw(false)); }

  resize() {
    const width = this.box.clientWidth;
    for (const u of this.plots) if (width > 100 && Math.abs(u.width - width) > 1) u.setSize({ width, height: u.height });
  }

  extras(u, thick, theme) {
    const c = u.ctx, p = this.profile, X = (v) => u.valToPos(v, "x", true), Y = (v) => u.valToPos(v, "y", true), { left, top, width, height } = u.bbox;
    const px = window.devicePixelRatio || 1;
    c.save();
    c.beginPath(); c.rect(left, top, width, height); c.clip();
    this.stretches(c, X, top, height, px, theme);
    c.strokeStyle = theme.text; c.fillStyle = theme.text; c.lineWidth = px;
    // Flagged stations: a comb along the foot of the chart.
    for (let i = 0; i < p.x.length; i++) if (p.doubt[i]) { c.beginPath(); c.moveTo(X(p.x[i]), top + height); c.lineTo(X(p.x[i]), top + height - 6 * px); c.stroke(); }
    if (thick) { this.zones(c, X, Y, u.bbox, px); this.readings(c, X, Y, px, theme); }
    c.restore();
  }

  stretches(c, X, top, height, px, theme) {
    const marks = [...this.profile.marks, ...(this.pending === null || this.pending === undefined ? [] : [{ kind: "from here", start: this.pending, end: this.pending }])];
    c.font = `${12 * px}px sans-serif`; c.textAlign = "left"; c.textBaseline = "top";
    for (const m of marks) {
      const a = X(m.start), b = Math.max(X(m.end), a + 2 * px);
      c.fillStyle = "rgba(128, 128, 128, 0.22)"; c.fillRect(a, top, b - a, height);
      c.save(); c.beginPath(); c.rect(a, top, b - a, height); c.clip();
      c.strokeStyle = "rgba(128, 128, 128, 0.6)"; c.lineWidth = px;
      for (let x = a - height; x < b; x += 9 * px) { c.beginPath(); c.moveTo(x, top + height); c.lineTo(x + height, top); c.stroke(); }
      c.restore();
      c.fillStyle = theme.text; c.fillText(m.kind, a + 3 * px, top + 3 * px);
    }
  }

  zones(c, X, Y, { left, top, width, height }, px) {
    c.font = `${12 * px}px sans-serif`; c.textAlign = "left"; c.textBaseline = "bottom";
    for (const z of this.profile.zones) {
      c.beginPath();
      if (z.end === null) { c.setLineDash([2 * px, 4 * px]); c.moveTo(X(z.start), top); c.lineTo(X(z.start), top + height); }
      else { c.setLineDash([9 * px, 5 * px]); c.moveTo(X(z.start), Y(z.mean)); c.lineTo(X(z.end), Y(z.mean)); }
      c.stroke();
      c.setLineDash([]);
      if (z.end !== null) continue;
      // On the side that has room for it.
      const fits = X(z.start) + 4 * px + c.measureText(z.label).width < left + width;
      c.textAlign = fits ? "left" : "right";
      c.fillText(z.label, X(z.start) + (fits ? 4 : -4) * px, top + 16 * px);
    }
  }

  readings(c, X, Y, px, theme) {
    c.lineWidth = 1.5 * px;
    for (const r of this.profile.readings) {
      const x = X(r.x), y = Y(r.t), cap = 4 * px, s = 4.5 * px;
      c.beginPath(); c.moveTo(x, Y(r.t - r.limit)); c.lineTo(x, Y(r.t + r.limit));
      for (const end of [r.t - r.limit, r.t + r.limit]) { c.moveTo(x - cap, Y(end)); c.lineTo(x + cap, Y(end)); }
      c.stroke();
      c.beginPath();
      if (r.aside) { c.moveTo(x - s, y - s); c.lineTo(x + s, y + s); c.moveTo(x - s, y + s); c.lineTo(x + s, y - s); }
      else if (r.questioned) { c.moveTo(x, y - 1.5 * s); c.lineTo(x + 1.5 * s, y); c.lineTo(x, y + 1.5 * s); c.lineTo(x - 1.5 * s, y); c.closePath(); c.fillStyle = theme.ground; c.fill(); }
      else { c.arc(x, y, s, 0, 7); c.fillStyle = theme.text; c.fill(); }
      c.stroke();
    }
  }
}

function slRgb(colour) {
  const c = document.createElement("canvas").getContext("2d");
  c.fillStyle = colour;
  c.fillRect(0, 0, 1, 1);
  return [...c.getImageData(0, 0, 1, 1).data];
}

function slDark(colour) { const [r, g, b] = slRgb(colour); return 0.3 * r + 0.6 * g + 0.1 * b < 110; }

function slAlpha(colour, alpha) { const [r, g, b] = slRgb(colour); return `rgba(${r}, ${g}, ${b}, ${alpha})`; }
