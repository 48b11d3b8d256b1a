"""What is left of a picture when the one before is moved as the tissue moved and taken away.

Lettering is put over the tissue, so it does not move with it: tissue goes, and what stands still,
scrolls, or has just come is left, however faint. What moves exactly with the tissue is left
only when it comes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Luma = NDArray[np.uint8]

_FLOW_PX = 170  # longer side of the pictures that the flow is found on, and then smoothed
_SMOOTH_PX = 2.0
_CLIP = 32.0  # levels
_APART_S = (0.08, 0.3)  # between two pictures of which one is moved onto the other


@dataclass
class LastLook:
    """The luma of the last look, uint8 (row, col), and where, not 0, it has what was put there."""

    luma: Luma | None = None
    time_s: float = 0.0
    put: Luma | None = None
    left_put: Luma | None = None

    def left(self, time_s: float, luma: Luma, put: Luma | None) -> NDArray[np.float32] | None:
        """What is left of the next one, as `residual`; None where the last is too near, too long
        ago, or of another scene.

        What was put into both is left twice, where it is and where it would come by moving:
        `left_put` says where.
        """
        before, apart_s, then = self.luma, time_s - self.time_s, self.put
        if before is not None and apart_s < _APART_S[0] - 1e-3:
            return None
        self.luma, self.time_s, self.put = luma, time_s, put
        if before is None or apart_s > _APART_S[1]:
            return None
        way = _way(before, luma)
        both = [p for p in (put, None if then is None else _along(way, then)) if p is not None]
        self.left_put = np.maximum.reduce(both) if both else None
        return _less(luma, _along(way, before))


def residual(before: Luma, now: Luma) -> NDArray[np.float32]:
    """now less what `before` shows at the same tissue; uint8 (row, col) of one size.

    float32 (row, col), levels, at most 32 either way. Flow: dense inverse search (T. Kroeger,
    R. Timofte, D. Dai, L. Van Gool, ECCV 2016), as in OpenCV, smoothed.
    """
    return _less(now, _along(_way(before, now), before))


Way = tuple[NDArray[np.float32], NDArray[np.float32]]


def _way(before: Luma, now: Luma) -> Way:
    """x and y (row, col) in `before` of what each pixel of `now` shows."""
    import cv2

    rows, cols = now.shape
    scale = _FLOW_PX / max(rows, cols)
    size = (max(32, round(cols * scale)), max(32, round(rows * scale)))
    small = [cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in (now, before)]
    flow = _flow().calc(small[0], small[1], None)
    parts = []
    for axis, larger in ((0, cols / size[0]), (1, rows / size[1])):
        smooth = cv2.medianBlur(np.ascontiguousarray(flow[..., axis]), 5)
        smooth = cv2.GaussianBlur(smooth, (0, 0), _SMOOTH_PX)
        parts.append(cv2.resize(smooth, (cols, rows)) * np.float32(larger))
    x, y = _places(rows, cols)
    return x + parts[0], y + parts[1]


def _along(way: Way, before: Luma) -> Luma:
    import cv2

    moved = cv2.remap(before, *way, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.uint8)


def _less(now: Luma, moved: Luma) -> NDArray[np.float32]:
    off = now.astype(np.float32) - moved
    return np.asarray(np.clip(off, -_CLIP, _CLIP, out=off), np.float32)


def unmoved(left: NDArray[np.float32], cells: int) -> NDArray[np.float32]:
    """How much of a residual is left around each of cells x cells cells, in levels."""
    import cv2

    fine = np.minimum(np.abs(left - cv2.blur(left, (9, 9))), 20)
    small = cv2.resize(fine, (cells, cells), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.max(cv2.blur(small, (5, 3)), cv2.blur(small, (3, 5))), np.float32)


@lru_cache(maxsize=1)
def _flow() -> Any:
    import cv2

    # Missing in OpenCV's own list of types.
    return cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)  # type: ignore[attr-defined]


@lru_cache(maxsize=4)
def _places(rows: int, cols: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    return x, y
