"""The edit `clear`: contrast restored by the law of fog, and the words that say so.

The plan holds, for each such span, how much loss to undo and the airlight over time;
the renderer and verify both work from that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import overlap
from pipeline.analysis.lens.clear import clear_chroma_gain, clear_luma_lut
from pipeline.media.glyphs import text_glyph
from pipeline.model.field import FieldSpan
from pipeline.model.plan import Restoration
from pipeline.model.time import Span, round_s

RESTORED_WORDS = "contrast restored"
KNOT_S = 0.2
_REACH_S = 6.0  # fog goes on below the threshold of an event: at most so far it is followed
_GONE = 0.02  # contrast loss from which it is gone
_RAMP_LOSS_PER_S = 0.05  # how fast a loss that is left at an end goes over
_LEAST_KNOWN = 0.5  # share of the span with a known loss, below which nothing is restored
_WORDS_WIDTH = 0.62  # of the field radius
_BAR = 0.8  # opacity of what lies behind the words
_PLACES = (0.80, -0.80, 0.68, -0.68, 0.5)  # middle of the words, field radii from the centre


def plan_restoration(
    number: int,
    span: Span,
    series: Mapping[str, NDArray[Any]],
    within: Span | None = None,
) -> Restoration | None:
    """What to undo in `span` of source `number`; None where the loss is not known well enough.

    series: `time_s`, `contrast_loss`, `airlight` (linear luma at gain 1) and `gain` of the
    survey, all (sample,). The fog is followed beyond the span, inside `within` if given, until
    it is gone, so that nothing jumps where the event's threshold is passed; a loss that is left
    at an end goes over slowly.
    """
    names = ("time_s", "contrast_loss", "airlight", "gain")
    if any(name not in series for name in names):
        return None
    time_s, loss, air, gain = (np.asarray(series[name], float) for name in names)
    here = (time_s >= span.start_s) & (time_s < span.stop_s)
    light = air * gain
    known = here & np.isfinite(loss) & np.isfinite(light)
    if known.sum() < 2 or known.sum() < _LEAST_KNOWN * here.sum():
        return None
    measured = np.where(np.isfinite(light), loss, np.nan)
    span = _followed(span, time_s, measured, within or Span(0.0, float("inf")))
    known = np.isfinite(measured)
    times, losses = time_s[known], loss[known]
    at = np.linspace(span.start_s, span.stop_s, max(2, int(np.ceil(span.length_s / KNOT_S)) + 1))
    first = np.searchsorted(times, at - 1.5 * KNOT_S)
    stop = np.searchsorted(times, at + 1.5 * KNOT_S, side="right")
    levels = np.array([
        np.median(losses[a:b]) if b > a else np.interp(t, times, losses)
        for t, a, b in zip(at, first, stop, strict=True)
    ])  # fmt: skip
    ramps = [
        min(max(KNOT_S, float(level) / _RAMP_LOSS_PER_S), span.length_s / 2)
        for level in (levels[0], levels[-1])
    ]
    ramp = np.clip(np.minimum((at - at[0]) / ramps[0], (at[-1] - at) / ramps[1]), 0, 1)
    lights = np.interp(at, times, light[known])
    knots = [
        (round_s(float(t)), round(float(v), 4), round(float(a), 5))
        for t, v, a in zip(at, levels * ramp, lights, strict=True)
    ]
    return Restoration(
        source=number, start_s=round_s(span.start_s), stop_s=round_s(span.stop_s), knots=knots
    )


def _followed(
    span: Span, time_s: NDArray[np.float64], loss: NDArray[np.float64], within: Span
) -> Span:
    """The span with what lies beside it, to where the loss is gone or unknown."""
    low = max(within.start_s, span.start_s - _REACH_S)
    high = min(within.stop_s, span.stop_s + _REACH_S)
    ends = list(span)
    before = np.nonzero((time_s < span.start_s) & (time_s >= low))[0][::-1]
    after = np.nonzero((time_s >= span.stop_s) & (time_s < high))[0]
    for side, beside in enumerate((before, after)):
        for k in beside:
            if np.isnan(loss[k]):
                break
            ends[side] = float(time_s[k])
            if loss[k] <= _GONE:
                break
    return Span(*ends)


class Restorer:
    """Undoes the airlight in pictures of one source, as planned. Words are drawn apart."""

    def __init__(self, restorations: Sequence[Restoration]) -> None:
        self._all = [(r, np.array(r.knots, float).T) for r in restorations]

    def apply(self, planes: Sequence[NDArray[np.uint8]], source_s: float) -> bool:
        """Changes Y, U and V (row, col) in place; False where nothing is planned."""
        import cv2

        for r, (at, losses, lights) in self._all:
            if not r.start_s <= source_s < r.stop_s:
                continue
            loss = round(float(np.interp(source_s, at, losses)), 2)
            light = round(float(np.interp(source_s, at, lights)), 3)
            luma = planes[0]
            part = luma[::8, ::8]
            lit = part[part > 16]
            mean = round((float(lit.mean()) - 16) / 219, 2) if lit.size else 0.5
            luma_lut, chroma_lut = _tables(loss, light, mean)
            cv2.LUT(luma, luma_lut, luma)
            for plane in planes[1:]:
                cv2.LUT(plane, chroma_lut, plane)
            return True
        return False


@lru_cache(maxsize=512)
def _tables(
    loss: float, light: float, mean_luma: float
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    factor = clear_chroma_gain(loss, light, mean_luma)
    chroma = np.clip(np.rint(128 + (np.arange(256) - 128) * factor), 16, 240)
    return clear_luma_lut(loss, light), chroma.astype(np.uint8)


# --- words ------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def words_coverage(text: str, width_px: int) -> NDArray[np.float32]:
    """Coverage 0..1, (row, col), of the text in the bundled font, width_px wide."""
    import cv2

    ink = text_glyph(text).coverage
    rows = max(2, round(width_px * ink.shape[0] / ink.shape[1]))
    small = cv2.resize(ink, (width_px, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)


def words_box(
    span: FieldSpan, width_px: int, height_px: int, taken: Sequence[tuple[int, int, int, int]]
) -> tuple[int, int, int, int]:
    """Where the words stand, (x, y, width, height): low in the field, clear of `taken`."""
    wide = max(48, round(_WORDS_WIDTH * span.radius_px) // 2 * 2)
    high = words_coverage(RESTORED_WORDS, wide).shape[0]
    best: tuple[float, tuple[int, int, int, int]] | None = None
    top, bottom = max(0.0, span.top_px), min(float(height_px), span.bottom_px)
    for place in _PLACES:
        y = span.center_y_px + place * span.radius_px - high / 2
        y = min(max(y, top + high), bottom - 2 * high)
        x = min(max(span.center_x_px - wide / 2, 0), width_px - wide)
        box = (round(x), round(y), wide, high)
        cost = sum(overlap(box, other) for other in taken)
        if best is None or cost < best[0]:
            best = (cost, box)
    assert best is not None
    return best[1]


def draw_words(
    planes: Sequence[NDArray[np.uint8]], text: str, box: tuple[int, int, int, int]
) -> None:
    """White words on a dark bar, in place, in the Y, U and V planes (row, col)."""
    x, y, wide, high = box
    pad = max(4, high // 3)
    draw_ink(planes, np.pad(words_coverage(text, wide), pad), x - pad, y - pad)


def draw_ink(planes: Sequence[NDArray[np.uint8]], ink: NDArray[np.float32], x: int, y: int) -> None:
    """Coverage 0..1 (row, col) in white on a dark ground of its size; x, y: its upper left."""
    import cv2

    bar = np.full_like(ink, _BAR)
    rows, cols = planes[0].shape
    x0, y0, x1, y1 = max(0, x), max(0, y), min(cols, x + ink.shape[1]), min(rows, y + ink.shape[0])
    if x1 <= x0 or y1 <= y0:
        return
    cut = (slice(y0 - y, y1 - y), slice(x0 - x, x1 - x))
    part = planes[0][y0:y1, x0:x1].astype(np.float32)
    part = part * (1 - bar[cut]) + 16 * bar[cut]
    part = part * (1 - ink[cut]) + 225 * ink[cut]
    planes[0][y0:y1, x0:x1] = np.rint(part).astype(np.uint8)
    for plane in planes[1:]:
        half = plane[y0 // 2 : y1 // 2, x0 // 2 : x1 // 2]
        if not half.size:
            continue
        cover = np.maximum(bar[cut], ink[cut])
        share = cv2.resize(cover, half.shape[::-1], interpolation=cv2.INTER_AREA)
        half[:] = np.rint(128 + (half.astype(np.float32) - 128) * (1 - share)).astype(np.uint8)


def words_shown(luma: NDArray[np.uint8], text: str, box: tuple[int, int, int, int]) -> float:
    """Correlation of the words with the luma (row, col) at their place: 1 all there, 0 gone."""
    x, y, wide, high = box
    ink = words_coverage(text, wide)
    part = luma[max(0, y) : y + high, max(0, x) : x + wide].astype(float)
    if part.shape != ink.shape or part.std() < 1:
        return 0.0
    return float(np.corrcoef(part.ravel(), ink.ravel())[0, 1])
