/* The plots of a case: made when their series come, finer for the part that is shown. */
import { draw as drawPlot } from "../plots.js";
import { $, h } from "./dom.js";
import { api, tell } from "./api.js";
import { first, plots } from "./axis.js";
import { makeHandles, placeHandles } from "./ends.js";
import { goTo } from "./player.js";
import { chosen, stands, start, store } from "./store.js";

/** Drawn over the curve of the picture.
 * @param {import("./types").Finding} f */
const isEvent = (f) => start.kinds.some((k) => k.kind === f.kind && k.event);
const NAMES = ["loss", "difference", "gain"];

function makePlots() {
  for (const name of NAMES) {
    const spec = store.view.plots[name];
    if (!spec || plots[name]) continue;
    const title = h("h3", {}, spec.name), host = h("div");
    $("plots").append(h("div", { class: `plot plot-${name}` }, title, host));
    plots[name] = drawPlot(host, spec, start.looks, {
      onPick: goTo,
      onStep: goTo,
      onRange: refine,
      onDraw: name === "loss" ? placeHandles : undefined,
      onName: (/** @type {string} */ text) => { title.textContent = text; },
    });
    const other = Object.values(plots).find((p) => p !== plots[name]);
    if (other) plots[name].show(...other.range, true);  /* it came later: the same part of time */
  }
  makeHandles();
}

/** The sound's curves change with the plan, and some come only with it. */
export function freshPlots() {
  makePlots();
  const p = first();
  if (!p) return;
  for (const [name, plot] of Object.entries(plots)) if (store.view.plots[name]) plot.setSpec(store.view.plots[name]);
  if (p.range[0] <= p.full[0] + 0.001 && p.range[1] >= p.full[1] - 0.001) setWhole();
  else refine(p.range[0], p.range[1]);
}

function setWhole() {
  for (const [name, plot] of Object.entries(plots)) if (store.view.plots[name]) plot.setData(store.view.plots[name].data);
}

/** What was found, over and under the curve. */
export function marksOfPlots() {
  const loss = plots.loss, f = chosen(), { findings, narration } = store.view;
  if (!loss) return;
  loss.spec.lanes = start.lanes.map((lane) => ({
    kind: lane.kind,
    name: lane.name,
    spans: lane.kinds.length ? findings.filter((x) => lane.kinds.includes(x.kind)).map((x) => [x.start, x.stop]) : narration,
  }));
  loss.chosen = f ? { kind: f.kind, start: f.start } : null;
  if (!loss.tall) { loss.tall = true; loss.build(); }
  loss.setEvents(findings.filter((x) => isEvent(x) && stands(x)));
}

/** @type {ReturnType<typeof setTimeout> | undefined} */
let fetching;
/** @param {number} a @param {number} b */
function refine(a, b) {
  clearTimeout(fetching);
  fetching = setTimeout(async () => {
    if (a <= 0.001 && b >= store.view.duration - 0.001) { setWhole(); return; }
    try {
      const data = await tell(`${api}/series?start=${a.toFixed(3)}&stop=${b.toFixed(3)}&points=1400`);
      for (const [name, p] of Object.entries(plots)) if (data[name]) p.setData(data[name]);
    } catch { /* the coarse one stays */ }
  }, 120);
}

export function playheads() { for (const p of Object.values(plots)) p.playheadAt(store.now); }
