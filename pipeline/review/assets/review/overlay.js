/* What is drawn over the picture: the field's edge, boxes, marks, the box being drawn. */
import { $, s } from "./dom.js";
import { place, still } from "./picture.js";
import { stands, store } from "./store.js";

/** @typedef {import("./types").Field} Field */
/** @typedef {import("./types").Position} Position */

let kept = "";
/** The next `draw` draws although nothing changed. */
export function forget() { kept = ""; }

export function draw() {
  const at = place();
  if (!at) return;
  const { g, f } = at, { view, now, positions, box, panel } = store;
  const plain = still(), over = $("over");
  const boxes = view.findings.filter((x) => x.box && now >= x.start && now < x.stop && stands(x)).map((x) => x.box);
  const key = JSON.stringify([g.width, g.height, g.placed, f, positions, boxes, plain, box, panel]);
  if (key === kept) return;
  kept = key;
  const active = /** @type {HTMLElement | null} */ (document.activeElement);
  const focus = active ? active.dataset.mark : undefined;
  const [left, top, wide, tall] = g.placed; // the whole stage in pixels of the recording
  over.setAttribute("viewBox", [-left * g.width / wide, -top * g.height / tall, g.width / wide, g.height / tall].join(" "));
  const out = [];
  if (f && f.shape && !plain) out.push(...fieldEdge(f.shape));
  if (!plain) for (const b of boxes) if (b) out.push(s("rect", { class: "box", x: b[0], y: b[1], width: b[2], height: b[3] }));
  if (box) out.push(s("rect", { class: "drawn", x: box.x, y: box.y, width: box.w, height: box.h }));
  if (f) positions.forEach((p, i) => out.push(...markShapes(f, p, i, plain)));
  over.replaceChildren(...out);
  if (focus !== undefined) { const e = over.querySelector(`[data-mark="${focus}"]`); if (e) e.focus(); }
}

/** A light line on a dark one: seen on any ground.
 * @param {import("./types").Shape} a */
function fieldEdge(a) {
  if (a.points) return [" under", ""].map((under) => s("polygon", { class: `field-edge${under}`, points: a.points }));
  const out = [
    s("clipPath", { id: "field-box" }, s("rect", { x: a.x, y: a.y, width: a.w, height: a.h })),
    s("clipPath", { id: "field-round" }, s("circle", { cx: a.cx, cy: a.cy, r: a.r })),
  ];
  for (const under of [" under", ""]) {
    out.push(s("circle", { class: `field-edge${under}`, cx: a.cx, cy: a.cy, r: a.r, "clip-path": "url(#field-box)" }),
      s("rect", { class: `field-edge${under}`, x: a.x, y: a.y, width: a.w, height: a.h, "clip-path": "url(#field-round)" }));
  }
  return out;
}

/** @type {Map<string, { tall: number, wide: number, below: number }>} */
const inks = new Map();

/** How tall and wide the letters of a text are, and how far they reach below their line, in heights of the page's letters.
 * @param {string} text */
function inkOf(text) {
  let ink = inks.get(text);
  if (!ink) {
    const pen = /** @type {CanvasRenderingContext2D} */ (document.createElement("canvas").getContext("2d"));
    pen.font = `600 100px ${getComputedStyle(document.body).fontFamily}`;
    const m = pen.measureText(text || "X");
    ink = { tall: (m.actualBoundingBoxAscent + m.actualBoundingBoxDescent) / 100, wide: m.width / 100, below: m.actualBoundingBoxDescent / 100 };
    inks.set(text, ink);
  }
  return ink;
}

/** @param {Field} f @param {Position} p @param {number} i @param {boolean} plain */
function markShapes(f, p, i, plain) {
  const ink = inkOf(store.view.mark.text || "");
  const w = p.width_ratio * f.r, tall = p.height_ratio ? p.height_ratio * f.r : w * ink.tall / ink.wide;
  const cx = f.cx + p.x * f.r, cy = f.cy + p.y * f.r;
  const turn = p.angle_deg ? `rotate(${p.angle_deg} ${cx} ${cy})` : null;
  const rect = { x: cx - w / 2, y: cy - tall / 2, width: w, height: tall, transform: turn };
  const moving = store.panel === "mark", out = [];
  if (!plain && store.view.mark.text) {
    const em = tall / ink.tall;
    const text = s("text", { class: "marktext", x: cx, y: cy + tall / 2 - ink.below * em, "font-size": 1, textLength: w, lengthAdjust: "spacingAndGlyphs", transform: turn });
    text.style.fontSize = `${em}px`;
    text.textContent = store.view.mark.text;
    out.push(text);
  }
  if (!plain && moving) out.push(s("rect", { class: "mark-place under", ...rect }), s("rect", { class: "mark-place", ...rect }));
  if (moving) {
    const name = `Mark ${i + 1} of ${store.positions.length}: drag it, or move it with the arrow keys`;
    out.push(s("rect", { class: "grip", ...rect, tabindex: 0, role: "button", "data-mark": i, "aria-label": name }));
  }
  return out;
}

/** A place on the screen in pixels of the recording shown.
 * @param {PointerEvent} e @returns {[number, number]} */
export function point(e) {
  const at = new DOMPoint(e.clientX, e.clientY).matrixTransform($("over").getScreenCTM().inverse());
  return [at.x, at.y];
}
