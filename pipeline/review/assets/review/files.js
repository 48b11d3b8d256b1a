/* A file that was made, served to this page only. */
import { h } from "./dom.js";
import { fileUrl } from "./api.js";

/** @param {import("./types").CaseFile} f @param {string} [words] */
export const link = (f, words) => h("a", { href: fileUrl(f.place), target: "_blank", rel: "noreferrer", title: f.place }, words || f.words);

/** @param {string[]} heads @param {any[]} rows @param {Record<string, any>} props */
export const table = (heads, rows, props = {}) => h("table", props,
  h("thead", {}, h("tr", {}, ...heads.map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, ...rows));
