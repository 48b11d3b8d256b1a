/* The plots share one time axis: what part of it is shown. */
import { clamp } from "./dom.js";
import { store } from "./store.js";

/** @type {Record<string, any>} */
export const plots = {};

/** The plot that leads; undefined where there is none yet. */
export const first = () => plots.loss || plots.difference || plots.gain;

/** The part of case time on screen, s. @returns {[number, number]} */
export const shownRange = () => (first() ? first().range : [0, store.view.duration]);

/** @param {{start: number, stop: number}} f */
export function zoomTo(f) {
  const p = first(), pad = Math.max(4, 1.2 * (f.stop - f.start));
  if (p) p.show(f.start - pad, f.stop + pad);
}

/** @param {number} k */
export function zoomBy(k) {
  const p = first();
  if (!p) return;
  const [a, b] = p.range, w = (b - a) * k, mid = clamp(store.now, a, b), left = (mid - a) / (b - a || 1);
  p.show(mid - w * left, mid + w * (1 - left));
}

export const zoomAll = () => { const p = first(); if (p) p.show(...p.full); };

/** Follows the picture while it plays out of the part that is shown.
 * @param {number} t */
export function keepInSight(t) {
  const p = first();
  if (!p || (t <= p.range[1] && t >= p.range[0])) return;
  const w = p.range[1] - p.range[0];
  p.show(t - 0.02 * w, t + 0.98 * w);
}
