"""The mark inside the field: placement, constant visibility, hard to estimate away.

The picture under a stroke is shifted, not replaced: the light core by +d in L* (CIE 1976)
and the dark edge by -d, as far as white and black leave room. Where one tone has no room
(white tissue, a black lumen) the other carries the mark. Per frame and mark, d is solved
from the pixels under the strokes so that the mean |L* difference| over them is the target,
at once: the visibility neither breathes nor lags behind a flicker or a cut. Tissue texture
stays under the strokes, and only luma is touched.
"""

from __future__ import annotations

import math
from array import array

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.crop import crop_loss
from pipeline.analysis.mark.light import Light, lightness, linear
from pipeline.analysis.mark.place import (
    GRID,
    LEGIBLE_PX,
    ActivityFold,
    cost_map,
    evaluate,
    place,
    stroke_points,
    wanted_width,
)
from pipeline.analysis.mark.strokes import Strokes, render, two_tone, warp_coverage
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPlan, MarkPosition, MarkVisibility
from pipeline.model.options import MarkOptions

__all__ = [
    "GRID",
    "LEGIBLE_PX",
    "ActivityFold",
    "MarkPainter",
    "VisibilityFold",
    "cost_map",
    "crop_loss",
    "evaluate",
    "lightness",
    "linear",
    "measure_visibility",
    "place",
    "plan_mark",
    "stroke_points",
    "two_tone",
    "warp_coverage",
]

TARGET_IN_BAND = 0.57
"""Where in the band the painter aims: 0 its low end, 1 its high end. Above the middle, because
x264 at CRF 20 takes 0.3 to 0.8 L* of a mark of 9 (measured on tissue, tests/benchmarks/mark.py)."""
_LEVELS = 8  # steps of stroke weight per sign
_PHASES = 4  # dither: a quarter of a code, so that rounding does not step the mean
_SAMPLES = 1200  # pixels per mark that the solver looks at
_MOST_SHIFT = 60.0
_CLOSE = 0.12  # the solver stops this near the target, L*


def plan_mark(
    fields: list[FieldSpan],
    activity: dict[str, NDArray[np.float64]] | None,
    options: MarkOptions,
    coverage: NDArray[np.float32],
    x_height_ratio: float | None,
    lettering_boxes: list[tuple[float, float, float, float]],
    seed: int,
    *,
    height_px: int | None = None,
    positions: list[MarkPosition] | None = None,
) -> MarkPlan:
    """Choose the placement and fix all that the painter needs.

    coverage, x_height_ratio: of one mark, from `media.glyphs.load_glyph`.
    positions: a person's choice; None for the best candidate.
    seed: of the release; private.
    Raises ValueError without a field, or if the band is empty.
    """
    if options.visibility_high <= options.visibility_low:
        raise ValueError("visibility_high must be above visibility_low")
    tones = two_tone(coverage)
    # the edge makes the drawn mark larger than its ink
    grown = tones.shape[-1] / coverage.shape[-1]
    aspect = tones.shape[-1] / tones.shape[-2]
    ratio = None if x_height_ratio is None else x_height_ratio / grown
    ink = tones.max(axis=0)
    candidates = place(
        fields,
        activity,
        aspect,
        options,
        lettering_boxes,
        height_px=height_px,
        x_height_ratio=ratio,
        coverage=ink,
    )
    chosen = candidates[0]
    if positions is not None:
        chosen = evaluate(
            positions,
            fields,
            activity,
            aspect,
            options,
            lettering_boxes,
            height_px=height_px,
            x_height_ratio=ratio,
            coverage=ink,
        )
    warnings = []
    if chosen.crop_loss < options.crop_loss_goal:
        warnings.append(
            f"Crop loss of the mark is {chosen.crop_loss:.2f},"
            f" below the goal of {options.crop_loss_goal:.2f}"
        )
    if not chosen.legible and chosen.x_height_px is not None:
        width = min(p.width_ratio for p in chosen.positions)
        needed = math.ceil(100 * width * LEGIBLE_PX / chosen.x_height_px) / 100
        warnings.append(
            f"The mark's x-height is {chosen.x_height_px:.1f} px at 360 rows,"
            f" below {LEGIBLE_PX:.0f}; a size_ratio of {needed:.2f} or a shorter text helps"
        )
    if not chosen.inside:
        warnings.append("The mark leaves the lit picture or an export crop (16:9, square, 9:16)")
    width = min(p.width_ratio for p in chosen.positions)
    wanted = wanted_width(options, aspect)
    if positions is None and width < wanted - 1e-6:
        warnings.append(
            f"The mark was made smaller, {width:.2f} instead of {wanted:.2f} radii,"
            " to fit the export crops"
        )
    low, high = options.visibility_low, options.visibility_high
    return MarkPlan(
        chosen=chosen,
        text="" if options.emblem else options.text,
        emblem=options.emblem,
        font=options.font,
        band_low=low,
        band_high=high,
        target=round(low + TARGET_IN_BAND * (high - low), 3),
        warp_px=options.warp_px,
        seed=seed,
        candidates=candidates,
        warnings=warnings,
    )


