/* A redaction of one's own: a box drawn over the picture, or a span of speech. */
import { $, button, clamp, follow, h, notice } from "../dom.js";
import { decide } from "../line.js";
import { draw, point } from "../overlay.js";
import { fields, reasonField, register, time } from "../panels.js";
import { place } from "../picture.js";
import { stop } from "../player.js";
import { chosen, start, store } from "../store.js";

const SIDES = /** @type {const} */ ([["x", "Left"], ["y", "Top"], ["w", "Width"], ["h", "Height"]]);

/** Drawing with the pointer, while this panel is open. */
export function wireBox() {
  $("over").addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
    const at = place();
    if (store.panel !== "redact" || !at) return;
    e.preventDefault();
    stop();
    const [x0, y0] = point(e), { g } = at;
    follow($("over"), e, (m) => {
      const [px, py] = point(m), x = clamp(px, 0, g.width), y = clamp(py, 0, g.height);
      store.box = {
        x: Math.round(Math.min(x0, x)), y: Math.round(Math.min(y0, y)),
        w: Math.round(Math.abs(x - x0)), h: Math.round(Math.abs(y - y0)),
      };
      draw(); fillBox();
    });
  });
}

function fillBox() {
  for (const input of fields("[data-box]")) input.value = store.box ? store.box[/** @type {"x" | "y" | "w" | "h"} */ (input.dataset.box)] : "";
}

function readBox() {
  const box = { x: 0, y: 0, w: 0, h: 0 };
  for (const i of fields("[data-box]")) box[/** @type {"x" | "y" | "w" | "h"} */ (i.dataset.box)] = Math.round(Number(i.value) || 0);
  store.box = box;
  draw();
}

/** @param {string} kind @param {{start: number, stop: number}} span */
async function add(kind, span) {
  const { box } = store, what = start.addable.find((x) => x.kind === kind);
  /** @type {Record<string, any>} */
  const value = { kind, start_s: span.start, stop_s: span.stop };
  if (what && what.box) {
    if (!box || box.w < 2 || box.h < 2) { notice("Draw a box over the picture first."); return; }
    value.box_px = [box.x, box.y, box.w, box.h];
  }
  if (await decide({ verb: "add", value, reason: $("reason").value.trim() }, "Redaction added")) {
    store.box = null;
    fillBox(); draw();
  }
}

register("redact", () => {
  const f = chosen(), { now, view, box } = store;
  const span = f && f.start <= now && now < f.stop ? { start: f.start, stop: f.stop } : { start: now, stop: Math.min(view.duration, now + 5) };
  const kind = h("select", { id: "kind" }, ...start.addable.map((x) => h("option", { value: x.kind }, x.name)));
  return [
    h("p", {}, "Draw a box over the picture, or type it in; speech needs none. It is blacked out over the span."),
    h("div", { class: "row" }, h("label", {}, "What", kind),
      time("From", span.start, (t) => { span.start = t; }), time("To", span.stop, (t) => { span.stop = t; })),
    h("div", { class: "row" }, ...SIDES.map(([k, name]) => h("label", {}, name,
      h("input", { type: "number", min: 0, step: 1, value: box ? String(box[k]) : "", "data-box": k, onchange: readBox })))),
    reasonField(),
    h("div", { class: "row" }, button("Add the redaction", () => add(kind.value, span), "yes", { id: "addbox" })),
  ];
});
