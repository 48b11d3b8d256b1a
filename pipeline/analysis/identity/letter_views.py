"""Which parts of a picture the lettering network is shown, and at what size."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, overlap

_DARK = 32.0  # levels of luma in limited range, where black is 16
_CLIP = 32.0  # levels by which one picture counts at most in an average

Plane = NDArray[np.uint8]
Planes = tuple[Plane, Plane, Plane]


def grid(width: int, height: int, side: int) -> list[tuple[int, int]]:
    """Corners of overlapping windows that cover the picture, far ones after each other."""

    def cuts(length: int) -> list[int]:
        count = max(1, int(np.ceil((length - 0.15 * side) / (0.85 * side))))
        return [round(i * (length - side) / max(1, count - 1)) for i in range(count)]

    places = [(x, y) for y in cuts(height) for x in cuts(width)]
    return places[::2] + places[1::2]


def rgb_view(planes: Planes, crop: Pixels, size: tuple[int, int], matrix: str) -> Plane:
    """Part of a picture as RGB, uint8 (row, col, 3), of size (cols, rows).

    Limited range; luma weights of ITU-R BT.709 or BT.601 by matrix.
    """
    import cv2

    x, y, w, h = crop
    parts = [planes[0][y : y + h, x : x + w]]
    parts += [p[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2] for p in planes[1:]]
    same = [scaled(part, size) for part in parts]
    kr, kb = (0.299, 0.114) if matrix == "bt601" else (0.2126, 0.0722)
    kg = 1 - kr - kb
    c = 255 / 224 * 2
    turn = np.array([
        [255 / 219, 0, c * (1 - kr)],
        [255 / 219, -c * (1 - kb) * kb / kg, -c * (1 - kr) * kr / kg],
        [255 / 219, c * (1 - kb), 0],
    ])  # fmt: skip
    offset = turn @ np.array([-16.0, -128.0, -128.0])
    both = np.concatenate([turn, offset[:, None]], axis=1).astype(np.float32)
    return np.asarray(cv2.transform(cv2.merge(same), both), np.uint8)


def scaled(plane: Plane, size: tuple[int, int]) -> Plane:
    """A plane at size (cols, rows). By halves first: an exact half is a tenth of the work."""
    import cv2

    rows, cols = plane.shape
    while cols >= 2 * size[0] and rows >= 2 * size[1] and not (rows % 2 or cols % 2):
        rows, cols = rows // 2, cols // 2
        plane = np.asarray(cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA), np.uint8)
    mode = cv2.INTER_AREA if plane.shape[1] > size[0] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(plane, size, interpolation=mode), np.uint8)


def even(crop: Pixels, shape: Sequence[int]) -> Pixels:
    """The box inside the picture, on even pixels."""
    x, y = max(0, crop[0]) // 2 * 2, max(0, crop[1]) // 2 * 2
    right = min(shape[1], crop[0] + crop[2]) // 2 * 2
    bottom = min(shape[0], crop[1] + crop[3]) // 2 * 2
    return x, y, max(2, right - x), max(2, bottom - y)


def fitted(width: int, height: int, side: int) -> tuple[int, int]:
    """(cols, rows) of the same shape with the longer side `side`."""
    scale = side / max(width, height)
    return max(32, round(width * scale)), max(32, round(height * scale))


def padded(view: Plane) -> Plane:
    """The view with its edge repeated to sides in multiples of 32."""
    import cv2

    rows, cols = view.shape[:2]
    return np.asarray(
        cv2.copyMakeBorder(view, 0, -rows % 32, 0, -cols % 32, cv2.BORDER_REPLICATE), np.uint8
    )


def part_of(crop: Pixels, part: Pixels, cols: int, rows: int) -> Pixels:
    """A part of a view of crop, which has cols x rows px, in px of the picture."""
    sx, sy = crop[2] / cols, crop[3] / rows
    left, top = crop[0] + round(part[0] * sx), crop[1] + round(part[1] * sy)
    return left, top, round(part[2] * sx), round(part[3] * sy)


def resized(part: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """float32 (row, col) at size (cols, rows)."""
    import cv2

    mode = cv2.INTER_AREA if part.shape[1] > size[0] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(part, size, interpolation=mode), np.float32)


def averaged(
    mean: NDArray[np.float32] | None, now: NDArray[np.float32], share: float
) -> NDArray[np.float32]:
    """The running average with one more picture in it, float32 (row, col); changes `mean`.

    What shows for a moment only must not stay in it for long: a picture counts up to 32 levels.
    """
    import cv2

    if mean is None:
        return now.copy()
    off = cv2.subtract(now, mean)
    np.clip(off, -_CLIP, _CLIP, out=off)
    return np.asarray(cv2.scaleAdd(off, share, mean, mean), np.float32)


ALIKE = 0.7  # correlation of coarse pictures that follow each other; a cut is below


def alike(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Correlation of two pictures, 1 where one of them is flat."""
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / size if size > 64 * a.size else 1.0


