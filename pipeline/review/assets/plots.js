/* Draws the plots that plots.py describes. Used by the report and by the local page. */
import { forgetPatterns, pattern, tone } from "./hatch.js";
import { clock, unpack } from "./series.js";

const LANE = 14;
/** @type {Record<Line["look"], number[]>} */
const DASH = { solid: [], dashed: [7, 4], dotted: [2, 3] };
const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];

/** @typedef {import("./review/types").Spec} Spec */
/** @typedef {import("./review/types").Look} Look */
/** @typedef {import("./review/types").Event} Event */
/** @typedef {import("./review/types").Line} Line */
/** What a plot tells whoever drew it; times in s.
 * @typedef {{onPick?: (t: number) => void, onStep?: (t: number) => void, onRange?: (a: number, b: number) => void,
 *   onDraw?: (plot: Plot) => void, onName?: (name: string) => void}} Calls */

/** Every plot that was drawn. @type {Plot[]} */
export const all = [];

const NS = "http://www.w3.org/2000/svg";

/** A sample of a stroke or a hatching, with its name.
 * @param {number} width @param {number} height @param {string} tag @param {Record<string, string | number>} props
 * @param {string} name */
function keyed(width, height, tag, props, name) {
  const item = document.createElement("span"), svg = document.createElementNS(NS, "svg");
  const drawn = document.createElementNS(NS, tag);
  for (const [k, v] of Object.entries(props)) drawn.setAttribute(k, String(v));
  for (const [k, v] of Object.entries({ width, height, "aria-hidden": "true" })) svg.setAttribute(k, String(v));
  svg.append(drawn);
  item.append(svg, ` ${name}`);
  return item;
}

class Plot {
  /** @param {HTMLElement} box @param {Spec} spec see plots.py @param {Record<string, Look>} looks by kind
   * @param {Calls} calls */
  constructor(box, spec, looks, calls = {}) {
    this.box = box; this.spec = spec; this.looks = looks; this.calls = calls;
    const { time, series } = unpack(spec.data);
    this.time = time; this.series = series;
    /** @type {[number, number]} */
    this.full = spec.domain || (time.length ? [time[0], time[time.length - 1]] : [0, 1]);
    if (this.full[1] <= this.full[0]) this.full = [this.full[0], this.full[0] + 1];
    /** @type {[number, number]} the part that is shown */
    this.range = [...this.full];
    /** @type {any} the canvas */
    this.u = null;
    /** @type {HTMLElement | null} */
    this.needle = null;
    this.readout = document.createElement("p");
    this.readout.className = "readout";
    this.host = document.createElement("div");
    this.host.className = "plot-host";
    this.host.tabIndex = 0;
    this.host.setAttribute("role", "group");
    this.host.setAttribute("aria-roledescription", "plot");
    this.host.setAttribute("aria-label",
      `${spec.name}. Arrow keys read it off, plus and minus zoom, 0 shows all.`);
    this.live = document.createElement("span");
    this.live.className = "unseen";
    this.live.setAttribute("aria-live", "polite");
    box.append(this.host, this.readout, this.live);
    /** @type {number | null} what is read off */
    this.at = null;
    /** @type {number | null} */
    this.playhead = null;
    /** @type {{kind: string, start: number} | null} */
    this.chosen = null;
    /** True once its lanes have their place (the page of a case). */
    this.tall = false;
    this.build();
    this.host.addEventListener("keydown", (e) => this.key(e));
    let width = 0;
    new ResizeObserver(() => {
      const now = this.host.clientWidth;
      if (now && now !== width) { width = now; this.u.setSize({ width: now, height: this.height() }); }
    }).observe(this.host);
  }

  lanes() { return this.spec.lanes || []; }
  height() { return (this.spec.height || 160) + LANE * this.lanes().length; }

