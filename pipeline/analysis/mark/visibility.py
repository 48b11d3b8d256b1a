"""How visible the mark is, measured: a marked picture beside its unmarked one, or a file."""

from __future__ import annotations

import math
from array import array

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.light import Light
from pipeline.analysis.mark.painter import MarkPainter
from pipeline.analysis.mark.strokes import Strokes
from pipeline.model.mark import MarkVisibility


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
