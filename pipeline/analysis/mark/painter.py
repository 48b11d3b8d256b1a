"""The mark painted into a picture: constant visibility, hard to estimate away.

The picture under a stroke is shifted, not replaced: the light core by +d in L* (CIE 1976)
and the dark edge by -d, as far as white and black leave room. Where one tone has no room
(white tissue, a black lumen) the other carries the mark. Per frame and mark, d is solved
from the pixels under the strokes so that the mean |L* difference| over them is the target,
at once: the visibility neither breathes nor lags behind a flicker or a cut. Tissue texture
stays under the strokes, and only luma is touched.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.light import Light
from pipeline.analysis.mark.spline import placed_at
from pipeline.analysis.mark.strokes import Moment, ink_of, render, two_tone
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPlan

_LEVELS = 8  # steps of stroke weight per sign
_PHASES = 4  # dither: a quarter of a code, so that rounding does not step the mean
_SAMPLES = 1200  # pixels per mark that the solver looks at
_MOST_SHIFT = 60.0
_CLOSE = 0.12  # the solver stops this near the target, L*


class MarkPainter:
    """Blends the planned mark into decoded yuv420p planes, in place, frame by frame.

    coverage: float32 0..1 of one mark, (row, col) or (2, row, col) light and dark tones.
    field: the span in force, on the picture that is painted (height_px x width_px).
    matrix: "bt601", "bt709" or "bt2020"; full_range: luma 0..255 instead of 16..235.
    shot: number of the shot: it chooses the warp of a still mark, with the seed of the plan.
    source, time_s: of a moving mark, the recording and its second that the picture shows.
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
        source: int = 0,
        time_s: float = 0.0,
    ) -> None:
        self.plan = plan
        self.light = Light(matrix, full_range)
        self._ink = ink_of(two_tone(coverage))
        self._reduced: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._size = (height_px, width_px)
        self._moment: Moment | None = None
        self.field: FieldSpan | None = None
        self._l = self.light.grey_l
        self._codes = np.arange(256, dtype=np.float64)
        self.shift: NDArray[np.float64] = np.zeros(0)
        """The solved shift d of each mark in the last frame, L*; (marks,)."""
        self.move(field, shot, source, time_s)

    def move(self, field: FieldSpan, shot: int = 0, source: int = 0, time_s: float = 0.0) -> None:
        """Draw the strokes anew for a moved field, a new `shot` of a still mark, or for a moving
        one the second `time_s` of the recording `source`."""
        plan = self.plan
        if plan.paths:
            moment = Moment(plan.seed, source=source, time_s=time_s)
        else:
            moment = Moment(plan.seed, shot=shot)
        if self.field is not None and moment == self._moment and _same_place(field, self.field):
            return
        self._moment, self.field = moment, field
        self.strokes = render(
            self._ink,
            placed_at(plan.chosen.positions, plan.paths, source, time_s),
            field,
            self._size,
            plan.warp_px,
            moment,
            self._reduced,
        )
        strokes = self.strokes
        # 32 bits: this is done anew for every picture of a moving mark
        level = np.clip(np.rint(strokes.weight * _LEVELS), -_LEVELS, _LEVELS).astype(np.int32)
        core, row, col, mark = strokes.core, strokes.row, strokes.col, strokes.mark
        painted = level != 0
        if not painted.all():
            level, core, row, col = level[painted], core[painted], row[painted], col[painted]
            mark = mark[painted]
        self._row, self._col = row, col
        # tables: mark, phase, level (-8..-1, 1..8), luma code
        place = level + (_LEVELS - 1)
        place += level < 0
        phase = _phases(row, col)
        self._base = (((mark * _PHASES + phase) * (2 * _LEVELS) + place) * 256).astype(np.intp)
        self._step = -1
        self._level = np.concatenate([np.arange(-_LEVELS, 0), np.arange(1, _LEVELS + 1)]) / _LEVELS
        # what the solver looks at: evenly thinned pixels of the core of each mark
        bounds = np.searchsorted(mark, np.arange(strokes.marks + 1))
        picked: list[NDArray[np.intp]] = []
        self._live: list[int] = []
        for number, (start, stop) in enumerate(pairwise(bounds)):
            here = np.flatnonzero(core[start:stop])
            if here.size:
                self._live.append(number)
                take = np.linspace(0, here.size - 1, min(_SAMPLES, here.size)).astype(np.intp)
                picked.append(here[take] + start)
        chosen = np.concatenate(picked) if picked else np.zeros(0, np.intp)
        sizes = np.array([p.size for p in picked], np.intp)
        self._starts = np.cumsum(sizes) - sizes
        self._sizes = sizes.astype(np.float32)
        self._s_row, self._s_col = row[chosen], col[chosen]
        self._s_weight = (level[chosen] / _LEVELS).astype(np.float32)
        self._s_up = (level[chosen] > 0).astype(np.intp)
        self._s_slot = np.repeat(np.arange(len(self._live)), sizes)
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
            self._index = self._row.astype(np.intp) * self._step + self._col
            self._s_index = self._s_row.astype(np.intp) * self._step + self._s_col
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


def _phases(
    row: NDArray[np.signedinteger[Any]], col: NDArray[np.signedinteger[Any]]
) -> NDArray[np.signedinteger[Any]]:
    """Fixed dither phase of a pixel: a 2 x 2 ordered pattern, 0 2 over 3 1."""
    return np.asarray((row & 1) * 3 ^ (col & 1) * 2)


def _flat(y: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """One writable line of memory from the first sample to the last, row padding included."""
    if y.flags.c_contiguous:
        return y.reshape(-1)
    size = (y.shape[0] - 1) * y.strides[0] + y.shape[1]
    return np.lib.stride_tricks.as_strided(y, shape=(size,), strides=(1,))