  build() {
    const spec = this.spec, bands = [];
    /** @type {(number | null)[][]} */
    const cols = [this.time];
    /** @type {object[]} */
    const list = [{}];
    const axis = {
      stroke: tone("--soft"), font: "12px " + tone("--face"),
      grid: { stroke: tone("--grid"), width: 1 }, ticks: { stroke: tone("--grid"), width: 1, size: 4 },
    };
    if (spec.band) {
      for (const of of [spec.band.high, spec.band.low]) {
        cols.push(this.series[of]);
        list.push({ stroke: tone("--band-edge"), width: 1, points: { show: false } });
      }
      bands.push({ series: [1, 2], fill: tone("--band") });
    }
    for (const line of spec.lines) {
      cols.push(this.series[line.of]);
      list.push({
        label: line.name, stroke: tone(line.tone === "first" ? "--line-1" : "--line-2"),
        width: line.tone === "first" ? 2 : 1.5, dash: DASH[line.look], points: { show: false },
      });
    }
    const lanes = this.lanes().length;
    const opts = {
      width: this.host.clientWidth || 560, height: this.height(),
      legend: { show: false }, series: list, bands,
      padding: [spec.events ? 18 : 8, 24, LANE * lanes + (spec.ticks === false ? 6 : 0), 0],
      scales: {
        x: { time: false, range: () => this.range },
        y: { range: () => spec.range },
      },
      axes: [
        { ...axis, size: 26, show: spec.ticks !== false, values: (/** @type {any} */ _, /** @type {number[]} */ ticks) => {
            const step = ticks.length > 1 ? ticks[1] - ticks[0] : 1;
            return ticks.map((t) => clock(t, step < 1 ? 1 : 0));
          }, incrs: STEPS, space: 62 },
        { ...axis, size: 46, space: spec.height < 80 ? 14 : 26 },
      ],
      cursor: {
        y: false, drag: { x: true, y: false, setScale: false, dist: 4 }, points: { show: false },
        bind: { dblclick: () => () => { this.show(this.full[0], this.full[1]); return null; } },
        sync: spec.sync ? { key: spec.sync, setSeries: false, scales: ["x", null] } : undefined,
      },
      hooks: {
        drawAxes: [(/** @type {any} */ u) => this.under(u)],
        draw: [(/** @type {any} */ u) => { this.over(u); if (this.calls.onDraw) this.calls.onDraw(this); }],
        setCursor: [(/** @type {any} */ u) => {
          const left = u.cursor.left;
          this.read(left >= 0 ? u.posToVal(left, "x") : null);
        }],
        setSelect: [(/** @type {any} */ u) => {
          if (u.select.width < 6) return;
          const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          this.show(a, b);
        }],
      },
    };
    if (this.u) this.u.destroy();
    this.u = new uPlot(opts, cols, this.host);
    this.u.over.addEventListener("click", (/** @type {MouseEvent} */ e) => {
      if (this.calls.onPick) this.calls.onPick(this.u.posToVal(e.offsetX, "x"));
    });
    this.read(null);
  }

  /** What lies under the curves. @param {any} u */
  under(u) {
    const c = u.ctx, { left, top, width, height } = u.bbox, r = devicePixelRatio || 1;
    const X = (/** @type {number} */ t) => u.valToPos(t, "x", true), Y = (/** @type {number} */ v) => u.valToPos(v, "y", true);
    c.save();
    if (this.spec.zone) {
      c.fillStyle = tone("--zone");
      c.fillRect(left, Y(this.spec.zone[1]), width, Y(this.spec.zone[0]) - Y(this.spec.zone[1]));
    }
    c.beginPath(); c.rect(left, top, width, height); c.clip();
    for (const e of this.spec.events || []) {
      const a = X(e.start), b = Math.max(X(e.stop), a + 2 * r), look = this.looks[e.kind];
      if (b < left || a > left + width || !look) continue;
      c.fillStyle = pattern(c, e.kind, look);
      c.fillRect(a, top, b - a, height);
      c.strokeStyle = tone("--ink"); c.lineWidth = (this.chosen && this.chosen.start === e.start &&
        this.chosen.kind === e.kind ? 3 : 1) * r;
      c.strokeRect(a, top, b - a, height);
    }
    c.restore();
  }

