"""The mark in the finished picture: where the plan puts its strokes, and how visible they are.

Where a stroke lies is worked out here from the plan's numbers, not by the painter. Shared with
it: the ink of a mark (`two_tone`) and the seeded warp, which are what the plan means by a mark.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.light import Light
from pipeline.analysis.mark.strokes import Strokes, seed_of, two_tone, warp_field
from pipeline.analysis.mark.visibility import VisibilityFold, measure_visibility
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPosition, MarkVisibility
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.stages.verifying.result import make_check

IN_BAND_LIMIT = 0.9
_FINER = 1.3  # pixels of the ink's raster to one of the picture
_LEAST_WEIGHT = 1 / 16  # of a stroke; what is fainter is no part of it

Planes = Sequence[NDArray[np.uint8]]


class Marked:
    """The mark over a finished clip, picture by picture, beside the pictures without it.

    coverage: of one mark, as `load_glyph` gives it.
    """

    def __init__(self, plan: Plan, coverage: NDArray[np.float32]) -> None:
        self._plan, self._mark = plan, plan.mark
        self._size = (plan.height_px, plan.width_px)
        self._light = Light(plan.matrix, False)
        self._tones = two_tone(coverage) if plan.mark else None
        low, high = (plan.mark.band_low, plan.mark.band_high) if plan.mark else (0.0, 1.0)
        self._fold = VisibilityFold(low, high)
        self._shot: int | None = None
        self._kept: tuple[tuple[object, ...], Strokes] | None = None
        self.visibility: list[tuple[float, float]] = []
        self.summary: MarkVisibility | None = None

    def strokes(self, span: FieldSpan, shot: int, time_s: float) -> Strokes | None:
        """Where the strokes lie in the picture at `time_s` of the clip; None without a mark.

        span: the field in pixels of the clip. shot: counted from 0, a new one at each cut.
        """
        if self._mark is None or self._tones is None:
            return None
        positions = self._mark.chosen.positions
        key = (shot, span.center_x_px, span.center_y_px, span.radius_px)
        if self._kept is None or self._kept[0] != key:
            warp_px = self._mark.warp_px * self._size[0] / 1080.0
            drawn = [
                _drawn(self._tones, p, span, self._size, warp_px, seed_of(self._mark.seed, shot, k))
                for k, p in enumerate(positions)
            ]
            rows, cols, weights = (np.concatenate([d[i] for d in drawn]) for i in range(3))
            number = np.repeat(np.arange(len(drawn)), [d[0].size for d in drawn])
            self._kept = key, Strokes(rows, cols, weights, number, len(drawn))
        return self._kept[1]

    def look(
        self, time_s: float, strokes: Strokes, shot: int, unmarked: Planes, shown: Planes
    ) -> float:
        """Visibility, L*, of the strokes in one picture; NaN where none lies on the picture.

        unmarked, shown: Y, U and V (row, col) of the clip's size.
        """
        value = measure_visibility(
            unmarked[0], shown[0], strokes, (unmarked[1], unmarked[2]), (shown[1], shown[2]),
            self._light,
        )  # fmt: skip
        self._fold.step(time_s, value, self._shot is not None and shot != self._shot)
        self._shot = shot
        if math.isfinite(value):
            self.visibility.append((round(time_s, 3), round(value, 3)))
        return value

    def checks(self) -> list[Check]:
        name, unit = "mark visible inside its band", "share of frames"
        if self._mark is None:
            return []
        if not self.visibility:
            played = any(p.kind == "play" for p in self._plan.pieces)
            return [make_check(name, None, IN_BAND_LIMIT, unit, not played)]
        self.summary = self._fold.finish()
        share = self.summary.in_band_ratio
        passed = share is not None and share >= IN_BAND_LIMIT
        return [make_check(name, share, IN_BAND_LIMIT, unit, passed)]


def _drawn(
    tones: NDArray[np.float32],
    position: MarkPosition,
    span: FieldSpan,
    size_px: tuple[int, int],
    warp_px: float,
    seed: int,
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """(row, col, weight) of the pixels under one mark: light ink less dark ink, -1..1."""
    from scipy.ndimage import map_coordinates
    from skimage.transform import resize_local_mean

    tones = tones[0] - tones[1]
    ink_rows, ink_cols = tones.shape
    wide_px = position.width_ratio * span.radius_px
    high_px = wide_px * ink_rows / ink_cols
    turn = math.radians(position.angle_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    at_x = span.center_x_px + position.x * span.radius_px
    at_y = span.center_y_px + position.y * span.radius_px
    reach_x = (abs(cos) * wide_px + abs(sin) * high_px) / 2 + 3 * warp_px + 2
    reach_y = (abs(sin) * wide_px + abs(cos) * high_px) / 2 + 3 * warp_px + 2
    left, top = math.floor(at_x - reach_x), math.floor(at_y - reach_y)
    right, bottom = math.ceil(at_x + reach_x), math.ceil(at_y + reach_y)
    shape = (bottom - top, right - left)
    off = np.zeros((2, *shape), np.float32)
    if warp_px > 0:
        off = warp_field(shape, seed, warp_px, max(6.0, high_px / 2))
    row, col = np.mgrid[top:bottom, left:right]
    x, y = col + 0.5 + off[0] - at_x, row + 0.5 + off[1] - at_y
    if _FINER * wide_px < 0.9 * ink_cols:  # thin strokes must not fall between two pixels
        fit = _FINER * wide_px / ink_cols
        small = max(4, round(ink_rows * fit)), max(4, round(ink_cols * fit))
        tones = resize_local_mean(tones, small)  # type: ignore[no-untyped-call]
    high, wide = tones.shape
    from_x = (cos * x + sin * y) * wide / wide_px + wide / 2 - 0.5
    from_y = (cos * y - sin * x) * high / high_px + high / 2 - 0.5
    weight = map_coordinates(tones, [from_y, from_x], order=1, mode="constant")
    on = (np.abs(weight) >= _LEAST_WEIGHT) & (row >= 0) & (col >= 0)
    on &= (row < size_px[0]) & (col < size_px[1])
    return row[on], col[on], np.asarray(weight[on], np.float32)