class MarkPainter:
    """Blends the planned mark into decoded yuv420p planes, in place, frame by frame.

    coverage: float32 0..1 of one mark, (row, col) or (2, row, col) light and dark tones.
    field: the span in force, on the picture that is painted (height_px x width_px).
    matrix: "bt601", "bt709" or "bt2020"; full_range: luma 0..255 instead of 16..235.
    shot: number of the shot: it chooses the warp, with the seed of the plan.
    Only luma under the strokes changes; every other sample stays bit-identical.
    Raises ValueError for an unknown matrix.
    """

    def __init__(
        self,
        plan: MarkPlan,
        coverage: NDArray[np.float32],
        field: FieldSpan,
        height_px: int,
        width_px: int,
        matrix: str,
        full_range: bool,
        shot: int,
    ) -> None:
        self.plan = plan
        self.light = Light(matrix, full_range)
        self._tones = two_tone(coverage)
        self._reduced: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._size = (height_px, width_px)
        self._shot = shot
        self.field: FieldSpan | None = None
        self._l = self.light.grey_l
        self._codes = np.arange(256, dtype=np.float64)
        self.shift: NDArray[np.float64] = np.zeros(0)
        """The solved shift d of each mark in the last frame, L*; (marks,)."""
        self.move(field, shot)

    def move(self, field: FieldSpan, shot: int | None = None) -> None:
        """Draw the strokes anew for a moved field; a new `shot` brings a new warp."""
        shot = self._shot if shot is None else shot
        if self.field is not None and shot == self._shot and _same_place(field, self.field):
            return
        self._shot, self.field = shot, field
        plan = self.plan
        self.strokes = render(
            self._tones,
            plan.chosen.positions,
            field,
            self._size,
            plan.warp_px,
            plan.seed,
            self._shot,
            self._reduced,
        )
        strokes = self.strokes
        level = np.clip(np.round(strokes.weight * _LEVELS), -_LEVELS, _LEVELS).astype(np.intp)
        painted = level != 0
        self._row, self._col = strokes.row[painted], strokes.col[painted]
        level, mark = level[painted], strokes.mark[painted]
        # tables: mark, phase, level (-8..-1, 1..8), luma code
        place = np.where(level < 0, level + _LEVELS, level + _LEVELS - 1)
        phase = _phases(self._row, self._col)
        self._base = ((mark * _PHASES + phase) * 2 * _LEVELS + place) * 256
        self._step = -1
        self._level = np.concatenate([np.arange(-_LEVELS, 0), np.arange(1, _LEVELS + 1)]) / _LEVELS
        # what the solver looks at: evenly thinned pixels of the core of each mark
        counts = strokes.core[painted]
        picked: list[NDArray[np.intp]] = []
        bounds = [0]
        self._live: list[int] = []
        for number in range(strokes.marks):
            here = np.flatnonzero(counts & (mark == number))
            if here.size:
                self._live.append(number)
                take = np.linspace(0, here.size - 1, min(_SAMPLES, here.size)).astype(np.intp)
                picked.append(here[take])
                bounds.append(bounds[-1] + take.size)
        chosen = np.concatenate(picked) if picked else np.zeros(0, np.intp)
        self._starts = np.array(bounds[:-1], np.intp)
        self._sizes = np.diff(np.array(bounds)).astype(np.float32)
        self._s_row, self._s_col = self._row[chosen], self._col[chosen]
        self._s_weight = (level[chosen] / _LEVELS).astype(np.float32)
        self._s_up = (level[chosen] > 0).astype(np.intp)
        self._s_slot = np.repeat(np.arange(len(self._live)), self._sizes.astype(np.intp))
        self._s_table = (self._s_slot * 2 + self._s_up) * 256
        self._s_dither = (phase[chosen].astype(np.float32) + 0.5) / _PHASES
        self._s_chroma_row, self._s_chroma_col = self._s_row >> 1, self._s_col >> 1
        if self.shift.size != len(self._live):
            self.shift = np.full(len(self._live), plan.target)

    def paint(
        self,
        y: NDArray[np.uint8],
        u: NDArray[np.uint8],
        v: NDArray[np.uint8],
        time_s: float,
        cut: bool = False,
    ) -> float:
        """Paint one frame in place; call once per frame, in order.

        y: (row, col) uint8, rows may be padded (any positive row stride). u, v: half the
        size each way; read only. time_s, cut: time of the frame, and True if a shot starts
        with it (both only for the caller's log: each frame is solved on its own).
        Returns the visibility achieved before encoding, L*; NaN if no stroke lies on the picture.
        """
        if y.shape != self._size or y.dtype != np.uint8:
            raise ValueError(
                f"y is {y.shape} {y.dtype}, the painter was made for {self._size} uint8"
            )
        if not self._live:
            return math.nan
        if y.strides[1] != 1 or y.strides[0] < y.shape[1]:
            raise ValueError("the samples of a row of y must lie side by side, rows downwards")
        flat = _flat(y)
        if y.strides[0] != self._step:
            self._step = y.strides[0]
            self._index = self._row * self._step + self._col
            self._s_index = self._s_row * self._step + self._s_col
        below = flat.take(self._s_index)
        chroma = self.light.chroma(
            u[self._s_chroma_row, self._s_chroma_col], v[self._s_chroma_row, self._s_chroma_col]
        )
        seen = self._solve(below, chroma)
        table = self._tables()
        index = flat.take(self._index) + self._base
        flat[self._index] = table.take(index)
        return float(seen.mean())

    def _solve(
        self,
        below: NDArray[np.uint8],
        chroma: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]],
    ) -> NDArray[np.float64]:
        """Find the shift of each mark; returns the visibility of each with it, (live marks,)."""
        target = self.plan.target
        before = self.light.l_star(below, chroma)
        here = self._s_table + below
        was = below + self._s_dither
        shift = self.shift.copy()
        low, high = np.zeros_like(shift), np.full_like(shift, _MOST_SHIFT)
        last: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
        seen = np.zeros_like(shift)
        for _ in range(6):
            step = self._steps(shift).astype(np.float32).ravel()
            after = (was + self._s_weight * step.take(here)).astype(np.uint8)
            gap = np.abs(self.light.l_star(after, chroma) - before)
            seen = np.add.reduceat(gap, self._starts) / self._sizes
            off = seen - target
            if float(np.abs(off).max()) < _CLOSE:
                break
            low = np.where(off < 0, np.maximum(low, shift), low)
            high = np.where(off > 0, np.minimum(high, shift), high)
            guess = shift * target / np.maximum(seen, 0.2)
            if last is not None:  # secant
                rise = seen - last[1]
                steep = np.abs(rise) > 0.02
                secant = shift - off * (shift - last[0]) / np.where(steep, rise, 1.0)
                guess = np.where(steep, secant, guess)
            last = (shift, seen)
            guess = np.where((guess > low) & (guess < high), guess, (low + high) / 2)
            shift = np.where(np.abs(off) < _CLOSE / 2, shift, guess)
        self.shift = shift
        return seen.astype(np.float64)

    def _steps(self, shift: NDArray[np.float64]) -> NDArray[np.float64]:
        """Luma steps of a full stroke: (marks, 2, 256); [0] towards dark, [1] towards light.

        Both are magnitudes with the sign of the stroke's weight.
        """
        out = np.empty((shift.size, 2, 256))
        for number, d in enumerate(shift):
            up = self.light.code(np.minimum(self._l + d, 100.0))
            down = self.light.code(np.maximum(self._l - d, 0.0))
            out[number, 1] = np.maximum(up - self._codes, 0)
            out[number, 0] = np.maximum(self._codes - down, 0)
        return out

    def _tables(self) -> NDArray[np.uint8]:
        """Luma after painting: (all marks, phases, levels, 256) uint8, flat."""
        steps = np.zeros((self.strokes.marks, 2, 256), np.float32)
        steps[self._live] = self._steps(self.shift)
        signed = np.concatenate(
            [
                steps[:, None, 0] * self._level[None, :_LEVELS, None].astype(np.float32),
                steps[:, None, 1] * self._level[None, _LEVELS:, None].astype(np.float32),
            ],
            axis=1,
        )
        value = signed + self._codes.astype(np.float32)
        dither = ((np.arange(_PHASES) + 0.5) / _PHASES).astype(np.float32)
        return (value[:, None] + dither[None, :, None, None]).astype(np.uint8).ravel()