  /** @param {any} u */
  over(u) {
    const c = u.ctx, { left, top, width, height } = u.bbox, r = devicePixelRatio || 1;
    const X = (/** @type {number} */ t) => u.valToPos(t, "x", true), Y = (/** @type {number} */ v) => u.valToPos(v, "y", true);
    c.save();
    c.font = `${12 * r}px ${tone("--face")}`;
    c.textBaseline = "middle"; c.textAlign = "left";
    let free = -1e9;
    for (const e of this.spec.events || []) {
      const look = this.looks[e.kind];
      if (!look) continue;
      const a = X(e.start), b = X(e.stop);
      if (b < left || a > left + width) continue;
      const from = Math.max(a, left, free), room = Math.min(b, left + width) - from;
      const whole = c.measureText(look.label).width;
      const text = whole < Math.max(room, from === a ? 60 * r : 0) ? look.label : look.sign;
      if (from > a && room < c.measureText(text).width) continue;
      c.fillStyle = tone("--ink");
      c.fillText(text, from, top - 8 * r);
      free = from + c.measureText(text).width + 6 * r;
    }
    for (const limit of this.spec.limits || []) {
      const y = Y(limit.at);
      c.strokeStyle = tone("--limit"); c.lineWidth = 1.5 * r; c.setLineDash([6 * r, 4 * r]);
      c.beginPath(); c.moveTo(left, y); c.lineTo(left + width, y); c.stroke();
      c.setLineDash([]);
      c.textAlign = "right";
      const w = c.measureText(limit.name).width;
      c.fillStyle = tone("--sheet"); c.globalAlpha = 0.85;
      c.fillRect(left + width - w - 8 * r, y - 15 * r, w + 8 * r, 13 * r);
      c.globalAlpha = 1; c.fillStyle = tone("--limit");
      c.fillText(limit.name, left + width - 4 * r, y - 8 * r);
      c.textAlign = "left";
    }
    /* lanes under the axis */
    c.setLineDash([]);
    const foot = top + height + 26 * r;
    this.lanes().forEach((lane, i) => {
      const y = foot + (i * LANE + 2) * r, look = this.looks[lane.kind];
      c.strokeStyle = tone("--grid"); c.lineWidth = r;
      c.strokeRect(left, y, width, 11 * r);
      c.save(); c.beginPath(); c.rect(left, y, width, 11 * r); c.clip();
      for (const [s, t] of lane.spans) {
        const a = X(s), b = Math.max(X(t), a + r);
        c.fillStyle = pattern(c, lane.kind, look); c.fillRect(a, y, b - a, 11 * r);
        c.strokeStyle = tone("--ink"); c.lineWidth = r; c.strokeRect(a, y, b - a, 11 * r);
      }
      c.restore();
    });
    if (this.playhead !== null) this.playheadAt(this.playhead);
    c.restore();
  }

  /** @param {number} t */
  nearest(t) {
    const x = this.time;
    let a = 0, b = x.length - 1;
    while (b - a > 1) { const m = (a + b) >> 1; if (x[m] <= t) a = m; else b = m; }
    return Math.abs(x[a] - t) <= Math.abs(x[b] - t) ? a : b;
  }

  /** Tells the values at t; null: what the strokes mean.
   * @param {number | null} t @param {boolean} aloud */
  read(t, aloud = false) {
    this.at = t;
    const spec = this.spec;
    if (t === null || !this.time.length) {
      this.readout.classList.add("keys");
      this.readout.style.minHeight = "";
      this.readout.replaceChildren(...this.keys());
      return;
    }
    if (this.readout.classList.contains("keys")) {
      // One line takes the room of several: nothing moves under the pointer.
      this.readout.style.minHeight = `${this.readout.offsetHeight}px`;
      this.readout.classList.remove("keys");
    }
    const i = this.nearest(t);
    const parts = spec.lines.map((line) => {
      const v = this.series[line.of][i];
      let text = v === null ? line.gap || "unknown" : v.toFixed(spec.digits) + (spec.unit ? " " + spec.unit : "");
      if (spec.band && line.tone === "first" && v !== null) {
        const low = this.series[spec.band.low][i], high = this.series[spec.band.high][i];
        if (low !== null && high !== null)
          text += ` (${low.toFixed(spec.digits)} to ${high.toFixed(spec.digits)})`;
      }
      return `${line.name} ${text}`;
    });
    const on = [...(spec.events || []).filter((e) => t >= e.start && t < e.stop).map((e) => this.looks[e.kind].label),
      ...this.lanes().filter((l) => l.spans.some(([a, b]) => t >= a && t < b)).map((l) => l.name)];
    const text = [clock(t), ...parts, ...on].join(" · ");
    this.readout.textContent = text;
    if (aloud) this.live.textContent = text;
  }