def without(
    cells: NDArray[np.float32], crop: Pixels, boxes: Sequence[Pixels]
) -> NDArray[np.float32]:
    """Cells (row, col) over crop, 0 where one of the boxes (px of the picture) lies; in place."""
    rows, cols = cells.shape
    for x, y, w, h in boxes:
        left, top = (x - crop[0]) * cols // crop[2], (y - crop[1]) * rows // crop[3]
        wide, high = -(-w * cols // crop[2]) + 1, -(-h * rows // crop[3]) + 1
        cells[max(0, top) : max(0, top + high), max(0, left) : max(0, left + wide)] = 0
    return cells


def away_from_dark(luma: NDArray[np.float32], cells: int) -> NDArray[np.bool_]:
    """Which of cells x cells cells of a luma picture, bool, touch nothing as dark as a surround."""
    import cv2

    small = cv2.resize(luma, (cells, cells), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.erode(small, np.ones((3, 3), np.uint8)) > _DARK, bool)


def corner_toward(cells: NDArray[Any], width: int, height: int, side: int) -> tuple[int, int]:
    """Corner of the window around the largest cell."""
    row, col = np.unravel_index(int(cells.argmax()), cells.shape)
    left = round((int(col) + 0.5) / cells.shape[1] * width - side / 2)
    top = round((int(row) + 0.5) / cells.shape[0] * height - side / 2)
    return min(max(0, left), width - side), min(max(0, top), height - side)


def window(
    crop: Pixels, side: int, toward: NDArray[np.float32] | Pixels | None, turn: int,
    shape: Sequence[int],
) -> Pixels | None:  # fmt: skip
    """Where in crop to look closer: at a box, at the largest of cells (row, col), or at the next
    of a grid. side: in px. shape: of the picture. None where crop is hardly larger."""
    x, y, w, h = crop
    side = min(side, w // 2 * 2, h // 2 * 2)
    if side * 1.15 >= max(w, h):
        return None
    if isinstance(toward, tuple):
        left = min(max(0, toward[0] + toward[2] // 2 - x - side // 2), w - side)
        top = min(max(0, toward[1] + toward[3] // 2 - y - side // 2), h - side)
    elif toward is not None:
        left, top = corner_toward(toward, w, h, side)
    else:
        places = grid(w, h, side)
        left, top = places[turn % len(places)]
    return even((x + left, y + top, side, side), shape)


def inside(box: Pixels, other: Pixels, within_px: int = 0) -> bool:
    """True if most of the box lies in the other; with `within_px`: all, so far from its edge."""
    if not within_px:
        return overlap(box, other) >= 0.8 * box[2] * box[3]
    x, y, w, h = other
    inner = (x + within_px, y + within_px, w - 2 * within_px, h - 2 * within_px)
    return overlap(box, inner) >= box[2] * box[3]