def _same_place(a: FieldSpan, b: FieldSpan) -> bool:
    """True if the strokes would move by less than a fiftieth of a pixel."""
    return (
        max(
            abs(a.center_x_px - b.center_x_px),
            abs(a.center_y_px - b.center_y_px),
            abs(a.radius_px - b.radius_px),
        )
        < 0.02
    )


def _phases(row: NDArray[np.intp], col: NDArray[np.intp]) -> NDArray[np.intp]:
    """Fixed dither phase of a pixel: a 2 x 2 ordered pattern."""
    return np.array([0, 2, 3, 1], np.intp)[(row & 1) * 2 + (col & 1)]


def _flat(y: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """One writable line of memory from the first sample to the last, row padding included."""
    if y.flags.c_contiguous:
        return y.reshape(-1)
    size = (y.shape[0] - 1) * y.strides[0] + y.shape[1]
    return np.lib.stride_tricks.as_strided(y, shape=(size,), strides=(1,))


def measure_visibility(
    source_y: NDArray[np.uint8],
    marked_y: NDArray[np.uint8],
    painter: MarkPainter | Strokes,
    source_uv: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None = None,
    marked_uv: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None = None,
    light: Light | None = None,
) -> float:
    """Mean |L* difference| (CIE 1976) over the strokes between two pictures of one size.

    source_y, marked_y: (row, col) uint8. source_uv, marked_uv: their chroma planes, half the
    size; None counts the picture as grey, which misjudges saturated tissue. marked_uv None: as
    the source.
    painter: a MarkPainter on that picture, or its strokes with `light` (matrix and range).
    Returns L*; NaN if no stroke lies on the picture. Pixels at least half covered count.
    """
    strokes = painter.strokes if isinstance(painter, MarkPainter) else painter
    if light is None:
        light = painter.light if isinstance(painter, MarkPainter) else Light("bt709", False)
    core = strokes.core
    row, col = strokes.row[core], strokes.col[core]
    if row.size == 0:
        return math.nan
    su, sv = source_uv if source_uv is not None else (None, None)
    mu, mv = marked_uv if marked_uv is not None else (su, sv)
    before = light.plane_l_star(source_y, su, sv, row, col)
    after = light.plane_l_star(marked_y, mu, mv, row, col)
    return float(np.abs(after - before).mean())


class VisibilityFold:
    """Summary of the visibility of a finished file, frame by frame.

    `step(time_s, visibility, cut)`: NaN for a frame without a field, which does not count; cut True
    for the first frame of a shot. Sixteen bytes per frame are kept.
    """

    def __init__(self, band_low: float, band_high: float) -> None:
        self._band = (band_low, band_high)
        self._time, self._value, self._shot = array("d"), array("f"), array("i")
        self._shots = 0

    def step(self, time_s: float, visibility: float, cut: bool = False) -> None:
        """Add one frame."""
        self._shots += cut
        if math.isfinite(visibility):
            self._time.append(time_s)
            self._value.append(visibility)
            self._shot.append(self._shots)

    def finish(self) -> MarkVisibility:
        """Median, share in the band, worst second, steepest change.

        The steepest change compares the mean of half a second with that of the half second
        one second later, inside one shot: what a viewer would see as breathing, not the
        noise of single frames.
        """
        time = np.frombuffer(self._time, np.float64) if self._time else np.zeros(0)
        value = (
            np.frombuffer(self._value, np.float32).astype(np.float64)
            if self._value
            else np.zeros(0)
        )
        shot = np.frombuffer(self._shot, np.int32) if self._shot else np.zeros(0, np.int32)
        if value.size == 0:
            return MarkVisibility(
                median=None,
                in_band_ratio=None,
                worst_second=None,
                steepest_per_s=None,
                frames=0,
                warnings=["no frame with a mark was measured"],
            )
        low, high = self._band
        middle = (low + high) / 2
        sums = np.concatenate([[0.0], np.cumsum(value)])

        def mean(start: NDArray[np.intp], stop: NDArray[np.intp]) -> NDArray[np.float64]:
            return np.asarray((sums[stop] - sums[start]) / np.maximum(stop - start, 1))

        first = np.arange(value.size)
        second = mean(first, np.searchsorted(time, time + 1.0 - 1e-6))
        frame_s = float(np.median(np.diff(time))) if time.size > 1 else 0.0
        last_s = max(float(time[0]), float(time[-1]) + frame_s - 1.0 + 1e-6)
        whole = time <= last_s  # only full seconds
        worst = int(np.where(whole, np.abs(second - middle), -1.0).argmax())
        later = np.searchsorted(time, time + 1.0 - 1e-6)
        ends = np.searchsorted(time, time + 1.5 - 1e-6)
        ok = (ends < value.size) & (ends > later)
        ok &= shot[np.minimum(np.maximum(ends - 1, 0), value.size - 1)] == shot
        steepest = None
        if ok.any():
            now = mean(first, np.searchsorted(time, time + 0.5 - 1e-6))
            steepest = float(np.abs(mean(later, ends) - now)[ok].max())
        return MarkVisibility(
            median=round(float(np.median(value)), 3),
            in_band_ratio=round(float(((value >= low) & (value <= high)).mean()), 5),
            worst_second=round(float(second[worst]), 3),
            worst_second_s=round(float(time[worst]), 3),
            steepest_per_s=None if steepest is None else round(steepest, 3),
            frames=int(value.size),
        )
