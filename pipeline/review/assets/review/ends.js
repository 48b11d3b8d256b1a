/* Where a finding starts and ends: moved by its handles on the plot, by the keyboard, or typed. */
import { clock } from "../series.js";
import { clamp, follow, h } from "./dom.js";
import { plots } from "./axis.js";
import { decide, reason } from "./line.js";
import { seek } from "./picture.js";
import { stop } from "./player.js";
import { chosen, start, store } from "./store.js";
import { label } from "./words.js";

/** @typedef {import("./types").Finding} Finding */
/** @typedef {"start" | "stop"} End */

/** @type {{end: End, t: number, id: string} | null} */
let drag = null;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let keyed;

/** @param {Finding} f @param {End} end @param {number} t */
const fitted = (f, end, t) => (end === "start" ? clamp(t, 0, f.stop - 0.1) : clamp(t, f.start + 0.1, store.view.duration));

/** Decides that a finding starts or ends at t.
 * @param {Finding} f @param {End} end @param {number} t */
export function setEnd(f, end, t) {
  const at = fitted(f, end, t);
  const value = { start_s: f.start, stop_s: f.stop, [`${end}_s`]: Math.round(at * 1000) / 1000 };
  decide({ verb: "change", finding: f.id, value, reason: reason() }, `${end === "start" ? "Start" : "End"} at ${clock(at)}`);
}

export function makeHandles() {
  if (!plots.loss || plots.loss.host.querySelector(".handle")) return;
  for (const end of /** @type {End[]} */ (["start", "stop"])) {
    plots.loss.host.append(h("button", { type: "button", class: "handle", role: "slider", "data-end": end, hidden: true,
      onpointerdown: (/** @type {PointerEvent} */ e) => dragEnd(e, end),
      onkeydown: (/** @type {KeyboardEvent} */ e) => keyEnd(e, end) }));
  }
}

/** @param {any} p the plot */
export function placeHandles(p) {
  const f = chosen();
  for (const b of p.host.querySelectorAll(".handle")) {
    if (!f || !f.actions.length || !start.looks[f.kind]) { b.hidden = true; continue; }
    const end = /** @type {End} */ (b.dataset.end);
    const t = drag && drag.end === end ? drag.t : f[end];
    const host = p.host.getBoundingClientRect(), area = p.u.over.getBoundingClientRect();
    const x = p.u.valToPos(t, "x") + area.left - host.left;
    b.hidden = t < p.range[0] || t > p.range[1];
    b.style.left = `${x}px`;
    b.style.top = `${area.top - host.top}px`;
    b.style.height = `${area.height}px`;
    b.setAttribute("aria-label", end === "start" ? `Start of ${label(f)}` : `End of ${label(f)}`);
    b.setAttribute("aria-valuemin", "0"); b.setAttribute("aria-valuemax", store.view.duration.toFixed(1));
    b.setAttribute("aria-valuenow", t.toFixed(1)); b.setAttribute("aria-valuetext", clock(t));
  }
}

/** @param {Finding} f @param {End} end @param {number} t */
function preview(f, end, t) {
  drag = { end, t, id: f.id };
  const loss = plots.loss;
  if (loss.chosen && end === "start") loss.chosen.start = t;
  loss.setEvents(loss.spec.events.map((/** @type {import("./types").Event} */ e) => (e.id === f.id ? { ...e, [end]: t } : e)));
  seek(t);
}

/** @param {Finding} f */
function dropped(f) { const d = drag; drag = null; if (d) setEnd(f, d.end, d.t); }

/** @param {PointerEvent} e @param {End} end */
function dragEnd(e, end) {
  const f = chosen(), u = plots.loss.u;
  if (!f) return;
  e.preventDefault(); e.stopPropagation();
  const b = /** @type {HTMLElement} */ (e.currentTarget);
  b.focus();
  stop();
  follow(b, e, (m) => preview(f, end, fitted(f, end, u.posToVal(m.clientX - u.over.getBoundingClientRect().left, "x"))), () => dropped(f));
}

/** @param {KeyboardEvent} e @param {End} end */
function keyEnd(e, end) {
  const by = e.key === "ArrowLeft" ? -1 : e.key === "ArrowRight" ? 1 : 0, f = chosen();
  if (!by || !f) return;
  e.preventDefault(); e.stopPropagation();
  preview(f, end, fitted(f, end, (drag ? drag.t : f[end]) + by * (e.shiftKey ? 1 : 0.1)));
  clearTimeout(keyed);
  keyed = setTimeout(() => dropped(f), 500);
}
