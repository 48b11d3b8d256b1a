/* Playing the case, with the sound as it will be mixed or untreated. */
import { $, notice, sentence } from "./dom.js";
import { api, ask } from "./api.js";
import { keepInSight, shownRange } from "./axis.js";
import { put, seek, segmentAt, video, videos } from "./picture.js";
import { store } from "./store.js";

const MOST_S = 60;  /* heard at once */
const KINDS = /** @type {const} */ (["mixed", "raw"]);
export const ears = { mixed: new Audio(), raw: new Audio() };

/** @type {{a: number, b: number, key: string, ms: number} | null} span of what is loaded */
let heard = null;
export const heardNow = () => heard;

/** The settings that stand in the panel of the sound, saved or not. */
function tried() {
  return [...$("panel").querySelectorAll("[data-sound]")]
    .map((i) => `&${i.dataset.sound}=${encodeURIComponent(i.value)}`).join("");
}

/** @param {number} a @param {number} b */
async function load(a, b) {
  const key = `${a.toFixed(2)} ${b.toFixed(2)} ${store.view.version} ${tried()}`;
  if (heard && heard.key === key) return;
  const began = performance.now();
  const span = `start=${a.toFixed(3)}&stop=${b.toFixed(3)}`;
  const got = await Promise.all(KINDS.map(async (k) =>
    (await ask(`${api}/sound?${span}&mixed=${k === "mixed" ? `1${tried()}` : "0"}`)).blob()));
  KINDS.forEach((k, i) => {
    if (ears[k].src) URL.revokeObjectURL(ears[k].src);
    ears[k].src = URL.createObjectURL(got[i]);
  });
  heard = { a, b, key, ms: performance.now() - began };
  document.body.dataset.heardMs = heard.ms.toFixed(0);
}

/** @param {boolean} on */
function playButton(on) {
  $("play").textContent = on ? "■" : "▶";
  $("play").setAttribute("aria-label", on ? "Stop" : "Play");
}

/** Plays, or stops what plays. */
export async function play() {
  if (store.playing) { stop(); return; }
  if (store.now >= store.view.duration - 0.05) seek(0);
  store.playing = true;
  playButton(true);
  $("finished").hidden = true; $("making").hidden = true;
  if (store.hear !== "off") {
    const range = shownRange();
    const a = store.now >= range[0] && store.now < range[1] - 0.2 ? store.now : range[0];
    const b = Math.min(range[1], a + MOST_S);
    try { await load(a, b); } catch (/** @type {any} */ e) { notice(sentence(e)); stop(); return; }
    if (!store.playing) return;
    seek(a);
    for (const k of KINDS) { ears[k].currentTime = 0; ears[k].muted = k !== store.hear; }
    try { await Promise.all(KINDS.map((k) => ears[k].play())); } catch { stop(); return; }
  }
  run();
}

export function stop() {
  if (!store.playing) return;
  store.playing = false;
  playButton(false);
  for (const v of videos.values()) v.pause();
  for (const k of KINDS) ears[k].pause();
  seek(store.now);
}

/** The clock of the picture: the sound's where there is sound, else that of the small copy. */
function run() {
  let n = segmentAt(store.now), v = video(n), last = performance.now();
  if (v) { v.playbackRate = 1; v.play().catch(() => {}); }
  const tick = () => {
    if (!store.playing) return;
    const { view } = store, g = view.segments[n], t0 = performance.now();
    const ear = store.hear === "off" ? null : ears[/** @type {"mixed" | "raw"} */ (store.hear)];
    let t = store.now + (t0 - last) / 1000;
    last = t0;
    if (ear && heard) {
      t = heard.a + ear.currentTime;
      if (ear.ended || t >= heard.b - 0.02) { store.now = Math.min(heard.b, view.duration); stop(); return; }
      const want = t - g.start + g.from;
      if (v && v.readyState > 1 && Math.abs(v.currentTime - want) > 0.15) put(v, want);
    } else if (v && v.readyState > 1 && !v.paused) t = v.currentTime - g.from + g.start;
    if (t >= view.duration - 0.03) { store.now = view.duration; stop(); return; }
    if (t >= g.start + g.length) {
      if (v) v.pause();
      n = Math.min(n + 1, view.segments.length - 1); v = video(n); t = Math.max(t, view.segments[n].start);
      seek(t);
      if (v) v.play().catch(() => {});
    } else seek(t, "video");
    if (!ear) keepInSight(t);
    requestAnimationFrame(tick);
  };
  requestAnimationFrame(tick);
}

/** @param {"off" | "mixed" | "raw"} kind */
export function listen(kind) {
  store.hear = kind;
  for (const b of hearButtons()) b.setAttribute("aria-pressed", String(b.dataset.hear === kind));
  if (store.playing && kind !== "off" && heard && !ears.mixed.paused) {
    for (const k of KINDS) ears[k].muted = k !== kind;
    return;
  }
  if (store.playing) stop();
  if (kind !== "off") play();
}
/** @returns {NodeListOf<HTMLElement>} */
export function hearButtons() { return document.querySelectorAll("[data-hear]"); }

/** @param {number} by frames on, back where negative */
export function frame(by) {
  stop();
  const g = store.view.segments[segmentAt(store.now)], rate = g.rate || 25;
  const k = Math.round((store.now - g.start + g.from) * rate) + by;
  seek(k / rate - g.from + g.start + 1e-4);
}

/** @param {number} t */
export function goTo(t) { stop(); seek(t); }
