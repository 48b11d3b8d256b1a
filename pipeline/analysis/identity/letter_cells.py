"""From the cells that the lettering network judged to boxes: around a line, and along it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels

WEAK = 1.5  # log odds of a cell that belongs to a box
PAD = 0.35  # of a line's height, that boxes get on every side: the middle of a line is seen best
_GAIN = 0.85  # of the area of a box, from which its halves are no gain
_FULL = 0.75  # of a box that cells fill: no gain either


def components(cells: NDArray[np.float32]) -> list[tuple[Pixels, float, float, list[Pixels]]]:
    """Connected cells over `WEAK` (row, col): box (x, y, width, height) in cells, mean log odds of
    the best cells, cells across its way, and boxes along it where those have less area."""
    import cv2

    mask = (cells > WEAK).astype(np.uint8)
    if not mask.any():
        return []
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    out = []
    for index, (x, y, w, h, area) in enumerate(stats[1:].tolist(), start=1):
        if area < 3:
            continue
        own = labels[y : y + h, x : x + w] == index
        best = _best(cells[y : y + h, x : x + w][own], area)
        points = cv2.findNonZero(own.astype(np.uint8))
        across = min(min(w, h), min(cv2.minAreaRect(points)[1]) + 1)
        parts = halves(own, across)
        out.append(
            (
                (x, y, w, h), best, float(across),
                [(x + a, y + b, c, d) for a, b, c, d in parts] if len(parts) > 1 else [],
            )
        )  # fmt: skip
    return out


def best_in(cells: NDArray[np.float32], box: Pixels) -> float:
    """Log odds in a box (in cells) of cells (row, col) of another look, as of a component."""
    x, y, w, h = box
    here = cells[max(0, y - 1) : y + h + 1, max(0, x - 1) : x + w + 1]
    return _best(here, int((here > WEAK).sum()))


def _best(cells: NDArray[np.float32], count: int) -> float:
    """Mean of the best quarter of so many, three at least."""
    return float(np.sort(cells, axis=None)[-max(3, count // 4) :].mean())


def halves(own: NDArray[np.bool_], across: float) -> list[Pixels]:
    """Boxes (x, y, width, height) that hold all cells (row, col) that are True.

    Halves of halves along the longer side, while all of them, padded as for a line so high, have
    clearly less area than the one around them.
    """
    rows, cols = np.flatnonzero(own.any(axis=1)), np.flatnonzero(own.any(axis=0))
    if not len(rows):
        return []
    top, left = int(rows[0]), int(cols[0])
    high, wide = int(rows[-1]) + 1 - top, int(cols[-1]) + 1 - left
    whole = [(left, top, wide, high)]
    tight = own[top : top + high, left : left + wide]
    if max(high, wide) <= 1.2 * across or tight.mean() >= _FULL:
        return whole
    cut = (0, wide // 2) if wide >= high else (high // 2, 0)
    first = tight[:, : cut[1]] if wide >= high else tight[: cut[0]]
    second = tight[:, cut[1] :] if wide >= high else tight[cut[0] :]
    parts = [
        (left + dx + x, top + dy + y, w, h)
        for (dy, dx), part in (((0, 0), first), (cut, second))
        for x, y, w, h in halves(part, across)
    ]
    more = 2 * PAD * across
    area = sum((w + more) * (h + more) for _, _, w, h in parts)
    return parts if area < _GAIN * (wide + more) * (high + more) else whole
