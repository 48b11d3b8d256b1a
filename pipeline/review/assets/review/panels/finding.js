/* One finding: what it is, and what a person says to it. */
import { clock } from "../../series.js";
import { $, button, h, notice } from "../dom.js";
import { setEnd } from "../ends.js";
import { decide, reason } from "../line.js";
import { openPanel, reasonField, register, time } from "../panels.js";
import { chosen } from "../store.js";
import { actionWords, disc, label, word } from "../words.js";

/** @typedef {import("../types").Finding} Finding */

/** @param {Finding} f */
const added = (f) => f.id.startsWith("added-");

/** @param {Finding | undefined} f */
export function accept(f) {
  if (f && added(f)) notice("A person added it, so it stands: nothing is left to accept. Take it back if it is wrong.");
  else if (f) decide({ verb: "accept", finding: f.id, reason: reason() }, "Accepted");
}

/** What could harm somebody is let through for a reason of a short list only.
 * @param {Finding | undefined} f */
export function reject(f) {
  if (!f) return;
  if (!f.rejectable || added(f)) { notice(`${label(f)} cannot be rejected. ${added(f) ? "A person added it: use Take it back." : f.kept}`); return; }
  if (f.reasons.length && !f.reasons.includes(reason())) {
    if (!$("reason")) openPanel("finding", true);
    notice("Choose the reason first.");
    if ($("reason")) $("reason").focus();
    return;
  }
  decide({ verb: "reject", finding: f.id, reason: reason() }, f.reasons.length ? "Let through" : "Rejected");
}

/** @param {Finding} f */
function facts(f) {
  const decision = f.needs ? "to resolve" : f.decision ? word(f) : "none needed";
  return h("dl", {},
    h("dt", {}, "When"), h("dd", { class: "num" }, `${clock(f.start)} – ${clock(f.stop)} (${(f.stop - f.start).toFixed(1)} s)`),
    h("dt", {}, "Where"), h("dd", {}, f.where),
    h("dt", {}, "Severity"), h("dd", { class: "num" }, f.severity),
    ...(f.lost === null ? [] : [h("dt", {}, "Lost to sight"), h("dd", { class: "num" }, `as if ${f.lost.toFixed(1)} s of picture were missing`)]),
    h("dt", {}, "What is done"), h("dd", {}, actionWords(f.action)),
    h("dt", {}, "Decision"), h("dd", { class: f.needs ? "warn" : f.decision ? "good" : "" }, decision),
    ...(f.decision && f.decision.reason ? [h("dt", {}, "Reason"), h("dd", {}, f.decision.reason)] : []));
}

/** @param {Finding} f */
function otherAction(f) {
  const change = (/** @type {any} */ e) =>
    decide({ verb: "change", finding: f.id, value: { action: e.target.value }, reason: reason() }, actionWords(e.target.value));
  return h("label", {}, "Do this instead", h("select", { id: "action", onchange: change },
    ...f.actions.map((a) => h("option", { value: a, selected: a === f.action }, actionWords(a)))));
}

register("finding", () => {
  const f = chosen();
  if (!f) return [h("p", {}, "Nothing was found. Look and listen all the same, then sign off.")];
  const out = [h("p", { class: "big" }, disc(f), label(f)), facts(f)];
  if (added(f)) {
    const undo = { verb: "undo", target: Number(f.id.split("-")[1]) };
    out.push(h("div", { class: "row" }, button("Take it back", () => decide(undo, "Redaction taken back"), "no")));
    return out;
  }
  out.push(h("div", { class: "row" },
    button("Accept", () => accept(f), "yes", { id: "accept" }),
    f.rejectable ? button(f.reasons.length ? "Let it through" : "Reject: no finding", () => reject(f), "no", { id: "reject" }) : null));
  if (f.rejectable || f.actions.length > 1) out.push(f.reasons.length
    ? h("label", { class: "wide" }, "Reason to let it through", h("select", { id: "reason" },
      h("option", { value: "" }, "choose one"), ...f.reasons.map((r) => h("option", { value: r }, r))))
    : reasonField());
  if (f.actions.length > 1) out.push(otherAction(f));
  if (f.actions.length) out.push(h("div", { class: "row" },
    time("Starts at", f.start, (t) => setEnd(f, "start", t)), time("Ends at", f.stop, (t) => setEnd(f, "stop", t))));
  return out;
});