  /* What the strokes mean, shown while nothing is read off. */
  keys() {
    const out = [];
    for (const line of this.spec.lines) {
      const stroke = { x1: 0, y1: 4, x2: 26, y2: 4, class: line.tone, "stroke-dasharray": DASH[line.look].join(" ") };
      out.push(keyed(26, 8, "line", stroke, line.name + (this.spec.unit ? `, ${this.spec.unit}` : "")));
    }
    if (this.spec.band) {
      const item = document.createElement("span"), box = document.createElement("i");
      box.className = "bandkey"; item.append(box, " " + this.spec.band.name); out.push(item);
    }
    for (const lane of this.lanes()) {
      out.push(keyed(20, 10, "rect", { width: 20, height: 10, fill: `url(#hatch-${lane.kind})`, class: "edge" }, lane.name));
    }
    return out;
  }

  /** Moves every plot of the same sync group.
   * @param {number} start @param {number} stop @param {boolean} told by another plot */
  show(start, stop, told = false) {
    const [lo, hi] = this.full, least = Math.min(0.5, hi - lo);
    let a = Math.max(lo, Math.min(start, stop)), b = Math.min(hi, Math.max(start, stop));
    if (b - a < least) { const m = (a + b) / 2; a = Math.max(lo, m - least / 2); b = Math.min(hi, a + least); }
    this.range = [a, b];
    this.u.setScale("x", { min: a, max: b });
    if (!told) {
      for (const other of all) if (other !== this && this.spec.sync && other.spec.sync === this.spec.sync)
        other.show(a, b, true);
      if (this.calls.onRange) this.calls.onRange(a, b);
    }
  }

  /** @param {{kind: string, start: number} | null} event */
  choose(event) { this.chosen = event; this.u.redraw(false); }
  /** A line of its own over the canvas: moving it redraws nothing.
   * @param {number | null} t */
  playheadAt(t) {
    this.playhead = t;
    if (!this.needle || !this.needle.isConnected) {
      this.needle = document.createElement("div");
      this.needle.className = "needle";
      this.u.over.append(this.needle);
    }
    const x = this.u.valToPos(t, "x"), out = t === null || t < this.range[0] || t > this.range[1];
    this.needle.hidden = out;
    if (!out) this.needle.style.transform = `translateX(${x.toFixed(1)}px)`;
  }

  /** @param {Event[]} events */
  setEvents(events) { this.spec.events = events; this.u.redraw(false); }
  /** Limits, range and words change with the plan; the part of time that is shown stays.
   * @param {Spec} next */
  setSpec(next) {
    const { name, range, digits, limits } = next;
    Object.assign(this.spec, { name, range, digits }, limits === undefined ? {} : { limits });
    if (this.calls.onName) this.calls.onName(this.spec.name);
    this.u.redraw(false, true);
  }
  /** @param {import("./review/types").Packed} data */
  setData(data) {
    const { time, series } = unpack(data), spec = this.spec;
    this.time = time; this.series = series;
    for (const l of spec.lines) if (!series[l.of]) series[l.of] = time.map(() => null);
    const names = [...(spec.band ? [spec.band.high, spec.band.low] : []), ...spec.lines.map((l) => l.of)];
    this.u.setData([time, ...names.map((n) => series[n])], false);
    this.u.setScale("x", { min: this.range[0], max: this.range[1] });
    if (this.at !== null) this.read(this.at);
  }

  /** @param {KeyboardEvent} e */
  key(e) {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const [a, b] = this.range, w = b - a, mid = this.at === null ? (a + b) / 2 : this.at;
    let used = true;
    if (e.key === "ArrowLeft" || e.key === "ArrowRight") {
      const t = Math.min(this.full[1], Math.max(this.full[0], mid + (e.key === "ArrowLeft" ? -1 : 1) * w / 100));
      if (t < a || t > b) this.show(a + (t < a ? t - a : t - b), b + (t < a ? t - a : t - b));
      this.u.setCursor({ left: this.u.valToPos(t, "x"), top: 10 });
      this.read(t, true);
      if (this.calls.onStep) this.calls.onStep(t);
    } else if (e.key === "+" || e.key === "=") this.show(mid - w / 4, mid + w / 4);
    else if (e.key === "-") this.show(mid - w, mid + w);
    else if (e.key === "0") this.show(...this.full);
    else used = false;
    if (used) { e.preventDefault(); e.stopPropagation(); }
  }
}

/** @param {HTMLElement} box @param {Spec} spec @param {Record<string, Look>} looks @param {Calls} [calls] */
export function draw(box, spec, looks, calls) {
  const plot = new Plot(box, spec, looks, calls);
  all.push(plot);
  return plot;
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  forgetPatterns();
  for (const plot of all) { plot.build(); plot.show(plot.range[0], plot.range[1], true); }
});
