/* Asking the server. */
import { hex } from "./dom.js";
import { start } from "./store.js";

const base = start.base;
export const api = `${base}/api/case/${encodeURIComponent(start.view.case)}`;
export const jobsApi = `${base}/api/jobs`;

/** @param {string} what @returns {import("./types").Told} */
const nobody = (what) => ({ status: 0, what: "The program does not answer", got: "", do: what });

/** Throws a `Told`; its status is 0 where nobody answered.
 * @param {string} path @param {object} [body] @returns {Promise<Response>} */
export async function ask(path, body) {
  let answer;
  try {
    answer = await fetch(path, body === undefined ? {} :
      { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  } catch {
    throw nobody("start it again; this page then goes on by itself");
  }
  if (answer.ok) return answer;
  /** @type {Partial<import("./types").Told>} */
  let said = {};
  try { said = await answer.json(); } catch { /* not JSON */ }
  throw { status: answer.status, what: said.what || "The request failed", got: said.got || "", do: said.do || "" };
}

/** The answer as data; an answer that breaks off counts as none.
 * @param {string} path @param {object} [body] @returns {Promise<any>} */
export async function tell(path, body) {
  const answer = await ask(path, body);
  try { return await answer.json(); } catch { throw nobody(""); }
}

export const newId = () => hex(crypto.getRandomValues(new Uint8Array(12)));

/** Is it the same program? It proves that it knows the secret of this page; the secret itself is not sent
 * to whoever listens on the port now. */
export async function isBack() {
  const nonce = newId();
  try {
    const answer = await fetch(`/hello/${nonce}`, { cache: "no-store" });
    if (!answer.ok) return false;
    const text = new TextEncoder();
    const hmac = { name: "HMAC", hash: "SHA-256" };
    const key = await crypto.subtle.importKey("raw", text.encode(base.slice(1)), hmac, false, ["sign"]);
    const want = new Uint8Array(await crypto.subtle.sign("HMAC", key, text.encode(nonce)));
    return (await answer.text()) === hex(want);
  } catch { return false; }
}

/** @param {import("./types").Segment} g */
export const proxyUrl = (g) => `${base}/proxy/${encodeURIComponent(start.view.case)}/${g.proxy}${g.coarse ? "?coarse" : ""}`;
/** @param {string} place */
export const fileUrl = (place) => `${base}/file/${place.split("/").map(encodeURIComponent).join("/")}`;
