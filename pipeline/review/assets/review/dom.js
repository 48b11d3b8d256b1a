/* Elements, words to the person, small arithmetic. Knows nothing of a case. */
const SVG = "http://www.w3.org/2000/svg";

/** The element with that id; the template has every one that is asked for here.
 * @param {string} id @returns {any} */
export const $ = (id) => document.getElementById(id);

/** h("p", {class: "sub", onclick: f}, "text", child)
 * @param {string} tag @param {Record<string, any>} props @param {...(Node | string | null | undefined)} children
 * @returns {any} */
export function h(tag, props = {}, ...children) {
  /** @type {any} */
  const e = document.createElement(tag);
  for (const [k, v] of Object.entries(props)) {
    if (v === undefined || v === null || v === false) continue;
    if (k === "value") { e.setAttribute(k, v); continue; }
    if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
    else if (k in e && k !== "list" && k !== "form" && typeof v !== "string") e[k] = v;
    else e.setAttribute(k, v === true ? "" : v);
  }
  e.append(...children.filter((c) => c !== null && c !== undefined));
  return e;
}

/** The same for a drawing.
 * @param {string} tag @param {Record<string, any>} props @param {...Node} children @returns {any} */
export function s(tag, props, ...children) {
  const e = document.createElementNS(SVG, tag);
  for (const [k, v] of Object.entries(props)) if (v !== undefined && v !== null) e.setAttribute(k, String(v));
  e.append(...children);
  return e;
}

/** @param {number} v @param {number} a @param {number} b */
export const clamp = (v, a, b) => Math.min(b, Math.max(a, v));

/** @param {Iterable<number>} bytes */
export const hex = (bytes) => [...bytes].map((x) => x.toString(16).padStart(2, "0")).join("");

/** Read aloud where the page is read aloud.
 * @param {string} text */
export function say(text) {
  $("said").textContent = "";
  setTimeout(() => { $("said").textContent = text; }, 30);
}

/** @param {string} text @param {...Node} buttons */
export function notice(text, ...buttons) {
  const n = $("notice");
  n.replaceChildren(h("span", {}, text), ...buttons, button("Close", () => { n.hidden = true; }));
  n.hidden = false;
}
export const unnotice = () => { $("notice").hidden = true; };

/** A refusal in sentences.
 * @param {{what: string, got: string, do: string}} e */
export const sentence = (e) => [e.what, e.got, e.do].filter(Boolean).map((t) => t.replace(/\.$/, "")).join(". ") + ".";

/** @param {string} text @param {(e: any) => void} go @param {string} [cls] @param {Record<string, any>} more */
export function button(text, go, cls, more = {}) {
  return h("button", { type: "button", class: cls, onclick: go, ...more }, text);
}

/** Follows a pointer that went down on `e` until it is let go.
 * @param {any} e @param {PointerEvent} down @param {(m: PointerEvent) => void} move @param {() => void} [done] */
export function follow(e, down, move, done) {
  e.setPointerCapture(down.pointerId);
  const up = () => {
    e.removeEventListener("pointermove", move);
    for (const name of ["pointerup", "pointercancel"]) e.removeEventListener(name, up);
    if (done) done();
  };
  e.addEventListener("pointermove", move);
  for (const name of ["pointerup", "pointercancel"]) e.addEventListener(name, up);
}
