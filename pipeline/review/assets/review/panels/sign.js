/* The sign-off, in the order of the work: what is there to be looked at, what the program did, what it
   cannot know, and the name under it. */
import { $, button, h, notice, sentence } from "../dom.js";
import { link, table } from "../files.js";
import { look } from "../jobs.js";
import { askRender, decide, plan, lineSent } from "../line.js";
import { fields, openPanel, register } from "../panels.js";
import { store, unresolved } from "../store.js";

/** @typedef {import("../types").LeavingText} LeavingText */

/** What was ticked holds for exactly this state. */
const shownState = () => `${store.view.version} ${store.view.plan}`;
const isReady = () => store.view.state === "ready";

/** @param {LeavingText} t */
const textWords = (t) => `${t.where}${t.text ? `: “${t.text}”` : ""} (${t.words.join(", ")}${t.more ? ` and ${t.more} more` : ""})`;

/** Signing is offered when there is a list, nothing is left, and every text is ticked. */
function allowed() {
  const { view } = store;
  if (!$("approve")) return;
  $("approve").disabled = !view.checklist.length || unresolved().length > 0 || view.texts.some((t) => t.unseen)
    || fields("#texts input").some((i) => !i.checked);
}

async function approve() {
  const ready = isReady();
  if (!$("looked").checked) { notice("Tick that you looked and listened first."); return; }
  $("approve").disabled = true;
  await lineSent();
  await plan();
  if (await decide({ verb: "sign", plan: store.view.plan }, "Signed off") && ready) {
    /* it lies there, finished and checked: with the sign-off it leaves */
    try { await askRender(); openPanel("render"); await look(); } catch (/** @type {any} */ e) { notice(sentence(e)); }
  }
  allowed();
}

/** @param {string} key @param {string} words @param {Record<string, any>} more */
const tick = (key, words, more = {}) => h("label", { class: "tick" },
  h("input", { type: "checkbox", "data-keep": `${key} ${shownState()}`, onchange: allowed, ...more }), h("span", {}, words));

function clip() {
  const made = store.view.files.filter((f) => ["ready", "proof"].includes(f.kind) && !f.clip);
  if (!isReady()) return h("p", {}, made.some((f) => f.kind === "ready")
    ? "No clip of this page's profile and of what is decided now is waiting to be looked at: what lies ready is of another profile (start the page with --profile), or older than a decision. "
    : "No clip is waiting to be looked at. ", "Sign off what was found and decided, then render: the clip is released if its checks pass.");
  return h("div", { class: "ready" }, h("p", { class: "big" }, "This clip is ready to be looked at"),
    h("p", {}, ...made.flatMap((f) => [link(f, f.kind === "ready" ? "Look at the clip" : "Its proof sheet"), " "])),
    h("p", { class: "sub" }, "It is finished and checked, and lies in the private folder. With your sign-off it is released as it is; nothing is made again."));
}

function identifiers() {
  const { checklist, waiting } = store.view;
  if (!checklist.length) return h("p", { id: "loading", role: "status" }, waiting
    ? "The list of what could identify someone is being made …"
    : "The list of what could identify someone cannot be made: the recordings are not where they were.");
  return table(["What could identify someone", "Found", "What is done"],
    checklist.map((r) => h("tr", {}, h("th", { scope: "row" }, r.identifier || ""), h("td", {}, r.found || ""), h("td", {}, r.treated || ""))),
    { id: "identifiers" });
}

/** @param {LeavingText} t @param {number} i */
function textRow(t, i) {
  const row = t.unseen ? `${t.where}: it holds a character that nobody can see, ${t.unseen}; take it out, it cannot be confirmed`
    : t.by ? `${textWords(t)}, confirmed by ${t.by}` : tick(`text ${i}`, textWords(t));
  return h("li", t.unseen || !t.by ? { class: "warn" } : {}, row);
}

function texts() {
  const { texts: leaving } = store.view;
  if (!leaving.length) return [];
  return [h("h3", {}, "Texts that leave with the clip"),
    h("p", { class: "sub" }, "These hold words or numbers that are not of the vocabulary. Tick each one that names nobody who must not be named; your sign-off confirms it."),
    h("ul", { id: "texts" }, ...leaving.map(textRow))];
}

register("sign", () => {
  const { view } = store, left = unresolved().length;
  const open = view.texts.filter((t) => !t.by && !t.unseen).length;
  setTimeout(allowed, 0);
  return [
    clip(),
    identifiers(),
    ...view.warnings.map((w) => h("p", { class: "warn" }, w)),
    ...texts(),
    ...(left ? [h("p", { class: "warn" }, `${left} finding${left === 1 ? "" : "s"} left to resolve.`)] : []),
    ...(view.signed ? [h("p", { class: "good" }, `Signed off by ${view.signed.by}, ${view.signed.at.replace("T", " ").slice(0, 16)} UTC. It lapses with the next change.`)] : []),
    tick("looked", "I looked through the whole clip and listened to it, and the narration names nobody.", { id: "looked" }),
    h("div", { class: "row" },
      button(isReady() ? "Sign off and release" : "Sign off", approve, "yes", { id: "approve", disabled: true }),
      ...(open ? [h("span", { class: "sub" }, `${open} text${open === 1 ? "" : "s"} to tick`)] : [])),
    ...view.cautions.map((c) => h("p", { class: "sub" }, c)),
  ];
});
