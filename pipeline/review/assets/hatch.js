/* Colours of the page, and hatchings that tell kinds apart without hue. */

/** @param {string} name of a custom property of the style */
export function tone(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

/** The same hatchings as the SVG patterns in parts.html.
 * @type {Record<string, number[][]>} */
const STROKES = {
  rising: [[0, 8, 8, 0], [-1, 1, 1, -1], [7, 9, 9, 7]],
  falling: [[0, 0, 8, 8], [-1, 7, 1, 9], [7, -1, 9, 1]],
  level: [[0, 4, 8, 4]],
  upright: [[4, 0, 4, 8]],
  grid: [[0, 4, 8, 4], [4, 0, 4, 8]],
  cross: [[0, 8, 8, 0], [0, 0, 8, 8]],
  dots: [], solid: [],
};
/** @type {Map<string, CanvasPattern | null>} */
const patterns = new Map();
export const forgetPatterns = () => patterns.clear();

/** @param {CanvasRenderingContext2D} ctx @param {string} kind @param {import("./review/types").Look} look */
export function pattern(ctx, kind, look) {
  const ratio = devicePixelRatio || 1, ink = tone("--ink"), key = `${kind} ${ratio} ${ink}`;
  if (patterns.has(key)) return patterns.get(key);
  const tile = document.createElement("canvas");
  tile.width = tile.height = Math.round(8 * ratio);
  const c = /** @type {CanvasRenderingContext2D} */ (tile.getContext("2d"));
  c.scale(tile.width / 8, tile.height / 8);
  c.globalAlpha = 0.34; c.fillStyle = look.color; c.fillRect(0, 0, 8, 8);
  c.globalAlpha = 0.75; c.strokeStyle = ink; c.fillStyle = ink; c.lineWidth = 0.9;
  for (const [x, y, u, v] of STROKES[look.hatch] || []) {
    c.beginPath(); c.moveTo(x, y); c.lineTo(u, v); c.stroke();
  }
  if (look.hatch === "dots") { c.beginPath(); c.arc(4, 4, 1.3, 0, 7); c.fill(); }
  const made = ctx.createPattern(tile, "repeat");
  patterns.set(key, made);
  return made;
}
