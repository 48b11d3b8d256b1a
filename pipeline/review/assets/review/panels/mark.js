/* Where the marks are. */
import { h } from "../dom.js";
import { markNumbers, moveMark, saveMark } from "../marks.js";
import { register } from "../panels.js";
import { store } from "../store.js";

/** @param {import("../types").Position} p @param {number} i @param {"x" | "y"} axis */
function placeField(p, i, axis) {
  const moved = (/** @type {any} */ e) => {
    const to = { ...store.positions[i], [axis]: Number(e.target.value) };
    moveMark(i, to.x, to.y);
    saveMark();
  };
  return h("label", {}, axis === "x" ? "Right of centre" : "Below centre",
    h("input", { type: "number", step: 0.01, min: -1, max: 1, value: p[axis].toFixed(2), "data-place": i, "data-axis": axis, onchange: moved }));
}

register("mark", () => [
  h("p", {}, "Drag a mark over the picture, or give its place in field radii."),
  h("dl", { id: "markfound", "aria-live": "polite" }, ...markNumbers(store.view.mark)),
  ...store.positions.map((p, i) => h("div", { class: "row" }, h("span", {}, `Mark ${i + 1}`), placeField(p, i, "x"), placeField(p, i, "y"))),
]);
