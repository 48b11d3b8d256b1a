"""Lettering that was put where it stands, moment by moment: the mark of a finished clip.

What lies beside it is judged: cells of a view that lie on it say nothing. So mark and tissue are no
line together, and a name that goes past the mark is one still.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels

STEP_S = 0.5  # longest span of a place: what wanders hardly moves in it
_SPREAD = 2  # cells of a view around it, that the network judges by it
_LINGER_S = 2.5  # in an average after it went
_NEVER = -20.0  # log odds


class Place(NamedTuple):
    """A turned box in px of the picture, and from when to when: `STEP_S` at most.

    turn_deg: clockwise on the screen.
    """

    start_s: float
    stop_s: float
    center_x: float
    center_y: float
    wide: float
    high: float
    turn_deg: float

    def corners(self) -> NDArray[np.float32]:
        """(4, 2): x, y."""
        turn = np.deg2rad(self.turn_deg)
        along = np.array([np.cos(turn), np.sin(turn)]) * self.wide / 2
        across = np.array([-np.sin(turn), np.cos(turn)]) * self.high / 2
        ends = [-along - across, along - across, along + across, across - along]
        return np.array(ends, np.float32) + np.array([self.center_x, self.center_y], np.float32)


class Placed:
    """What was put into a clip. places: as `Place`, in any order."""

    def __init__(self, places: Sequence[Sequence[float]] = ()) -> None:
        self._places = sorted(Place(*p) for p in places)
        self._starts = [p.start_s for p in self._places]

    def __bool__(self) -> bool:
        return bool(self._places)

    def at(self, since_s: float, time_s: float) -> list[Place]:
        """Those of a span, both ends in it, each once."""
        first = bisect_left(self._starts, since_s - STEP_S)
        last = bisect_right(self._starts, time_s)
        here = [p for p in self._places[first:last] if p.stop_s >= since_s]
        return list({p[2:]: p for p in here}.values())

    def boxes(self, time_s: float) -> list[Pixels]:
        """Boxes around them, in px of the picture."""
        out = []
        for corners in (p.corners() for p in self.at(time_s, time_s)):
            (left, top), (right, bottom) = np.floor(corners.min(0)), np.ceil(corners.max(0))
            out.append((int(left), int(top), int(right - left), int(bottom - top)))
        return out

    def hidden(self, since_s: float, time_s: float, boxes: Sequence[Pixels]) -> list[Pixels]:
        """Where lettering that is seen in boxes may go on under what was put there.

        In the way that a box runs, as far again as it is long, if it is no further off than it is
        high: so much around what was put there was not looked at.
        """
        out = []
        for corners in (p.corners() for p in self.at(since_s, time_s)):
            for box in boxes:
                wide, high = box[2:]
                near, far = min(wide, high), wide + high
                ways = [(v, 0) if wide >= high else (0, v) for v in (near, far)]
                if _common(corners, box, *ways[0]) is not None:
                    common = _common(corners, box, *ways[1])
                    out += [] if common is None else [common]
        return out

    def plane(
        self, since_s: float, time_s: float, crop: Pixels, shape: Sequence[int],
        averaged: bool = False,
    ) -> NDArray[np.uint8] | None:  # fmt: skip
        """Where they lie in a view of crop: uint8 (row, col) of shape, 1 there.

        averaged: of pictures up to time_s. None where none does.
        """
        import cv2

        here = self.at(since_s - averaged * _LINGER_S, time_s)
        if not here:
            return None
        scale = np.array([shape[1] / crop[2], shape[0] / crop[3]], np.float32)
        mask = np.zeros(shape[:2], np.uint8)
        for place in here:
            points = (place.corners() - np.array(crop[:2], np.float32)) * scale - 0.5
            cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 1, shift=4)
        return mask if mask.any() else None


def _common(corners: NDArray[np.float32], box: Pixels, pad_x: int, pad_y: int) -> Pixels | None:
    """The box around what a place has in common with a box that is widened by so much."""
    import cv2

    left, top = box[0] - pad_x, box[1] - pad_y
    right, bottom = box[0] + box[2] + pad_x, box[1] + box[3] + pad_y
    wide = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], np.float32)
    share, points = cv2.intersectConvexConvex(corners, wide)
    if share <= 0 or points is None:
        return None
    x, y, w, h = cv2.boundingRect(points)
    return int(x), int(y), int(w), int(h)


def unseen(cells: NDArray[np.float32], put: NDArray[np.uint8] | None) -> NDArray[np.float32]:
    """Log odds of the cells (row, col) of a view, without those on what was put there.

    put: uint8 (row, col) of any size, not 0 there.
    """
    import cv2

    if put is None:
        return cells
    rows, cols = cells.shape
    on = cv2.resize(255 * np.minimum(put, 1), (cols, rows), interpolation=cv2.INTER_AREA) > 0
    size = 2 * _SPREAD + 1
    wide = cv2.dilate(on.astype(np.uint8), np.ones((size, size), np.uint8))
    return np.where(wide > 0, np.float32(_NEVER), cells)
