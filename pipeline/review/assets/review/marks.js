/* Moving a mark over the picture. What it would cost there is measured while it moves. */
import { $, follow, h, notice, sentence } from "./dom.js";
import { api, tell } from "./api.js";
import { decide } from "./line.js";
import { draw, point } from "./overlay.js";
import { place } from "./picture.js";
import { stop } from "./player.js";
import { store } from "./store.js";

const STEP = 0.01, GREAT_STEP = 0.1, EDGE = 0.98;  /* field radii */
let trying = false, again = false;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let wait;

const sent = () => store.positions.map((p) => ({ x: p.x, y: p.y, angle_deg: p.angle_deg || 0, width_ratio: p.width_ratio }));

/** Measures the marks where they are now; one question at a time. */
export async function tryMark() {
  if (trying) { again = true; return; }
  trying = true;
  try {
    const found = await tell(`${api}/mark`, { positions: sent(), at: store.now });
    const out = $("markfound");
    if (out) out.replaceChildren(...markNumbers(found));
  } catch (/** @type {any} */ e) { notice(sentence(e)); }
  trying = false;
  if (again) { again = false; tryMark(); }
}

/** @param {import("./types").MarkFound} m */
export function markNumbers(m) {
  const { crop_loss: loss, visibility: seen } = m, { goal, band: [low, high] } = store.view.mark;
  const out = [];
  if (loss !== null && loss !== undefined) {
    const short = Boolean(goal) && loss < Number(goal);
    const words = goal ? (short ? `, below the goal ${goal}` : `, goal ${goal} reached`) : "";
    out.push(h("dt", {}, "Crop loss"), h("dd", { class: `num ${short ? "warn" : "good"}` }, `${loss.toFixed(3)}${words}`));
  }
  if (seen !== null && seen !== undefined) {
    const outside = low && (seen < low || seen > Number(high));
    out.push(h("dt", {}, "Visibility here"),
      h("dd", { class: `num ${outside ? "warn" : ""}` }, `${seen.toFixed(1)} L*${low ? ` (held between ${low} and ${high})` : ""}`));
  }
  return out;
}

/** @param {number} i @param {number} x @param {number} y field radii from its centre */
export function moveMark(i, x, y) {
  const r = Math.hypot(x, y), k = r > EDGE ? EDGE / r : 1;
  const round = (/** @type {number} */ v) => Math.round(v * k * 1e4) / 1e4;
  const to = store.positions[i] = { ...store.positions[i], x: round(x), y: round(y) };
  draw(); tryMark();
  for (const input of $("panel").querySelectorAll(`[data-place="${i}"]`)) input.value = (input.dataset.axis === "x" ? to.x : to.y).toFixed(2);
}

export const saveMark = () => decide({ verb: "mark", value: { positions: sent() } }, "Mark moved");

/** @param {PointerEvent} e @param {number} i */
function dragMark(e, i) {
  const at = place();
  if (!at) return;
  const [x0, y0] = point(e), from = { ...store.positions[i] }, over = $("over");
  let went = false;
  e.preventDefault();
  stop();
  follow(over, e, (m) => {
    const [x, y] = point(m);
    went = true;
    moveMark(i, from.x + (x - x0) / at.f.r, from.y + (y - y0) / at.f.r);
  }, () => { if (went) saveMark(); });
  const grip = over.querySelector(`[data-mark="${i}"]`);
  if (grip) grip.focus();
}

/** @param {KeyboardEvent} e @param {number} i */
function keyMark(e, i) {
  const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
  if (!by) return;
  e.preventDefault(); e.stopPropagation();
  const k = e.shiftKey ? GREAT_STEP : STEP, p = store.positions[i];
  moveMark(i, p.x + by[0] * k, p.y + by[1] * k);
  clearTimeout(wait);
  wait = setTimeout(saveMark, 600);
}

/** The grips are drawn anew all the time: the drawing as a whole listens for them. */
export function wireMarks() {
  const grip = (/** @type {any} */ e) => (e.target.dataset.mark === undefined ? -1 : Number(e.target.dataset.mark));
  $("over").addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => { if (grip(e) >= 0) dragMark(e, grip(e)); });
  $("over").addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => { if (grip(e) >= 0) keyMark(e, grip(e)); });
}
