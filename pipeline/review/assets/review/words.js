/* Names and signs of findings and of what is done about them, as the server gave them. */
import { s } from "./dom.js";
import { stands, start } from "./store.js";

/** @typedef {import("./types").Finding} Finding */
const { looks, words } = start;

/** @param {string} action */
export const actionWords = (action) => words.actions[action] || action;

/** @param {Finding} f */
export const label = (f) => (looks[f.kind] || { label: f.kind[0].toUpperCase() + f.kind.slice(1).replace(/[_-]/g, " ") }).label;

/** @param {Finding} f */
export function word(f) {
  if (f.needs) return "to resolve";
  if (!f.decision) return actionWords(f.action);
  if (!stands(f) && f.stays) return `${actionWords(f.action)} all the same`;
  return `${words.verbs[f.decision.verb] || f.decision.verb}, ${f.decision.by}`;
}

/** The round sign of a finding, filled as far as it is severe.
 * @param {Finding} f */
export function disc(f) {
  const level = f.level === null ? 1 : f.level, tall = 30 * level;
  const sign = s("text", { x: 18, y: 22 });
  sign.textContent = (looks[f.kind] || words.unnamed).sign;
  return s("svg", { class: "disc", width: 36, height: 36, viewBox: "0 0 36 36", "aria-hidden": "true" },
    s("g", { "clip-path": "url(#disc-clip)" },
      s("rect", { x: 3, y: 33 - tall, width: 30, height: tall, fill: `url(#hatch-${looks[f.kind] ? f.kind : "withheld"})` })),
    s("circle", { class: "rim", cx: 18, cy: 18, r: 15 }),
    sign);
}
