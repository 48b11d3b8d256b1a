/* Renders that run, and what else comes by itself: the page asks again and again. */
import { say } from "./dom.js";
import { jobsApi, tell } from "./api.js";
import { offline, refresh } from "./line.js";
import { showPanel } from "./panels.js";
import { seek } from "./picture.js";
import { store } from "./store.js";

/** @typedef {import("./types").Job} Job */
const BUSY_MS = 400, WAITING_MS = 1500, IDLE_MS = 5000, FAILED_MS = 3000;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let looking;

/** @param {Job[]} list @returns {Job[]} */
const ours = (list) => list.filter((j) => j.case === store.view.case);
/** @param {Job} j */
export const isBusy = (j) => j.state === "waiting" || j.state === "running";
/** The last render of this case. @returns {Job | undefined} */
export const lastJob = () => ours(store.jobs).pop();

export async function look() {
  clearTimeout(looking);
  const before = store.jobs;
  if (store.away) return;
  try {
    store.jobs = (await tell(jobsApi)).jobs;
  } catch (/** @type {any} */ e) {
    if (e.status) looking = setTimeout(look, FAILED_MS); else offline();
    return;
  }
  if (JSON.stringify(ours(before)) !== JSON.stringify(ours(store.jobs))) {
    if (store.panel === "render") showPanel();
    const last = lastJob(), was = before.find((j) => last && j.number === last.number);
    if (last && was && was.state !== last.state) {
      say(`Render ${last.state}`);
      if (last.state === "done") refresh().catch(() => {});
    }
  }
  if (store.view.waiting) await refresh().then(() => { if (!store.playing) seek(store.now); }).catch(() => {});
  looking = setTimeout(look, store.jobs.some(isBusy) ? BUSY_MS : store.view.waiting ? WAITING_MS : IDLE_MS);
}
