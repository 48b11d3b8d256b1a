"""Where a picture shows what was not beside there in the one before: a cheap look at each.

Tissue moves, so what a cell shows was in it or beside it one picture ago. What comes with a cut,
is drawn in, or is held before the lens was not. It says where a closer look is due, not what it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels
from pipeline.analysis.identity.letter_views import ALIKE, Planes, alike

CELLS = 24  # a side of the box
_SIDE_PX = 200  # of the shorter side, of what is compared
_AROUND = 3  # cells over which change is averaged
_TIMES = 2.5  # the usual change: what is over it is new
_LEAST = 5.0  # levels of luma and, twice, of colour
_SHARE = 0.6  # of the largest change: belongs to it


@dataclass(frozen=True)
class New:
    """box: what is new, px of the picture. cut: little is as it was."""

    box: Pixels
    cut: bool


class Newcomers:
    """A fold over all decoded pictures."""

    def __init__(self) -> None:
        self._before: list[NDArray[np.uint8]] | None = None
        self._usual = _LEAST

    def step(self, planes: Planes, crop: Pixels) -> New | None:
        """planes of yuv420p, uint8 (row, col). crop: the box around the field."""
        import cv2

        x, y, w, h = crop
        far = max(1, min(planes[0].shape) // _SIDE_PX)
        small = [np.ascontiguousarray(p[::far, ::far]) for p in planes]
        before, self._before = self._before, small
        if before is None or before[0].shape != small[0].shape:
            return None
        was, now = (
            np.stack([_cells(p, planes[0].shape, crop) for p in s]) for s in (before, small)
        )
        near = np.ones((3, 3), np.uint8)
        off = np.zeros((CELLS, CELLS), np.float32)
        for new, old, weight in zip(now, was, (1.0, 2.0, 2.0), strict=True):
            more = cv2.max(new - cv2.dilate(old, near), cv2.erode(old, near) - new)
            off += np.float32(weight) * np.maximum(more, 0)
        off = np.asarray(cv2.blur(off, (_AROUND, _AROUND)), np.float32)
        most = float(off.max())
        usual = self._usual
        self._usual += 0.05 * (min(most, 2 * usual) - usual)
        cut = alike(now[0], was[0]) < ALIKE
        if not cut and most < max(_LEAST, _TIMES * usual):
            return None
        rows, cols = np.nonzero(off >= _SHARE * most)
        wide, high = w / CELLS, h / CELLS
        left, top = x + int(cols.min() * wide), y + int(rows.min() * high)
        size = int((np.ptp(cols) + 1) * wide), int((np.ptp(rows) + 1) * high)
        return New((left, top, *size), cut)


def _cells(plane: NDArray[np.uint8], shape: Sequence[int], crop: Pixels) -> NDArray[np.float32]:
    """The part of a plane that a box of the picture of that shape is in, float32 (row, col)."""
    import cv2

    down, right = plane.shape[0] / shape[0], plane.shape[1] / shape[1]
    x, y = int(crop[0] * right), int(crop[1] * down)
    part = plane[y : max(y + 1, round((crop[1] + crop[3]) * down)),
                 x : max(x + 1, round((crop[0] + crop[2]) * right))]  # fmt: skip
    return np.asarray(cv2.resize(part, (CELLS, CELLS), interpolation=cv2.INTER_AREA), np.float32)
