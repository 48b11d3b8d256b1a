"""How often foreign material reaches a score: the false-alarm rate that belongs to it. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Tail:
    """Scores above `start` of comparisons of unrelated material fall off exponentially.

    share: of the comparisons that reach `start`; scale: mean excess over it. An exponential
    tail is the generalised Pareto law with shape 0 (Coles 2001, 'An Introduction to Statistical
    Modeling of Extreme Values', 4.2). comparisons, highest: what it was fitted on.
    """

    start: float
    share: float
    scale: float
    comparisons: int
    highest: float

    def rate(self, score: float) -> float:
        """Chance that one comparison of unrelated material reaches the score."""
        if score <= self.start:
            return 1.0
        return min(1.0, self.share * math.exp(-(score - self.start) / self.scale))


def fitted(scores: NDArray[np.float64], share: float = 0.002) -> Tail:
    """Few are taken, since windows in which nothing moves make the tail heavier further out.

    The tail of the highest `share` of the scores; its scale with two standard errors on top,
    so that the rate is rather too high than too low."""
    start = float(np.quantile(scores, 1 - share))
    over = scores[scores > start] - start
    scale = float(over.mean()) * (1 + 2 / math.sqrt(len(over)))
    return Tail(start, len(over) / len(scores), scale, len(scores), float(scores.max()))


# By `tests/benchmarks/trace.py --negatives` (see its docstring for the material).
TAIL = Tail(start=0.1292, share=0.0020, scale=0.0274, comparisons=11_990, highest=0.232)
