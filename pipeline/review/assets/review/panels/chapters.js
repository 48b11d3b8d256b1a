/* Chapters of the clip, on the case's axis. */
import { clock } from "../../series.js";
import { $, button, h, notice } from "../dom.js";
import { decide } from "../line.js";
import { register } from "../panels.js";
import { goTo } from "../player.js";
import { store } from "../store.js";

/** @param {[number, string][]} chapters */
const save = (chapters) => decide({ verb: "chapter", value: { chapters } }, "Chapters saved");

function add() {
  const title = $("newchapter").value.trim();
  if (!title) { notice("Give the chapter a title."); return; }
  save([...store.view.chapters, [Math.round(store.now * 1000) / 1000, title]]);
}

register("chapters", () => {
  const rows = store.view.chapters;
  return [
    h("p", {}, rows.length ? "Rename, or add one where the picture stands." : "There is no chapter yet."),
    ...rows.map((row) => {
      const [t, title] = row;
      const rename = (/** @type {any} */ e) => save(rows.map((x) => (x === row ? [t, e.target.value] : x)));
      return h("div", { class: "row" },
        button(clock(t), () => goTo(t), "num", { "aria-label": `Go to ${clock(t)}` }),
        h("input", { value: title, maxlength: 80, "aria-label": `Title of the chapter at ${clock(t)}`, onchange: rename }),
        button("Remove", () => save(rows.filter((x) => x !== row)), "", { "aria-label": `Remove the chapter at ${clock(t)}` }));
    }),
    h("div", { class: "row" },
      h("input", { id: "newchapter", maxlength: 80, placeholder: "Title", "aria-label": "Title of the new chapter" }),
      button(`Add at ${clock(store.now)}`, add, "yes", { id: "addchapter" })),
  ];
});
