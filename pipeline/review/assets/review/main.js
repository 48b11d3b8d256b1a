/* The page of a case: findings on the left, what they rest on beside them. Here its parts are put together. */
import { $ } from "./dom.js";
import { plots, zoomAll, zoomBy } from "./axis.js";
import { choose, list, toggleWorst } from "./findings.js";
import { look } from "./jobs.js";
import { wireKeys } from "./keys.js";
import { decide, planSoon, refresh, send } from "./line.js";
import { tryMark, wireMarks } from "./marks.js";
import { draw, forget } from "./overlay.js";
import { showPanel, wireTabs } from "./panels.js";
import "./panels/finding.js";
import "./panels/mark.js";
import "./panels/sound.js";
import { wireBox } from "./panels/redact.js";
import "./panels/chapters.js";
import "./panels/sign.js";
import "./panels/render.js";
import { seek, shapeStage, toggleFinished } from "./picture.js";
import { ears, frame, heardNow, hearButtons, listen, play, stop } from "./player.js";
import { status, undoButtons } from "./status.js";
import { chosen, on, start, store, take } from "./store.js";
import { freshPlots, marksOfPlots, playheads } from "./timeline.js";

on("view", () => {
  undoButtons(); shapeStage(); list(); freshPlots(); marksOfPlots(); draw(); showPanel(); status();
});
on("time", () => { playheads(); draw(); });
on("line", status);
on("line", undoButtons);
on("back", look);
on("undrawn", forget);
on("panel", (name) => { forget(); draw(); if (name === "mark") tryMark(); });

/** @param {string} id @param {string} event @param {(e: any) => void} go */
const when = (id, event, go) => $(id).addEventListener(event, go);

$("by").value = start.by || sessionStorage.getItem("by") || "";
when("by", "change", () => { sessionStorage.setItem("by", $("by").value.trim()); $("by").classList.remove("missing"); });
when("undo", "click", () => decide({ verb: "undo" }, "Undone"));
when("redo", "click", () => decide({ verb: "redo" }, "Done again"));
when("keys", "click", () => $("help").showModal());
when("shut", "click", () => $("help").close());
$("single").checked = localStorage.getItem("single") !== "no";
when("single", "change", () => localStorage.setItem("single", $("single").checked ? "yes" : "no"));
when("worst", "click", toggleWorst);
when("asfinished", "click", toggleFinished);
when("play", "click", play);
when("back", "click", () => frame(-1));
when("fore", "click", () => frame(1));
when("closer", "click", () => zoomBy(0.5));
when("wider", "click", () => zoomBy(2));
when("whole", "click", zoomAll);
$("scrub").max = store.view.duration;
when("scrub", "input", () => { stop(); seek(Number($("scrub").value), "scrub"); });
for (const b of hearButtons()) b.addEventListener("click", () => listen(/** @type {any} */ (b.dataset.hear)));
wireTabs(); wireMarks(); wireBox(); wireKeys();

take(start.view);
const f = chosen();
if (f) choose(f.id, false);
seek(f ? f.start : 0);
look();
if (store.line.length) send();
else if (!store.view.current) planSoon(300);
document.body.dataset.ready = performance.now().toFixed(0);
document.body.dataset.calm = String(matchMedia("(prefers-reduced-motion: reduce)").matches);

/* For whoever drives the page from outside: what it shows, and nothing that it does not. */
window.Review = {
  refresh, plots, seek, ears,
  get view() { return store.view; }, get now() { return store.now; }, get playing() { return store.playing; },
  get hear() { return store.hear; }, get heard() { return heardNow(); },
};
