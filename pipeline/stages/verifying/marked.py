"""The mark in the finished picture: where the plan puts its strokes, and how visible they are.

Where a stroke lies is worked out here from the plan's numbers, not by the painter. Shared with
it: the ink of a mark (`two_tone`) and its seeded shapes, which are what the plan means by a mark.
The way of a moving mark is read from the plan's control points by scipy's splines.

Where the picture without the mark is not at hand, the strokes are held against what lies around
them: a mark has light and dark ink side by side, and tissue does not follow its strokes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.light import Light
from pipeline.analysis.mark.strokes import Moment, Strokes, shape_knots, two_tone
from pipeline.analysis.mark.visibility import VisibilityFold, measure_visibility
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPosition, MarkVisibility
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.stages.verifying.result import make_check

IN_BAND_LIMIT = 0.9
SECOND_WIDER = 4 / 3  # the band of a second that is measured in a few pictures, over the planned
ALONE_WIDER = 1.25  # and what is read off the marked picture alone errs by so much more
_AROUND = 0.03  # of the picture's rows: the width of what lies around a stroke
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
        self._ink: tuple[float, NDArray[np.float32]] | None = None
        self._ways: dict[int, Any] = {}
        self._alone: list[tuple[float, float]] = []
        self._told: list[float] = []  # of what is visible, by what lies around
        self.visibility: list[tuple[float, float]] = []
        self.summary: MarkVisibility | None = None

    def strokes(
        self, span: FieldSpan, shot: int, source: int, source_s: float, near_s: float = 0.0
    ) -> Strokes | None:
        """Where the strokes lie in a picture; None without a mark.

        span: the field in pixels of the clip. shot: counted from 0, a new one at each cut.
        source, source_s: the recording that the picture shows, and its second. near_s: those of
        the picture asked for before will do if it lies no further: a mark wanders slowly.
        """
        if self._mark is None or self._tones is None:
            return None
        moves = bool(self._mark.paths)
        moment = Moment(self._mark.seed, 0 if moves else shot, source if moves else 0,
                        source_s if moves else None)  # fmt: skip
        key = (moment, span.center_x_px, span.center_y_px, span.radius_px)
        if self._kept is None or not _near(self._kept[0], key, near_s):
            warp_px = self._mark.warp_px * self._size[0] / 1080.0
            aspect = self._tones.shape[2] / self._tones.shape[1]
            drawn = [
                _drawn(self._inked(p.width_ratio * span.radius_px), p, span, self._size, warp_px,
                       shape_knots(moment, number, aspect))
                for number, p in enumerate(self.places(source, source_s))
            ]  # fmt: skip
            rows, cols, weights = (np.concatenate([d[i] for d in drawn]) for i in range(3))
            number = np.repeat(np.arange(len(drawn)), [d[0].size for d in drawn])
            self._kept = key, Strokes(rows, cols, weights, number, len(drawn))
        return self._kept[1]

    def places(self, source: int, source_s: float) -> list[MarkPosition]:
        """Where the marks are along their way, by the plan's control points."""
        from scipy.interpolate import BSpline

        assert self._mark is not None
        homes = self._mark.chosen.positions
        if not any(path.source == source for path in self._mark.paths):
            return list(homes)
        if source not in self._ways:
            path = next(p for p in self._mark.paths if p.source == source)
            points = np.array(path.marks).transpose(1, 0, 2)  # time, mark, (x, y, turn)
            knots = path.start_s + path.step_s * (np.arange(len(points) + 4) - 2)
            self._ways[source] = BSpline(knots, points, 3)
        out = []
        for home, (x, y, turn_deg) in zip(homes, self._ways[source](source_s), strict=True):
            out.append(MarkPosition(x=home.x + x, y=home.y + y, width_ratio=home.width_ratio,
                                    angle_deg=home.angle_deg + turn_deg))  # fmt: skip
        return out

    def _inked(self, wide_px: float) -> NDArray[np.float32]:
        """Light less dark ink, averaged down: thin strokes must not fall between two pixels."""
        from skimage.transform import resize_local_mean

        assert self._tones is not None
        if self._ink is None or self._ink[0] != wide_px:
            ink = self._tones[0] - self._tones[1]
            fit = _FINER * wide_px / ink.shape[1]
            if fit < 0.9:
                small = max(4, round(ink.shape[0] * fit)), max(4, round(ink.shape[1] * fit))
                ink = resize_local_mean(ink, small)  # type: ignore[no-untyped-call]
            self._ink = wide_px, np.asarray(ink, np.float32)
        return self._ink[1]

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
            if value > 0:
                self._told.append(self._contrast(strokes, shown[0]) / value)
        return value

    def look_alone(self, time_s: float, strokes: Strokes, luma: NDArray[np.uint8]) -> None:
        """The same of a picture whose unmarked one is not at hand; luma (row, col)."""
        value = self._contrast(strokes, luma)
        if math.isfinite(value):
            self._alone.append((time_s, value))

    def _contrast(self, strokes: Strokes, luma: NDArray[np.uint8]) -> float:
        """Mean L* of light ink over what lies around it, and of that over dark ink."""
        import cv2

        core = strokes.core
        row, col, weight = strokes.row[core], strokes.col[core], strokes.weight[core]
        if not row.size:
            return math.nan
        top, left = int(row.min()), int(col.min())
        part = luma[top : int(row.max()) + 1, left : int(col.max()) + 1]
        size = max(5, round(_AROUND * luma.shape[0])) | 1
        around = cv2.blur(part, (size, size))
        at = row - top, col - left
        grey = self._light.grey_l
        return float((np.sign(weight) * (grey[part[at]] - grey[around[at]])).mean())

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
        worst, at_s = self.summary.worst_second, self.summary.worst_second_s
        low, high = self._mark.band_low / SECOND_WIDER, self._mark.band_high * SECOND_WIDER
        alone = [self._throughout(low / ALONE_WIDER, high * ALONE_WIDER)] if self._alone else []
        return [
            *alone,
            make_check(name, share, IN_BAND_LIMIT, unit, passed),
            make_check(
                "mark visible in every second", worst, f"{low:.1f} to {high:.1f}",
                "L*" if at_s is None else f"L*, at {at_s:.1f} s",
                worst is not None and low <= worst <= high,
            ),
        ]  # fmt: skip

    def _throughout(self, low: float, high: float) -> Check:
        """Every second between those that were compared, scaled by what these were."""
        name, band = "mark seen throughout", f"{low:.1f} to {high:.1f}"
        share = float(np.median(self._told)) if self._told else 0.0
        if not abs(share) > 0:  # nothing of a mark where it was compared
            return make_check(name, None, band, "L*", False)
        time_s, value = np.array(self._alone).T
        second = np.unique(np.floor(time_s), return_inverse=True)[1]
        seen = np.bincount(second, value) / np.bincount(second) / share
        off = np.maximum(low - seen, seen - high)
        worst = int(off.argmax())
        at_s = time_s[second == worst][0]
        return make_check(
            name, float(seen[worst]), band, f"L*, at {at_s:.1f} s", bool(off[worst] <= 0)
        )


