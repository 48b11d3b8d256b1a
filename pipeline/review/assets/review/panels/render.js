/* The render: asked for, watched, and what came of it. */
import { button, h, notice, sentence } from "../dom.js";
import { ask, jobsApi } from "../api.js";
import { link, table } from "../files.js";
import { isBusy, lastJob, look } from "../jobs.js";
import { askRender, refresh, lineSent } from "../line.js";
import { openPanel, register } from "../panels.js";
import { start, store } from "../store.js";

async function render() {
  try {
    await lineSent();
    await askRender();
    await look();
  } catch (/** @type {any} */ e) {
    if (e.status === 409) await refresh();
    notice(sentence(e));
  }
}

/** @param {number} number of the job */
async function cancel(number) {
  try { await ask(`${jobsApi}/${number}/cancel`, {}); await look(); } catch (/** @type {any} */ e) { notice(sentence(e)); }
}

/** @param {import("../types").Job} last @param {boolean} busy */
function progress(last, busy) {
  const out = [];
  if (last.version !== store.view.version && busy)
    out.push(h("p", { class: "warn" }, "It works on the decisions that were there when it began; the decisions made since then are not in it."));
  out.push(h("p", {}, `${start.words.jobs[last.state]}${last.doing && busy ? `: ${last.doing}` : ""}`));
  if (busy) out.push(h("progress", { max: 1, value: last.share, "aria-label": "Progress of the render" }));
  if (last.error) out.push(h("p", { class: "warn" }, sentence(last.error)));
  if (last.result) {
    const good = last.result.state === "released" || last.result.state === "ready";
    out.push(h("p", { class: good ? "good" : "warn" }, last.result.message));
    out.push(table(["Check", "Measured", "Limit", "Result"], last.result.checks.map((c) => h("tr", {},
      h("th", { scope: "row" }, c.check), h("td", { class: "num" }, `${c.measured} ${c.unit}`), h("td", { class: "num" }, c.limit),
      h("td", { class: c.passed ? "good" : "warn" }, c.passed ? "✓ passed" : "✗ failed")))));
  }
  return out;
}

register("render", () => {
  const { view } = store, last = lastJob(), busy = Boolean(last && isBusy(last));
  const out = [h("div", { class: "row" },
    button("Render", render, "yes", { id: "render", disabled: busy }),
    ...(last && busy ? [button("Cancel", () => cancel(last.number), "no", { id: "cancel" })] : []),
    ...(last && last.result && last.result.state === "ready" ? [button("To the sign-off", () => openPanel("sign"), "", { id: "tosign" })] : []))];
  if (!view.signed) out.push(h("p", { class: "sub" }, "Without a sign-off the clip waits, ready, in the private folder until somebody has looked; where something is left to resolve, a draft is made."));
  if (last) out.push(...progress(last, busy));
  if (view.files.length) out.push(h("h3", {}, "What was made of this case"),
    h("ul", { id: "files" }, ...view.files.map((f) => h("li", {}, link(f), h("span", { class: "sub" }, ` ${f.place}`)))),
    h("p", { class: "sub" }, "Places are in the folder that the program was started with. Only what lies under releases may be passed on."));
  return out;
});
