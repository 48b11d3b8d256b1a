"""Boxes (x, y, width, height) in pixels: for all that finds, fills or draws in the picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

Pixels = tuple[int, int, int, int]


def iou(a: Sequence[float], b: Sequence[float]) -> float:
    """Area of the intersection over that of the union, 0..1."""
    both = overlap(a, b)
    return both / (a[2] * a[3] + b[2] * b[3] - both) if both > 0 else 0.0


def overlap(a: Sequence[float], b: Sequence[float]) -> float:
    """Area of the intersection in square pixels."""
    w = min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0])
    h = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1])
    return w * h if w > 0 and h > 0 else 0.0


def union(a: Sequence[int], b: Sequence[int]) -> Pixels:
    """Smallest box that holds both."""
    left, top = min(a[0], b[0]), min(a[1], b[1])
    right, bottom = max(a[0] + a[2], b[0] + b[2]), max(a[1] + a[3], b[1] + b[3])
    return left, top, right - left, bottom - top


def area(boxes: Iterable[Pixels]) -> float:
    """Square pixels that lie in any of the boxes."""
    rows = list(boxes)
    if len(rows) < 2:
        return float(sum(w * h for _, _, w, h in rows))
    xs, ys = (sorted({v for b in rows for v in (b[n], b[n] + b[n + 2])}) for n in (0, 1))
    held = np.zeros((len(ys) - 1, len(xs) - 1), bool)
    for x, y, w, h in rows:
        held[ys.index(y) : ys.index(y + h), xs.index(x) : xs.index(x + w)] = True
    return float(np.diff(ys) @ held @ np.diff(xs))


def swept(a: Pixels, b: Pixels) -> list[Pixels]:
    """Boxes along the way from one to the other, both among them, that overlap by half."""
    one, other = (np.array([x, y, x + w, y + h], np.float64) for x, y, w, h in (a, b))
    far = np.abs(one[:2] + one[2:] - other[:2] - other[2:])
    least = 1 + np.minimum(one[2:] - one[:2], other[2:] - other[:2])
    share = np.linspace(0, 1, 1 + max(1, int(np.ceil((far / least).max()))))[:, None]
    edges = one * (1 - share) + other * share
    low, high = np.floor(edges[:, :2] + 1e-9).astype(int), np.ceil(edges[:, 2:] - 1e-9).astype(int)
    return [(x, y, w, h) for x, y, w, h in np.hstack([low, high - low]).tolist()]


def widened(box: Sequence[float], pad_x: float, pad_y: float, width: int, height: int) -> Pixels:
    """The box with `pad_x`, `pad_y` added on both sides, clipped to the picture."""
    left, top = max(0, round(box[0] - pad_x)), max(0, round(box[1] - pad_y))
    right = min(width, round(box[0] + box[2] + pad_x))
    bottom = min(height, round(box[1] + box[3] + pad_y))
    return left, top, max(0, right - left), max(0, bottom - top)


def joined(boxes: Sequence[Pixels], reach_x: float = 0.0, reach_y: float = 0.0) -> list[Pixels]:
    """Boxes that touch, or come within the reach of another, joined until none do."""
    left = list(boxes)
    out: list[Pixels] = []
    while left:
        box = left.pop()
        changed = True
        while changed:
            changed = False
            wide = (box[0] - reach_x, box[1] - reach_y, box[2] + 2 * reach_x, box[3] + 2 * reach_y)
            for other in left:
                if overlap(wide, other) > 0:
                    box = union(box, other)
                    left.remove(other)
                    changed = True
                    break
        out.append(box)
    return sorted(out)
