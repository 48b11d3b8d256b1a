"""What is left of a picture when the one before is moved as the tissue moved and taken away.

Lettering is put over the tissue, so it does not move with it: tissue goes, and what stands still,
scrolls, or has just come is left, however faint. What moves exactly with the tissue is left
only when it comes.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Luma = NDArray[np.uint8]

_FLOW_PX = 170  # longer side of the pictures that the flow is found on, and then smoothed
_SMOOTH_PX = 2.0
_CLIP = 32.0  # levels


def residual(before: Luma, now: Luma) -> NDArray[np.float32]:
    """now less what `before` shows at the same tissue; uint8 (row, col) of one size.

    float32 (row, col), levels, at most 32 either way. Flow: dense inverse search (T. Kroeger,
    R. Timofte, D. Dai, L. Van Gool, ECCV 2016), as in OpenCV, smoothed.
    """
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
    moved = cv2.remap(
        before, x + parts[0], y + parts[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
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
