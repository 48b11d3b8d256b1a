/* The list of what was found, and the one that is chosen. */
import { clock, worstFirst } from "../series.js";
import { $, clamp, h, say } from "./dom.js";
import { plots, zoomTo } from "./axis.js";
import { draw } from "./overlay.js";
import { showPanel } from "./panels.js";
import { seek } from "./picture.js";
import { stop } from "./player.js";
import { chosen, find, stands, store, unresolved } from "./store.js";
import { marksOfPlots } from "./timeline.js";
import { disc, label, word } from "./words.js";

/** @typedef {import("./types").Finding} Finding */

/** The findings as listed: in order of time, or the worst first; those to resolve on top. */
const listed = () => (store.worst ? worstFirst(store.view.findings, (f) => f.needs, (f) => f.lost) : store.view.findings);

export function toggleWorst() {
  store.worst = !store.worst;
  $("worst").setAttribute("aria-pressed", String(store.worst));
  list();
  const row = $("findings").querySelector('[aria-current="true"]');
  if (row) row.scrollIntoView({ block: "nearest" });
  say(store.worst ? "The worst first" : "In order of time");
}

export function list() {
  const active = /** @type {HTMLElement | null} */ (document.activeElement);
  const focused = active && active.dataset.finding;
  const findings = listed();
  $("findings").replaceChildren(...findings.map((f) => {
    const rejected = stands(f) || f.stays ? "" : "rejected";
    return h("li", { class: `${f.needs ? "needs" : ""} ${f.decision ? "done" : ""} ${rejected}` },
      h("button", { type: "button", "data-finding": f.id, "aria-current": f.id === store.chosen ? "true" : null, onclick: () => choose(f.id, true) },
        disc(f),
        h("span", {}, h("strong", {}, label(f)), h("span", { class: "sub num" }, `${clock(f.start)} – ${clock(f.stop)} · ${f.severity}`)),
        h("span", { class: "mark" }, word(f))));
  }));
  $("count").textContent = `${findings.length} in all, ${unresolved().length} to resolve`;
  if (focused) { const b = $("findings").querySelector(`[data-finding="${CSS.escape(focused)}"]`); if (b) b.focus({ preventScroll: true }); }
}

/** @param {string} id @param {boolean} go whether picture and plots go there too */
export function choose(id, go) {
  const f = find(id);
  if (!f) return;
  store.chosen = id;
  for (const b of $("findings").querySelectorAll("button")) {
    if (b.dataset.finding === id) { b.setAttribute("aria-current", "true"); b.scrollIntoView({ block: "nearest" }); }
    else b.removeAttribute("aria-current");
  }
  store.panel = "finding";
  if (go) { stop(); zoomTo(f); seek(worst(f)); }
  marksOfPlots(); showPanel(); draw();
  say(`${label(f)}, ${clock(f.start)} to ${clock(f.stop)}, ${f.severity}, ${word(f)}`);
}

/** The moment of greatest loss in a finding, or its middle.
 * @param {Finding} f */
function worst(f) {
  const p = plots.loss;
  let best = (f.start + f.stop) / 2, top = -1;
  if (p && f.level !== null) p.time.forEach((/** @type {number} */ t, /** @type {number} */ i) => {
    const v = (p.series[f.kind] || p.series.contrast_loss)[i];
    if (t >= f.start && t < f.stop && v !== null && v > top) { top = v; best = t; }
  });
  return best;
}

/** @param {number} by rows down the list, up where negative */
export function step(by) {
  const findings = listed();
  const at = findings.findIndex((f) => f.id === store.chosen);
  const next = findings[clamp(at + by, 0, findings.length - 1)];
  if (next) choose(next.id, true);
}

/** The next finding that needs a person: after the chosen one in time, else the first. */
export function nextUnresolved() {
  const left = unresolved().filter((f) => f.id !== store.chosen), f = chosen();
  const next = left.find((x) => f && x.start >= f.start) || left[0];
  if (next) choose(next.id, true);
  else say(f && f.needs ? "This is the last one to resolve" : "All findings are resolved");
}
