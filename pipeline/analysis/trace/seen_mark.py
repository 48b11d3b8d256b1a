"""Whether a suspect carries the mark of the release that it shows. Pure.

Both are laid out as squares of the disc and averaged over time: tissue moves and cancels, what
stands still in the disc adds up. The detail that is left at the mark's place is compared.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.model.mark import MarkPosition

GRID, HALF = 288, 0.98
_LEAST = 8  # pairs of pictures, below which tissue has not cancelled


def mark_agreement(
    suspect: Sequence[NDArray[np.float32]],
    release: Sequence[NDArray[np.float32]],
    positions: Sequence[MarkPosition],
) -> tuple[float, float] | None:
    """(agreement at the mark's places, the same where there is no mark), each -1 .. 1.

    suspect, release: pairs of squares (GRID, GRID) of the disc, HALF radii wide, of the same
    moments. None where there are too few, or no place is on the square.
    """
    if len(suspect) < _LEAST or not positions:
        return None
    one, other = (_detail(s) for s in (suspect, release))
    places = np.zeros((GRID, GRID), bool)
    elsewhere = np.zeros((GRID, GRID), bool)
    for p in positions:
        for turn in range(4):
            x, y = ((p.x, p.y), (-p.y, p.x), (-p.x, -p.y), (p.y, -p.x))[turn]
            box = _box(x, y, p.width_ratio)
            (places if turn == 0 else elsewhere)[box] = True
    elsewhere &= ~places
    if places.sum() < 30 or elsewhere.sum() < 30:
        return None
    return _alike(one[places], other[places]), _alike(one[elsewhere], other[elsewhere])


def _detail(squares: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    import cv2

    total = np.zeros((GRID, GRID), np.float32)
    for square in squares:
        level = np.log(np.maximum(square, 0) + 16)
        total += level - cv2.GaussianBlur(level, (0, 0), 4)
    return np.asarray(total / len(squares), np.float32)


def _box(x: float, y: float, width_ratio: float) -> tuple[slice, slice]:
    half = width_ratio / 2
    scale = GRID / (2 * HALF)

    def part(at: float, reach: float) -> slice:
        first, last = ((at + d * reach + HALF) * scale for d in (-1, 1))
        return slice(max(0, int(first)), max(0, min(GRID, int(last) + 1)))

    return part(y, half / 2), part(x, half)


def _alike(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    a, b = a - a.mean(), b - b.mean()
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(np.dot(a, b)) / size if size > 1e-9 else 0.0