def _near(kept: tuple[Any, ...], key: tuple[Any, ...], near_s: float) -> bool:
    """Whether two moments (`Moment`, then the field) differ by no more than near_s, if at all."""
    one, other = kept[0].time_s, key[0].time_s
    if one is None or other is None:
        return kept == key
    same = kept[1:] == key[1:] and replace(kept[0], time_s=other) == key[0]
    return same and abs(one - other) <= near_s


def _drawn(
    ink: NDArray[np.float32],
    position: MarkPosition,
    span: FieldSpan,
    size_px: tuple[int, int],
    warp_px: float,
    shape: NDArray[np.float32],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """(row, col, weight) of the pixels under one mark: light ink less dark ink, -1..1."""
    import cv2

    wide_px = position.width_ratio * span.radius_px
    high_px = wide_px * ink.shape[0] / ink.shape[1]
    turn = math.radians(position.angle_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    at_x = span.center_x_px + position.x * span.radius_px
    at_y = span.center_y_px + position.y * span.radius_px
    reach_x = (abs(cos) * wide_px + abs(sin) * high_px) / 2 + 3 * warp_px + 2
    reach_y = (abs(sin) * wide_px + abs(cos) * high_px) / 2 + 3 * warp_px + 2
    left, top = math.floor(at_x - reach_x), math.floor(at_y - reach_y)
    right, bottom = math.ceil(at_x + reach_x), math.ceil(at_y + reach_y)
    fine = np.asarray(cv2.resize(shape, (right - left, bottom - top)), np.float32)
    # from the picture to the ink: moved back, turned back, made as large as the raster
    finer = ink.shape[1] / wide_px
    x = np.arange(left, right, dtype=np.float32)[None] + np.float32(0.5 - at_x)
    y = np.arange(top, bottom, dtype=np.float32)[:, None] + np.float32(0.5 - at_y)
    x = x + warp_px * fine[..., 0]
    y = y + warp_px * fine[..., 1]
    from_x = np.float32(cos * finer) * x + np.float32(sin * finer) * y
    from_y = np.float32(cos * finer) * y - np.float32(sin * finer) * x
    from_x += np.float32(ink.shape[1] / 2 - 0.5)
    from_y += np.float32(ink.shape[0] / 2 - 0.5)
    weight = cv2.remap(ink, from_x, from_y, cv2.INTER_LINEAR) * fine[..., 2]
    row, col = np.nonzero(np.abs(weight) >= _LEAST_WEIGHT)
    value = np.asarray(weight[row, col], np.float32)
    row, col = row + top, col + left
    on = (row >= 0) & (col >= 0) & (row < size_px[0]) & (col < size_px[1])
    return (row, col, value) if on.all() else (row[on], col[on], value[on])
