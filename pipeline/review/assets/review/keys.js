/* The keyboard: what each key does, and when a key is left to the field or button that has the focus. */
import { $ } from "./dom.js";
import { zoomAll, zoomBy, zoomTo } from "./axis.js";
import { setEnd } from "./ends.js";
import { nextUnresolved, step, toggleWorst } from "./findings.js";
import { openNth, tabs } from "./panels.js";
import { accept, reject } from "./panels/finding.js";
import { frame, goTo, listen, play } from "./player.js";
import { toggleFinished } from "./picture.js";
import { chosen, store } from "./store.js";

/** Enter and Escape leave a field; Escape takes back what was typed since.
 * @param {HTMLInputElement} input @param {boolean} back */
function leave(input, back) {
  const row = $("findings").querySelector('[aria-current="true"]');
  if (back && input.id !== "by") input.value = input.defaultValue;
  if (input.id === "by" && row) row.focus({ preventScroll: true });
  else if (input.id === "by") input.blur();
  else $("panel").focus({ preventScroll: true });
}

/** @param {boolean} shift */
const undo = (shift) => (shift ? $("redo") : $("undo")).click();

/** @param {boolean} shift @returns {Record<string, () => void>} */
const actions = (shift) => {
  const f = chosen(), movable = f && f.actions.length ? f : null;
  return {
    " ": play,
    arrowleft: () => (shift ? goTo(store.now - 1) : frame(-1)),
    arrowright: () => (shift ? goTo(store.now + 1) : frame(1)),
    n: () => step(1), p: () => step(-1), s: nextUnresolved, w: toggleWorst,
    v: toggleFinished, m: () => listen("mixed"), b: () => listen("raw"),
    a: () => accept(f), r: () => reject(f),
    "[": () => { if (movable) setEnd(movable, "start", store.now); },
    "]": () => { if (movable) setEnd(movable, "stop", store.now); },
    z: () => { if (f) zoomTo(f); }, 0: zoomAll,
    "+": () => zoomBy(0.5), "=": () => zoomBy(0.5), "-": () => zoomBy(2),
    u: () => undo(shift), "?": () => $("help").showModal(),
  };
};

/** A key that is held down presses a button once, not again and again.
 * @param {KeyboardEvent} e */
function once(e) {
  const tag = /** @type {HTMLElement} */ (e.target).tagName;
  if (e.repeat && (e.key === "Enter" || e.key === " ") && ["BUTTON", "A"].includes(tag)) { e.preventDefault(); e.stopPropagation(); }
}

/** @param {KeyboardEvent} e */
function pressed(e) {
  if ($("help").open) return;
  const target = /** @type {HTMLInputElement} */ (e.target), tag = target.tagName;
  const typing = tag === "INPUT" && !["checkbox", "range"].includes(target.type);
  const leaving = e.key === "Enter" || e.key === "Escape";
  if (typing && leaving) { e.preventDefault(); leave(target, e.key === "Escape"); return; }
  if (tag === "SELECT" && leaving) { $("panel").focus({ preventScroll: true }); return; }
  if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "z" && !(tag === "INPUT" && target.type === "text")) {
    e.preventDefault(); undo(e.shiftKey); return;
  }
  if (e.ctrlKey || e.metaKey || e.altKey || !$("single").checked) return;
  if (tag === "SELECT" || tag === "TEXTAREA" || typing) return;
  const onButton = tag === "BUTTON" || tag === "A" || (tag === "INPUT" && target.type === "checkbox");
  if (e.key === " " && onButton) return;
  if (target.id === "scrub" && e.key.startsWith("Arrow")) return;
  if (e.repeat && !(e.key.startsWith("Arrow") || /^[npNP+=-]$/.test(e.key))) { e.preventDefault(); return; }
  const go = actions(e.shiftKey)[e.key.toLowerCase()];
  if (go) { e.preventDefault(); go(); return; }
  const tab = /^[1-9]$/.test(e.key) ? Number(e.key) : 0;
  if (tab && tab <= tabs().length) { e.preventDefault(); openNth(tab - 1); }
}

export function wireKeys() {
  addEventListener("keydown", once, true);
  addEventListener("keydown", pressed);
}
