/* Decisions wait in a line and are sent one after the other. Each has an id of its own: one that is sent
   twice counts once. The line is kept beside the page as well, so that neither a dead program nor a reload
   loses one. */
import { $, button, notice, say, sentence, unnotice } from "./dom.js";
import { api, ask, isBack, newId, tell } from "./api.js";
import { emit, find, start, store, take } from "./store.js";

/** @typedef {import("./types").Asked} Asked */
/** @typedef {import("./types").Waiting} Waiting */

const lineKey = `line ${start.view.case}`;
let sending = false;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let wait;
try { store.line = JSON.parse(sessionStorage.getItem(lineKey) || "[]"); } catch { /* none kept */ }

function keepLine() {
  const kept = store.line.map(({ id, by, seen, what }) => ({ id, by, seen, what }));
  sessionStorage.setItem(lineKey, JSON.stringify(kept));
}

/** The person's initials; null, and asked for, where there are none. */
export function initials() {
  const by = $("by").value.trim();
  if (/^[A-Za-z]{1,4}$/.test(by)) { $("by").classList.remove("missing"); return by; }
  $("by").classList.add("missing");
  $("by").focus();
  notice("Give your initials first: 1 to 4 letters A to Z.");
  return null;
}

/** The reason that stands in the panel of the finding. */
export function reason() {
  const i = store.panel === "finding" && $("reason");
  return i ? i.value.trim() : "";
}

/** True when it is saved. done: what is then said.
 * @param {Asked} what @param {string} [done] @returns {Promise<boolean>} */
export function decide(what, done) {
  const by = initials();
  if (!by) return Promise.resolve(false);
  const turns = ["undo", "redo"], f = what.finding ? find(what.finding) : undefined;
  const before = [...store.line].reverse().find((one) => turns.includes(one.what.verb) || one.what.finding === what.finding);
  if (before && (what.target || !turns.includes(what.verb)) && JSON.stringify(before.what) === JSON.stringify(what)) return Promise.resolve(false);  /* pressed twice */
  /* what waits is later than what the page shows */
  if (!before && f && f.decision && !what.reason && f.decision.verb === what.verb && ["accept", "reject"].includes(what.verb)) {
    say(`Already ${what.verb}ed by ${f.decision.by}`);
    return Promise.resolve(false);
  }
  if ($("reason")) $("reason").value = "";
  return new Promise((resolve) => {
    store.line.push({ id: newId(), by, seen: store.line.length ? null : store.view.version, what, done, resolve });
    keepLine();
    emit("line");
    send();
  });
}

/** @param {Waiting} one @param {boolean} said */
function answered(one, said) { store.line.shift(); keepLine(); if (one.resolve) one.resolve(said); }

export async function send() {
  if (sending || store.away) return;
  sending = true;
  clearTimeout(wait);
  while (store.line.length) {
    const one = store.line[0];
    let next;
    try {
      emit("line", "Saving …");
      next = await tell(`${api}/decide`, { version: one.seen ?? store.view.version, by: one.by, id: one.id, ...one.what });
    } catch (/** @type {any} */ e) {
      if (!e.status) { offline(); break; }
      await refresh().catch(() => {});
      if (e.status === 409) { overtaken(store.line.splice(0)); keepLine(); break; }
      notice(sentence(e));
      answered(one, false);
      continue;
    }
    unnotice();
    answered(one, true);
    take(next);
    if (one.done) say(one.done);
  }
  sending = false;
  if (!store.away && !store.line.length && !store.view.current) planSoon(900);
  emit("line");
}

/** @param {Waiting[]} mine */
function overtaken(mine) {
  for (const one of mine) if (one.resolve) one.resolve(false);
  const what = mine.length === 1 ? "Yours was" : `Your ${mine.length} were`;
  notice(`Somebody decided something meanwhile, in another tab perhaps. ${what} not saved; this is the newer state.`,
    button("Save mine too", () => { for (const one of mine) decide(one.what, one.done); }));
}

/** The program is gone: what was decided waits here, and the page asks again by itself. */
export function offline() {
  if (store.away) return;
  store.away = true;
  document.body.dataset.away = "yes";
  const count = store.line.length;
  const kept = count ? `${count === 1 ? "One decision is" : `${count} decisions are`} kept here and sent when it is back. ` : "";
  notice(`The program does not answer. ${kept}Start it again with “fieldstop review” on the same folder; this page then goes on by itself. If it does not, open the address that the program shows.`);
  const again = async () => {
    if (!(await isBack())) { setTimeout(again, 1200); return; }
    store.away = false;
    delete document.body.dataset.away;
    unnotice();
    await refresh().catch(() => {});
    send();
    emit("back");
  };
  setTimeout(again, 800);
  emit("line");
}

/** When all that was decided has been answered. */
export async function lineSent() {
  while (store.line.length && !store.away) await new Promise((go) => { setTimeout(go, 40); });
}

/** Takes an answer, unless it is of before what was decided while it was under way.
 * @param {() => Promise<import("./types").View>} question */
async function takeAnswer(question) {
  const seen = store.view.version, next = await question();
  if (store.view.version === seen || next.version >= store.view.version) take(next);
}

export async function refresh() { await takeAnswer(() => tell(api)); }

/** @param {number} ms */
export function planSoon(ms) { wait = setTimeout(plan, ms); }

/** Asks for a plan that has seen every decision. */
export async function plan() {
  clearTimeout(wait);
  if (store.view.current) return;
  try {
    emit("line", "Working it in …");
    await takeAnswer(() => tell(`${api}/plan`, {}));
  } catch (/** @type {any} */ e) {
    if (e.status) notice(sentence(e)); else offline();
    emit("line");
  }
}

/** Asks for a render of the decisions that are shown. Throws a `Told`. */
export const askRender = () => ask(`${api}/render`, { version: store.view.version });
