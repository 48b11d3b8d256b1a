/* The line of words at the head of the page, and what undo and redo would do. */
import { $ } from "./dom.js";
import { store, unresolved } from "./store.js";

/** @param {string} [text] instead of how things stand */
export function status(text) {
  const { view, away, line } = store, left = unresolved().length;
  const saved = line.length ? "saving …" : "saved";
  $("state").textContent = text || [
    left ? `${left} to resolve` : "all resolved",
    view.signed ? `signed off by ${view.signed.by}` : null,
    view.current ? null : "your last decisions are being worked in",
    view.segments.some((g) => g.coarse) ? "the preview is still coarse, 3 pictures a second" : null,
    away ? `not connected${line.length ? `, ${line.length} waiting` : ""}` : saved].filter(Boolean).join(" · ");
}

export function undoButtons() {
  const { line, view: { undo, redo } } = store;
  $("undo").disabled = !undo && !line.length;  /* what waits can be taken back too */
  $("redo").disabled = !redo && !line.some((one) => one.what.verb === "undo");
  $("undo").title = undo ? `Undo: ${undo}` : ""; $("redo").title = redo ? `Redo: ${redo}` : "";
}
