/* Settings of the mix. */
import { button, h, notice } from "../dom.js";
import { decide } from "../line.js";
import { fields, register } from "../panels.js";
import { listen, stop } from "../player.js";
import { store } from "../store.js";

function save() {
  /** @type {Record<string, number>} */
  const value = {};
  for (const i of fields("[data-sound]")) {
    const was = store.view.sound.find((x) => x.name === i.dataset.sound);
    if (was && Number(i.value) !== was.value) value[was.name] = Number(i.value);
  }
  if (!Object.keys(value).length) { notice("No setting was changed."); return; }
  decide({ verb: "mix", value }, "Sound settings saved");
}

/** @param {"mixed" | "raw"} kind */
const hear = (kind) => () => { stop(); listen(kind); };

register("sound", () => [
  h("p", {}, "Listen to the part on screen, untreated and as mixed (M, B)."),
  h("div", { class: "pairs" }, ...store.view.sound.map((x) => h("label", {}, `${x.words}, ${x.unit}`,
    h("input", { type: "number", step: "any", min: x.low, max: x.high, value: x.value, "data-sound": x.name, title: x.comment })))),
  h("div", { class: "row" }, button("Save", save, "yes", { id: "savesound" }),
    button("Hear as mixed", hear("mixed")), button("Hear untreated", hear("raw"))),
]);
