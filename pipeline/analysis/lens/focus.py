"""Focus lost and found again: when fine detail went over the whole field, and came back.

A Gaussian takes the fine band and leaves the coarse one, so a pair of samples of the same
scene with the loss between them has lost more of the fine than of the coarse contrast, in
nearly every block; zoom, parallax and fog take both, an instrument takes a part. Beside it
stands what one picture shows by itself: its fine over coarse contrast falls at that moment.
Each moment is asked by how much likelier these readings are if focus went there than if
nothing did (ln of the likelihoods), and the same backwards for its return. A loss is worth
its weaker end: a view that changes for good makes one end, not two.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.solve import Pairs

F64 = NDArray[np.float64]

NEAR = 3  # samples after a moment that a pair across it may reach: the shortest loss
PAIR_SD = 0.05  # of ln fine over coarse between neighbours, beside its own spread
BLOCK_LOST, BLOCK_HEARD, LEAST_BLOCKS = 0.06, 0.1, 24  # ln of detail; weight; in all
# ln likelihood ratio of the readings: linear in the fine beyond the coarse loss, the fall of
# fine over coarse contrast, and the share of blocks that lost detail. Fitted once by logistic
# regression on 158 ends of losses of 1 to 7 px at 240 rows and 27,000 other moments of 90
# generated clips (textures, photographs, fog, smudges, moving light, flicker, coding)
FINE, RATIO, SHARE, NOTHING = 26.0, 10.6, 4.3, -4.8
FINE_MOST, RATIO_MOST = (-0.1, 0.6), (-0.3, 0.5)
QUIET, QUIET_MOST = 0.03, 2.0  # scatter of most of those clips, and how much more is believed
SCATTER_SD = 1.4826  # standard deviation of a normal variable over its median absolute deviation
UNSEEN = -1.5  # where no pair reaches across
MOST = 8.0  # no single end says more
EVIDENCE = 6.0  # what both ends must reach together
LASTING = 0.02  # per sample: losses are mostly short
LEAST, LONGEST = 2, 200  # samples of a loss


class Loss(NamedTuple):
    """Focus lost in samples [start, stop). score: ln of the odds. depth: ln of fine detail."""

    start: int
    stop: int
    score: float
    depth: float


class Blocks(NamedTuple):
    """Pairs i, j (b,) of the longest lag: change, weight (b, 64) of the detail of each block."""

    i: NDArray[np.int64]
    j: NDArray[np.int64]
    change: F64
    weight: F64


def find_losses(pairs: Pairs, blocks: Blocks, log_detail: F64) -> list[Loss]:
    """Losses of focus, none over another. log_detail: (n,) ln of fine over coarse contrast."""
    n = len(log_detail)
    come, lost = _evidence(pairs, blocks, log_detail)
    last = n - 1
    # backwards in time a return is a loss
    back = Pairs(
        last - pairs.j, last - pairs.i, -pairs.log_ratio, pairs.log_sd, pairs.mean_j, pairs.mean_i
    )
    behind = Blocks(last - blocks.j, last - blocks.i, -blocks.change, blocks.weight)
    go, found = (x[::-1] for x in _evidence(back, behind, log_detail[::-1]))
    value, since = np.zeros(n + 1), np.full(n + 1, -1)
    for stop in range(1, n + 1):
        value[stop] = value[stop - 1]
        at = np.arange(max(0, stop - LONGEST), stop - LEAST + 1)
        if len(at) == 0:
            continue
        # readings of one moment reach into the next: losses lie apart
        total = value[np.maximum(at - NEAR, 0)] + 2 * np.minimum(come[at], go[stop])
        total -= EVIDENCE + LASTING * (stop - at)
        best = int(total.argmax())
        if total[best] > value[stop]:
            value[stop], since[stop] = total[best], at[best]
    out: list[Loss] = []
    stop = n
    while stop > 0:
        start = int(since[stop])
        if start < 0:
            stop -= 1
            continue
        score = 2 * min(come[start], go[stop]) - EVIDENCE - LASTING * (stop - start)
        out.append(Loss(start, stop, float(score), float(min(lost[start], found[stop]))))
        stop = max(0, start - NEAR)
    return out[::-1]


def _evidence(pairs: Pairs, blocks: Blocks, log_detail: F64) -> tuple[F64, F64]:
    """(n + 1,) ln likelihood ratio of a loss just before each sample, and ln of detail lost."""
    n = len(log_detail)
    beyond = pairs.log_ratio[:, 2] - pairs.log_ratio[:, 0]
    var = PAIR_SD**2 + pairs.log_sd[:, 0] ** 2 + pairs.log_sd[:, 2] ** 2
    told = np.isfinite(beyond) & np.isfinite(var)
    weight = np.where(told, 1 / np.where(told, var, 1), 0)
    beyond, fine = (np.where(told, x, 0) for x in (beyond, -pairs.log_ratio[:, 0]))
    heard = np.isfinite(blocks.change) & (blocks.weight > BLOCK_HEARD)
    less = heard & (blocks.change < -BLOCK_LOST)
    sums = np.zeros((5, n + 1))
    for ahead in range(NEAR):
        at = pairs.j - ahead
        use = at > pairs.i
        for k, x in enumerate((weight, weight * beyond, weight * fine)):
            sums[k] += np.bincount(at[use], x[use], n + 1)
        for k, y in ((3, heard), (4, less)):
            sums[k] += np.bincount(blocks.j - ahead, y.sum(1), n + 1)
    seen = sums[0] > 0
    mean = sums[1:3] / np.where(seen, sums[0], 1)
    share = np.where(sums[3] > LEAST_BLOCKS, sums[4] / np.maximum(sums[3], 1), 0.5)
    fall = np.zeros(n + 1)
    fall[:n] = np.nan_to_num(_mean_of(log_detail, -4) - _mean_of(log_detail, 0))
    quiet = SCATTER_SD * float(np.median(np.abs(mean[0][seen]))) if seen.any() else QUIET
    # a recording whose readings scatter less says more by the same loss
    fine = FINE * np.clip(QUIET / max(quiet, 1e-3), 1, QUIET_MOST)
    ratio = fine * np.clip(mean[0], *FINE_MOST) + RATIO * np.clip(fall, *RATIO_MOST)
    # bounded, but the likeliest of some sure moments stays so
    ratio = MOST * np.tanh((ratio + SHARE * share + NOTHING) / MOST)
    return np.where(seen, ratio, UNSEEN), mean[1]


def _mean_of(x: F64, first: int) -> F64:
    """(n,) mean of the known ones of the three samples from k + first on; NaN if there is none."""
    padded = np.r_[np.full(4, np.nan), x, np.full(4, np.nan)]
    rows = np.stack([padded[4 + first + k :][: len(x)] for k in range(NEAR)])
    known = np.isfinite(rows)
    total = np.where(known, rows, 0).sum(0)
    out: F64 = np.where(known.any(0), total / np.maximum(known.sum(0), 1), np.nan)
    return out
