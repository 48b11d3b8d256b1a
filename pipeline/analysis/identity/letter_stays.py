"""What stands still for seconds over tissue that moves: residuals (`letter_moved`) added up.

The pictures themselves do not serve: tissue that wanders slowly stays in their average for many
seconds. Of a residual most of the tissue is gone already, what remains of it moves on, and what
stands still adds up, from 4 % opacity on.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels

SHORT_S, LONG_S = 2.0, 6.0  # what is looked at together
BLOCK_S = 0.5
_CLIP = 8.0  # levels that one residual can add
_GAIN = 8.0  # so that a tenth of a level is seen by `letter_net.mean_view`
_ALIKE = 0.12  # correlation of half a second with the rest, from which the same stands there
_FINE_PX = 21


@dataclass
class _Block:
    since_s: float
    time_s: float
    total: NDArray[np.float32]
    count: int = 1


@dataclass
class Stays:
    """Residuals of one place of the picture, float32 (row, col), added up in blocks."""

    blocks: list[_Block] = field(default_factory=list)

    def add(self, since_s: float, time_s: float, left: NDArray[np.float32]) -> None:
        """A residual and the times of its two pictures, rising."""
        held = np.clip(left, -_CLIP, _CLIP)
        last = self.blocks[-1] if self.blocks else None
        if last is None or time_s - last.since_s > BLOCK_S + 1e-3:
            self.blocks.append(_Block(since_s, time_s, held))
            while time_s - self.blocks[0].since_s > LONG_S + BLOCK_S:
                self.blocks.pop(0)
        else:
            last.total += held
            last.count, last.time_s = last.count + 1, time_s

    def mean(self, over_s: float) -> tuple[float, NDArray[np.float32]] | None:
        """Since when, and the average since then, in eighths of a level; None while that is too
        short."""
        if not self.blocks:
            return None
        until_s = self.blocks[-1].time_s
        some = [b for b in self.blocks if b.since_s >= until_s - over_s - 0.5 * BLOCK_S]
        if until_s - some[0].since_s < over_s - BLOCK_S:
            return None
        total = np.sum([b.total for b in some], axis=0, dtype=np.float32)
        return some[0].since_s, np.asarray(total * np.float32(_GAIN / sum(b.count for b in some)))

    def stood(self, box: Pixels, crop: Pixels, since_s: float) -> tuple[float, float]:
        """From when to when what is seen in the box stood there: in blocks that are like the rest.

        box, crop: x, y, width, height in px of the picture; the residuals show crop.
        """
        import cv2

        rows, cols = self.blocks[-1].total.shape
        sx, sy = cols / crop[2], rows / crop[3]
        x, y = round((box[0] - crop[0]) * sx), round((box[1] - crop[1]) * sy)
        w, h = max(8, round(box[2] * sx)), max(8, round(box[3] * sy))
        some = [b for b in self.blocks if b.since_s >= since_s - 1e-6]
        means = [b.total[y : y + h, x : x + w] / np.float32(b.count) for b in some]
        parts = [m - cv2.blur(m, (_FINE_PX, _FINE_PX)) for m in means]
        whole = np.sum(parts, axis=0, dtype=np.float32)
        kept = [
            b for b, part in zip(some, parts, strict=True) if _alike(part, whole - part) >= _ALIKE
        ] or some
        return kept[0].since_s, kept[-1].time_s


def _alike(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    return float((a * b).sum() / np.sqrt(max(1e-9, float((a * a).sum() * (b * b).sum()))))
