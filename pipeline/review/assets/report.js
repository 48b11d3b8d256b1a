/* The report: draws its plots and lets the list of findings steer them. */
import { all, draw } from "./plots.js";
import { worstFirst } from "./series.js";

/** @type {{looks: Record<string, import("./review/types").Look>, plots: Record<string, import("./review/types").Spec>}} */
const data = JSON.parse(/** @type {HTMLElement} */ (document.getElementById("data")).textContent || "");

/** @param {string} selector @returns {any[]} */
const every = (selector) => [...document.querySelectorAll(selector)];
for (const box of every("[data-plot]")) {
  const spec = data.plots[box.dataset.plot];
  if (spec) draw(box, spec, data.looks);
}

let rows = every(".finding");
const boxes = every(".evidence > [data-group]");
const tabs = every(".tabs button");

/** @param {string} group */
function bring(group) {
  if (!boxes.some((b) => b.dataset.group === group)) return;
  for (const box of boxes) box.hidden = box.dataset.group !== group;
  for (const tab of tabs) tab.setAttribute("aria-pressed", String(tab.dataset.group === group));
}
for (const tab of tabs) tab.addEventListener("click", () => bring(tab.dataset.group));
if (tabs.length) bring(tabs[0].dataset.group);

/** @param {any} row */
function choose(row) {
  for (const other of rows) other.classList.toggle("chosen", other === row);
  const d = row.dataset;
  if (d.start === undefined) return;
  bring(d.group);
  const start = Number(d.start), stop = Number(d.stop), pad = Math.max(3, stop - start);
  let first = null;
  for (const plot of all) {
    if (plot.spec.sync !== d.plots) { plot.choose(null); continue; }
    plot.choose({ kind: d.kind, start });
    plot.show(start - pad, stop + pad, true);
    first = first || plot.box;
  }
  const pane = document.querySelector(".evidence");
  if (first && pane && pane.scrollHeight > pane.clientHeight)
    pane.scrollTop += first.getBoundingClientRect().top - pane.getBoundingClientRect().top - 80;
}
for (const row of rows) {
  row.querySelector("summary").addEventListener("click", () => choose(row));
  row.querySelector("summary").addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
    const at = rows.indexOf(row);
    const next = e.key === "ArrowDown" ? rows[at + 1] : e.key === "ArrowUp" ? rows[at - 1] : null;
    if (!next) return;
    e.preventDefault();
    next.querySelector("summary").focus();
    choose(next);
  });
}
/* In order of time as written, or the worst first; what needs a person stays on top. */
const inTime = rows;
for (const button of every("#worst"))
  button.addEventListener("click", () => {
    const worst = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(worst));
    /** @type {HTMLElement} */ (document.getElementById("worst-words")).hidden = !worst;
    rows = worst ? worstFirst(inTime, (r) => r.classList.contains("needs"), (r) => r.dataset.lost) : inTime;
    rows[0].parentElement.append(...rows);
  });
for (const button of every("[data-all]"))
  button.addEventListener("click", () => {
    for (const plot of all) plot.show(plot.full[0], plot.full[1], true);
    for (const row of rows) row.classList.remove("chosen");
  });

/** @type {any[]} */
let opened = [];
addEventListener("beforeprint", () => {
  opened = every("details:not([open])");
  for (const item of opened) item.open = true;
  for (const box of boxes) box.hidden = false;
});
addEventListener("afterprint", () => {
  for (const item of opened) item.open = false;
  const on = tabs.find((t) => t.getAttribute("aria-pressed") === "true");
  if (on) bring(on.dataset.group);
});

/* For whoever drives the report from outside. */
window.Report = { plots: all };
