/* The picture at a moment of the case: small copies for scrubbing, finished pictures when asked for. */
import { clock } from "../series.js";
import { $, clamp, h, notice, sentence } from "./dom.js";
import { api, ask, proxyUrl } from "./api.js";
import { offline } from "./line.js";
import { emit, store } from "./store.js";

/** @typedef {import("./types").Segment} Segment */

/** @type {Map<number, HTMLVideoElement>} */
export const videos = new Map();

/** @param {number} t */
export function segmentAt(t) {
  const all = store.view.segments;
  const found = all.findIndex((g) => t >= g.start && t < g.start + g.length);
  return found >= 0 ? found : t < 0 ? 0 : all.length - 1;
}

/** The small copy of a segment; null where none was made.
 * @param {number} n @returns {HTMLVideoElement | null} */
export function video(n) {
  const g = store.view.segments[n];
  if (!g || g.proxy === null) return null;
  const old = videos.get(n);
  if (old && old.coarse && !g.coarse && !store.playing) { old.remove(); videos.delete(n); emit("undrawn"); }
  const held = videos.get(n);
  if (held) return held;
  /** @type {HTMLVideoElement} */
  const v = h("video", { muted: true, playsInline: true, preload: "auto", src: proxyUrl(g), "aria-hidden": "true", tabindex: "-1" });
  v.muted = true;
  v.coarse = g.coarse;
  shapeVideo(v, g);
  const goOn = () => { if (v.want !== undefined) { const w = v.want; v.want = undefined; put(v, w); } };
  v.addEventListener("seeked", () => { v.busy = false; goOn(); });
  v.addEventListener("error", () => { v.busy = false; });
  v.addEventListener("loadedmetadata", goOn);
  $("stage").prepend(v);
  videos.set(n, v);
  return v;
}

/** One seek at a time; the last wanted one follows: that keeps scrubbing at the pace of the decoder.
 * @param {HTMLVideoElement} v @param {number} t */
export function put(v, t) {
  if (v.busy || v.readyState < 1) { v.want = t; return; }
  if (Math.abs(v.currentTime - t) < 0.0005) return;
  v.busy = true;
  v.currentTime = t;
}

/** Shows case time t. from: what asks, "video" while it plays, "scrub" while the slider moves.
 * @param {number} t @param {"video" | "scrub"} [from] */
export function seek(t, from) {
  const { view } = store;
  store.now = clamp(t, 0, Math.max(0, view.duration - 0.001));
  const now = store.now, n = segmentAt(now), g = view.segments[n], v = video(n);
  for (const [k, other] of videos) other.classList.toggle("on", k === n);
  if (v) $("nopicture").hidden = true;
  if (v && from !== "video") put(v, now - g.start + g.from + 0.4 / (g.rate || 25));
  $("clock").textContent = `${clock(now, 2)} / ${clock(view.duration)}`;
  if (from !== "scrub") $("scrub").value = now;
  $("scrub").setAttribute("aria-valuetext", clock(now));
  $("making").hidden = !still();
  if (still()) finished(); else $("finished").hidden = true;
  emit("time");
}

function wanted() { return $("asfinished").getAttribute("aria-pressed") === "true"; }

/** A finished picture is shown when asked for, or as long as there is no small copy. */
export function still() { return !store.playing && (wanted() || !video(segmentAt(store.now))); }

/** @type {ReturnType<typeof setTimeout> | undefined} */
let frames;
function finished() {
  clearTimeout(frames);
  const at = store.now;
  frames = setTimeout(async () => {
    try {
      const answer = await ask(`${api}/frame?at=${at.toFixed(4)}&v=${store.view.version}`);
      const copied = () => Boolean(video(segmentAt(store.now)));
      if (answer.status === 204) {
        $("finished").hidden = true; $("making").hidden = true; $("nopicture").hidden = copied();
        return;
      }
      const img = $("finished"), old = img.src;
      img.src = URL.createObjectURL(await answer.blob());
      await img.decode().catch(() => {});
      if (old.startsWith("blob:")) URL.revokeObjectURL(old);
      img.hidden = !still();
      if (at === store.now) $("making").hidden = true;
      $("nopicture").hidden = !img.hidden || copied();
    } catch (/** @type {any} */ e) { if (e.status) notice(sentence(e)); else offline(); }
  }, 90);
}

export function toggleFinished() {
  $("asfinished").setAttribute("aria-pressed", String(!wanted()));
  seek(store.now);
}

/** The stage has the shape of the finished clip; each recording lies in it as it will lie in the clip,
 * never stretched. The drawing over it follows by its viewBox. */
export function shapeStage() {
  const [w, tall] = store.view.canvas;
  $("stage").style.setProperty("--shape", `${w} / ${tall}`);
  $("stage").style.setProperty("--ratio", w / tall);
  for (const [n, v] of videos) if (store.view.segments[n]) shapeVideo(v, store.view.segments[n]);
}

/** @param {HTMLVideoElement} v @param {Segment} g */
function shapeVideo(v, g) {
  const sides = /** @type {const} */ (["left", "top", "width", "height"]);
  sides.forEach((side, k) => { v.style[side] = `${100 * g.placed[k]}%`; });
}

/** The segment, its source time and its field at the moment shown; null without a segment. */
export function place() {
  const g = store.view.segments[segmentAt(store.now)];
  if (!g) return null;
  const t = store.now - g.start + g.from;
  const f = g.fields.find((x) => t >= x.start && t < x.stop) || g.fields[g.fields.length - 1];
  return { g, t, f };
}
