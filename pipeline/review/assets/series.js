/* Series as the server packs them (series.py), and times for people. */
const UNKNOWN = -32768, TOP = 32767;

/** @param {string} text base64 */
function bytes(text) {
  const raw = atob(text), out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return out.buffer;
}

/** The reverse of series.pack: unknown becomes null, which leaves a gap.
 * @param {import("./review/types").Packed} packed */
export function unpack(packed) {
  const time = Array.from(new Float32Array(bytes(packed.time)));
  /** @type {Record<string, (number | null)[]>} */
  const series = {};
  for (const [name, part] of Object.entries(packed.series)) {
    series[name] = Array.from(new Int16Array(bytes(part.data)),
      (n) => (n === UNKNOWN ? null : part.base + (n + TOP) * part.step));
  }
  return { time, series };
}

/** Rows to resolve on top, then by what is lost to sight, most first; the order is kept where that says nothing.
 * @template T @param {T[]} rows @param {(row: T) => boolean} needs
 * @param {(row: T) => number | string | null | undefined} lost s, or nothing for what is no disturbance
 * @returns {T[]} */
export function worstFirst(rows, needs, lost) {
  const by = (/** @type {T} */ r) => Number(lost(r) ?? -1);
  return [...rows].sort((a, b) => Number(needs(b)) - Number(needs(a)) || by(b) - by(a));
}

/** 0:12.3, or 1:02:03.4 from an hour on.
 * @param {number} s seconds @param {number} digits */
export function clock(s, digits = 1) {
  const unit = 10 ** digits, all = Math.round(Math.max(0, s) * unit);
  const h = Math.floor(all / (3600 * unit)), m = Math.floor(all / (60 * unit)) % 60;
  const rest = (all % (60 * unit)) / unit;
  const tail = rest.toFixed(digits).padStart(digits ? 3 + digits : 2, "0");
  return h ? `${h}:${String(m).padStart(2, "0")}:${tail}` : `${m}:${tail}`;
}
