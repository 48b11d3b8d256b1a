"""The average of the last second, in parts of a quarter, and in which of them a line stood.

What stands still adds up while moving tissue cancels. Each part is kept by itself: the
average holds nothing older than a second (than four pictures, where they are that rare), and a
line that has gone is missed in the last parts, so that it is said to the quarter of a second
until when it stood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PART_S = 0.25
PARTS = 4
MOST = 24.0  # levels of detail by which one picture counts: faint lettering has less, glints more
_AROUND_PX = 41
_STOOD = 0.3  # of its strength in the part that shows it best: it stood there
_CLEAR = 0.5  # strength of the best part, under which the tissue is too strong to tell

Luma = NDArray[np.float32]


@dataclass
class Part:
    """Detail of pictures that follow each other: sum of levels, float32 (row, col)."""

    since_s: float
    until_s: float
    total: Luma
    count: int = 1

    @property
    def mean(self) -> Luma:
        return np.asarray(self.total / np.float32(self.count), np.float32)


def detail(luma: Luma) -> Luma:
    """Luma levels over what is around, no more than `MOST` away. luma: float32 (row, col)."""
    import cv2

    off = cv2.subtract(luma, cv2.blur(luma, (_AROUND_PX, _AROUND_PX)))
    return np.asarray(np.clip(off, -MOST, MOST, out=off), np.float32)


def add(parts: list[Part], time_s: float, luma: Luma) -> None:
    """Adds a picture to the last part, or begins one and forgets the oldest."""
    fine = detail(luma)
    if parts and time_s - parts[-1].since_s < PART_S - 1e-3:
        last = parts[-1]
        last.total += fine
        last.count, last.until_s = last.count + 1, time_s
        return
    parts.append(Part(time_s, time_s, fine))
    del parts[:-PARTS]


def mean(parts: Sequence[Part]) -> Luma:
    """Average over all pictures of the parts, levels, float32 (row, col)."""
    total = parts[0].total.copy()
    for part in parts[1:]:
        total += part.total
    return np.asarray(total / np.float32(sum(p.count for p in parts)), np.float32)


def strengths(parts: Sequence[Part], box: Sequence[float]) -> NDArray[np.float64]:
    """How strongly each part shows what the others show in the box (x, y, width, height in px
    of the parts): covariance with the average of the others, over that average's own power."""
    x, y, w, h = box
    rows, cols = parts[0].total.shape
    here = (
        slice(min(max(0, int(y)), rows - 1), max(1, int(np.ceil(y + h)))),
        slice(min(max(0, int(x)), cols - 1), max(1, int(np.ceil(x + w)))),
    )
    means = [p.mean[here] - p.mean[here].mean() for p in parts]
    out = []
    for n, own in enumerate(means):
        others = [m for k, m in enumerate(means) if k != n]
        if not others:
            return np.ones(1)
        other = sum(others[1:], others[0]) / len(others)
        out.append(float((own * other).sum()) / max(1e-6, float((other * other).sum())))
    return np.array(out)


def shown(parts: Sequence[Part], box: Sequence[float]) -> tuple[float, float]:
    """From when to when what is seen in the average stood in the box, to the part.

    All of the parts where that cannot be told.
    """
    strong = strengths(parts, box)
    if strong.max() < _CLEAR:
        return parts[0].since_s, parts[-1].until_s
    stood = np.flatnonzero(strong >= _STOOD * strong.max())
    return parts[int(stood[0])].since_s, parts[int(stood[-1])].until_s
