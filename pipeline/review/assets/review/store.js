/* What the page knows: the case as the server last told it, and where the person is in it. */
import { $ } from "./dom.js";

/** @typedef {import("./types").View} View */
/** @typedef {import("./types").Finding} Finding */

/** @type {import("./types").Start} */
export const start = JSON.parse($("data").textContent);

export const store = {
  view: start.view,
  /** @type {string | null} id of the finding shown */
  chosen: null,
  /** case time of the picture, s */
  now: 0,
  panel: "finding",
  playing: false,
  /** True while the list is ordered by what is lost to sight. */
  worst: false,
  /** what is heard: off, mixed or raw */
  hear: "off",
  /** @type {import("./types").Position[]} marks as shown, while dragged ahead of the saved ones */
  positions: [],
  /** @type {{x: number, y: number, w: number, h: number} | null} redaction being drawn, source pixels */
  box: null,
  /** @type {import("./types").Waiting[]} decisions on their way, first to be sent first */
  line: [],
  /** True while the program does not answer. */
  away: false,
  /** @type {import("./types").Job[]} */
  jobs: [],
};

/** @type {Map<string, ((...a: any[]) => void)[]>} */
const listeners = new Map();

/** Events: "view" (told anew), "time" (the picture moved), "line" (decisions on their way),
 * "back" (the program answers again), "panel" (another panel, or the same anew).
 * @param {string} event @param {(...a: any[]) => void} go */
export function on(event, go) { listeners.set(event, [...(listeners.get(event) || []), go]); }

/** @param {string} event @param {...any} about */
export function emit(event, ...about) { for (const go of listeners.get(event) || []) go(...about); }

/** @param {string | null} id @returns {Finding | undefined} */
export const find = (id) => store.view.findings.find((f) => f.id === id);
export const chosen = () => find(store.chosen);

/** A new state of the case.
 * @param {View} next */
export function take(next) {
  store.view = next;
  store.positions = next.mark.positions.map((p) => ({ ...p }));
  if (!chosen()) store.chosen = next.findings.length ? next.findings[0].id : null;
  emit("view");
}

/** What a person sees of a finding as somebody's: not the ones they rejected.
 * @param {Finding} f */
export const stands = (f) => !(f.decision && f.decision.verb === "reject");
export const unresolved = () => store.view.findings.filter((f) => f.needs);
