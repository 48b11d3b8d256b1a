/* The panel on the right: which one is open. What was typed and is not saved yet stays when it is drawn anew. */
import { clock } from "../series.js";
import { $, h, notice } from "./dom.js";
import { emit, store } from "./store.js";

const FIELDS = "input[id], input[data-sound], input[data-keep], select[data-keep]";
/** @type {Map<string, () => any[]>} in the order of the tabs */
const panels = new Map();
let shown = "";

/** @param {string} name of the tab @param {() => any[]} build its elements */
export function register(name, build) { panels.set(name, build); }

/** @param {any} i */
const keyOf = (i) => i.dataset.keep || i.dataset.sound || i.id;

/** What stands in a field and is not what it was drawn with. @returns {Map<string, any>} */
function typed() {
  const out = new Map();
  for (const i of $("panel").querySelectorAll(FIELDS)) {
    if (i.type === "checkbox") { if (i.checked !== i.defaultChecked) out.set(keyOf(i), i.checked); }
    else if (i.tagName === "SELECT" ? i.value !== "" : i.value !== i.defaultValue) out.set(keyOf(i), i.value);
  }
  return out;
}

/** @param {Map<string, any>} dirty */
function typeAgain(dirty) {
  for (const i of $("panel").querySelectorAll(FIELDS)) {
    if (!dirty.has(keyOf(i))) continue;
    if (i.type === "checkbox") { i.checked = dirty.get(keyOf(i)); i.dispatchEvent(new Event("change")); }
    else i.value = dirty.get(keyOf(i));
  }
}

/** @returns {any[]} */
export const tabs = () => [...document.querySelectorAll("[data-panel]")];

/** @param {boolean} [focus] whether its tab gets the focus */
export function showPanel(focus) {
  const panel = $("panel"), active = /** @type {any} */ (document.activeElement);
  const typing = panel.contains(active) && active !== panel ? active : null;
  for (const b of tabs()) {
    const open = b.dataset.panel === store.panel;
    b.setAttribute("aria-selected", String(open)); b.tabIndex = open ? 0 : -1;
  }
  panel.setAttribute("aria-labelledby", `tab-${store.panel}`);
  const key = typing && (typing.id || typing.textContent);
  const caret = typing && typing.type === "text" ? typing.selectionStart : null;
  const about = `${store.panel} ${store.chosen}`, dirty = typed(), build = panels.get(store.panel);
  panel.replaceChildren(...(build ? build() : []));
  if (about === shown) typeAgain(dirty);
  shown = about;
  $("stage").classList.toggle("draw", store.panel === "redact");
  if (store.panel !== "redact") store.box = null;
  if (key) {
    const e = [...panel.querySelectorAll("button, input, select")].find((x) => (x.id || x.textContent) === key);
    (e || panel).focus({ preventScroll: true });
    if (e && caret !== null) e.setSelectionRange(caret, caret);
  }
  if (focus) $(`tab-${store.panel}`).focus();
}

/** @param {string} name @param {boolean} [focus] */
export function openPanel(name, focus) {
  store.panel = name;
  showPanel(focus);
  emit("panel", name);
}

/** The nth tab, from 0; past the last comes the first.
 * @param {number} n */
export function openNth(n) {
  const names = [...panels.keys()];
  openPanel(names[(n + names.length) % names.length], true);
}

/** Left and right move through the tabs, as in every row of tabs. */
export function wireTabs() {
  for (const b of tabs()) {
    b.addEventListener("click", () => openPanel(b.dataset.panel));
    b.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
      const by = e.key === "ArrowRight" ? 1 : e.key === "ArrowLeft" ? -1 : 0;
      if (!by) return;
      e.preventDefault(); e.stopPropagation();
      openNth([...panels.keys()].indexOf(store.panel) + by);
    });
  }
}

/** A field for a time of the case: 90, 1:30 or 0:01:30.
 * @param {string} name @param {number} value @param {(t: number) => void} set */
export function time(name, value, set) {
  const read = (/** @type {string} */ text) => {
    const parts = text.trim().split(":").map(Number);
    return parts.length && parts.every((p) => Number.isFinite(p) && p >= 0) ? parts.reduce((a, b) => a * 60 + b, 0) : null;
  };
  return h("label", {}, name, h("input", { size: 9, value: clock(value, 2), inputmode: "decimal", onchange: (/** @type {any} */ e) => {
    const t = read(e.target.value);
    if (t === null) { notice(`${name}: write 90, 1:30 or 0:01:30.`); e.target.value = clock(value, 2); } else set(t);
  } }));
}

/** The fields of the open panel that carry a data attribute.
 * @param {string} selector @returns {any[]} */
export const fields = (selector) => [...$("panel").querySelectorAll(selector)];

/** Free words beside a decision. */
export const reasonField = () => h("label", { class: "wide" }, "Reason (no names)", h("input", { id: "reason", maxlength: 200, autocomplete: "off" }));
