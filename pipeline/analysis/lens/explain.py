"""One explanation for each moment: focus or motion blur, glare, darkness, or none of them.

Each explanation is a spell: it comes, stays, and goes. How much likelier what is read at its
two ends and within it is than if nothing had happened (ln of the likelihoods) is linear in a
few cues, each something that the physics of the explanation foretells. Blur takes the fine
detail and leaves the coarse, in nearly every block; zoom, parallax and fog take both, an
instrument takes a part. Glare brightens and clips more than it did, fog brightens and pales.
Darkness falls. A spell is worth its weaker end twice, for a view that changes for good makes
one end, not two, and what is read within it. The best partition of the recording into spells
of one explanation each follows by dynamic programming, so explanations compete for a moment.

Time runs in samples, five a second. The weights come from `tests/benchmarks/lens_teach.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.solve import Pairs

F64 = NDArray[np.float64]

NEAR = 3  # samples after a moment that a pair across it may reach: the shortest loss
APART = 2  # samples that one spell lies from the next: a moment is told by several readings
PAIR_SD = 0.05  # of ln fine over coarse between neighbours, beside its own spread
BLOCK_LOST, BLOCK_HEARD, LEAST_BLOCKS = 0.06, 0.1, 24  # ln of detail; weight; in all
QUIET, QUIET_MOST = 0.03, 2.0  # scatter of most clips, and how much more a quieter one is believed
SCATTER_SD = 1.4826  # standard deviation of a normal variable over its median absolute deviation
SCATTER_MOST = 6.0  # standard deviations; more says no more
USUAL_S, USUAL_LIGHT_S = 30, 60  # what is usual is a median over so long
END_MOST, WITHIN_MOST = 8.0, 2.0  # no single end, and no single sample, says more
WITHIN_SHARED, WITHIN_ALL = 3.0, 4.0  # samples say the same so many times; no more in all
EVIDENCE, LASTING = (
    8.0,
    0.02,
)  # what a spell must reach, and for each of its samples: most are short
LEAST, LONGEST = 2, 200  # samples of a spell
STEP_S = 0.2


class Moments(NamedTuple):
    """What single samples show, each (n,), NaN unknown.

    light: ln of mean linear light. sharp, least_sharp: ln of the finest detail over that an octave
    lower, of all directions and of the one that has least. detail: ln of fine over coarse
    contrast. clipped: ln of the clipped share and a hundredth. dark: share without light.
    fog: -ln of the transmission, 0 where it is not known.
    """

    light: F64
    sharp: F64
    least_sharp: F64
    detail: F64
    clipped: F64
    dark: F64
    fog: F64


class Blocks(NamedTuple):
    """Pairs i, j (b,) of the longest lag: change, weight (b, 64) of the detail of each block."""

    i: NDArray[np.int64]
    j: NDArray[np.int64]
    change: F64
    weight: F64


class Spell(NamedTuple):
    """Samples [start, stop) explained by `kind`. score: ln of the odds. depth: ln of fine
    detail lost."""

    kind: str
    start: int
    stop: int
    score: float
    depth: float


class Weights(NamedTuple):
    """ln of the likelihood ratio: `ends` and `within` by cue, and what is said where all are 0.

    open: the recording may begin or end in it.
    """

    ends: Mapping[str, float]
    ends_nothing: float
    within: Mapping[str, float]
    within_nothing: float
    open: bool


WEIGHTS: Mapping[str, Weights] = {
    "blur": Weights(
        {
            "fine": 9.31,
            "coarse": -8.66,
            "beyond": 5.83,
            "blocks": 5.19,
            "least sharp": -6.62,
            "detail": -6.33,
            "unseen": 1.01,
        },
        -1.62,
        {"sharp": -5.51, "detail": -4.34, "detail over scatter": -0.34},
        -1.14,
        open=False,
    ),
    "glare": Weights(
        {"light over scatter": 0.6, "clipped": 2.65, "blocks": -3.71, "fog": -6.63},
        -4.13,
        {"light over scatter": 0.7, "clipped": 1.94, "fog": -7.34},
        -2.51,
        open=True,
    ),
    "dark": Weights(
        {"light": -5.01, "light at once": -2.17, "dark": 2.05},
        -6.09,
        {"level": -1.96, "light": -5.08},
        -12.63,
        open=True,
    ),
}


class Cues(NamedTuple):
    """come, go: (n + 1,) by name, for a spell that begins or ends just before each sample;
    within: (n,) by name. lost, found: (n + 1,) ln of fine detail lost and found there."""

    come: Mapping[str, F64]
    go: Mapping[str, F64]
    within: Mapping[str, F64]
    lost: F64
    found: F64


def cues(pairs: Pairs, blocks: Blocks, seen: Moments) -> Cues:
    """What each moment says. Backwards in time a spell goes as it came."""
    last = len(seen.light) - 1
    come, lost = _ends(pairs, blocks, seen)
    back = Pairs(
        last - pairs.j, last - pairs.i, -pairs.log_ratio, pairs.log_sd, pairs.mean_j, pairs.mean_i
    )
    behind = Blocks(last - blocks.j, last - blocks.i, -blocks.change, blocks.weight)
    go, found = _ends(back, behind, Moments(*(x[::-1] for x in seen)))
    return Cues(come, {k: x[::-1] for k, x in go.items()}, _within(seen), lost, found[::-1])


def find_spells(told: Cues, weights: Mapping[str, Weights] = WEIGHTS) -> list[Spell]:
    """The best spells, none over another, in order."""
    n = len(told.lost) - 1
    kinds = list(weights)
    come: list[F64] = []
    go: list[F64] = []
    inside: list[F64] = []
    for kind in kinds:
        w = weights[kind]
        for out, ends in ((come, told.come), (go, told.go)):
            at_end = _linear(ends, w.ends, w.ends_nothing)
            # bounded, but the likeliest of some sure moments stays so
            out.append(END_MOST * np.tanh(at_end / END_MOST))
        within = _linear(told.within, w.within, w.within_nothing)
        inside.append(np.r_[0, np.cumsum(np.clip(within, -WITHIN_MOST, WITHIN_MOST))])
        if w.open:
            # where the recording begins or ends, the other end speaks for both
            come[-1][0] = go[-1][n] = END_MOST
    value, since, which = np.zeros(n + 1), np.full(n + 1, -1), np.full(n + 1, -1)

    def worth(k: int, at: NDArray[np.int64] | int, stop: int) -> F64:
        stays = (inside[k][stop] - inside[k][at]) / WITHIN_SHARED
        ends = 2 * np.minimum(come[k][at], go[k][stop])
        if stop == n:
            # a spell that was neither seen to come nor to go has no ends to speak of
            ends = np.where(at == 0, 0.0, ends)
        out: F64 = ends + np.clip(stays, -WITHIN_ALL, WITHIN_ALL)
        return out - EVIDENCE - LASTING * (stop - at)

    for stop in range(LEAST, n + 1):
        value[stop] = value[stop - 1]
        at = np.arange(max(0, stop - LONGEST), stop - LEAST + 1)
        before = value[np.maximum(at - APART, 0)]
        for k in range(len(kinds)):
            total = before + worth(k, at, stop)
            best = int(total.argmax())
            if total[best] > value[stop]:
                value[stop], since[stop], which[stop] = total[best], at[best], k
    out_: list[Spell] = []
    stop = n
    while stop > 0:
        start, k = int(since[stop]), int(which[stop])
        if start < 0:
            stop -= 1
            continue
        depth = float(min(told.lost[start], told.found[stop]))
        out_.append(Spell(kinds[k], start, stop, float(worth(k, start, stop)), depth))
        stop = max(0, start - APART)
    return out_[::-1]


def sureness(spells: list[Spell], kind: str, n: int) -> F64:
    """(n,) how sure it is that samples lie in a spell of a kind, 0..1."""
    out = np.zeros(n)
    for s in spells:
        if s.kind == kind:
            out[s.start : s.stop] = 1 / (1 + np.exp(-s.score))
    return out


def _linear(by_name: Mapping[str, F64], weights: Mapping[str, float], nothing: float) -> F64:
    return np.asarray(nothing + sum(w * by_name[k] for k, w in weights.items()), np.float64)


def _ends(pairs: Pairs, blocks: Blocks, seen: Moments) -> tuple[dict[str, F64], F64]:
    """(n + 1,) cues by name of a spell that comes just before each sample, and detail lost."""
    n = len(seen.light)
    ratio = -pairs.log_ratio
    var = PAIR_SD**2 + pairs.log_sd[:, 0] ** 2 + pairs.log_sd[:, 2] ** 2
    told = np.isfinite(ratio[:, 0] - ratio[:, 2]) & np.isfinite(var)
    weight = np.where(told, 1 / np.where(told, var, 1), 0)
    fine, coarse = (np.where(told, ratio[:, k], 0) for k in (0, 2))
    heard = np.isfinite(blocks.change) & (blocks.weight > BLOCK_HEARD)
    less = heard & (blocks.change < -BLOCK_LOST)
    sums = np.zeros((5, n + 1))
    for ahead in range(NEAR):
        at = pairs.j - ahead
        use = at > pairs.i
        for k, x in enumerate((weight, weight * fine, weight * coarse)):
            sums[k] += np.bincount(at[use], x[use], n + 1)
        for k, y in ((3, heard), (4, less)):
            sums[k] += np.bincount(blocks.j - ahead, y.sum(1), n + 1)
    followed = sums[0] > 0
    fine, coarse = sums[1:3] / np.where(followed, sums[0], 1)
    beyond = fine - coarse
    quiet = _scatter(beyond[followed]) if followed.any() else QUIET
    out = {
        "fine": np.clip(fine, -0.5, 0.8),
        "coarse": np.clip(coarse, -0.5, 0.8),
        # a recording whose readings scatter less says more by the same loss
        "beyond": np.clip(beyond, -0.1, 0.6) * np.clip(QUIET / max(quiet, 1e-3), 1, QUIET_MOST),
        "blocks": np.where(sums[3] > LEAST_BLOCKS, sums[4] / np.maximum(sums[3], 1) - 0.5, 0.0),
        "unseen": np.where(followed, 0.0, 1.0),
    }
    light = _step(seen.light)
    out["light"] = np.clip(light, -2, 2)
    out["light at once"] = np.clip(_step(seen.light, 2, 2), -2, 2)
    out["light over scatter"] = np.clip(
        light / (_scatter(light) + 0.01), -SCATTER_MOST, SCATTER_MOST
    )
    out["clipped"] = np.clip(_step(seen.clipped), -3, 3)
    out["dark"] = np.clip(_step(seen.dark), -0.6, 0.6)
    out["least sharp"] = np.clip(_step(seen.least_sharp), -0.6, 0.6)
    out["detail"] = np.clip(_step(seen.detail), -0.5, 0.5)
    out["fog"] = np.clip(_step(seen.fog), -0.5, 0.5)
    return out, fine


def _within(seen: Moments) -> dict[str, F64]:
    """(n,) cues by name within a spell: against what is usual."""
    light = unusual(seen.light, USUAL_LIGHT_S)
    detail = unusual(seen.detail)
    return {
        "sharp": np.clip(unusual(seen.sharp), -0.6, 0.6),
        "detail": np.clip(detail, -0.5, 0.5),
        "detail over scatter": np.clip(
            detail / (_scatter(detail) + 0.02), -SCATTER_MOST, SCATTER_MOST
        ),
        "light": np.clip(light, -2, 2),
        "light over scatter": np.clip(
            light / (_scatter(light) + 0.02), -SCATTER_MOST, SCATTER_MOST
        ),
        "clipped": np.clip(unusual(seen.clipped, USUAL_LIGHT_S), -3, 3),
        "level": np.nan_to_num(seen.light, nan=-2.0),
        "fog": np.clip(unusual(seen.fog), -0.5, 0.5),
    }


def _scatter(x: F64) -> float:
    return SCATTER_SD * float(np.median(np.abs(x - np.median(x))))


def unusual(x: F64, width_s: float = USUAL_S) -> F64:
    """(n,) x less its running median; 0 where it is unknown."""
    from scipy.ndimage import median_filter

    known = np.flatnonzero(np.isfinite(x))
    if not len(known):
        return np.zeros(len(x))
    filled = np.interp(np.arange(len(x)), known, x[known])
    # mirrored at its ends: what the recording begins with is not the usual by that alone
    usual = median_filter(filled, round(width_s / STEP_S) | 1, mode="reflect")
    out: F64 = np.nan_to_num(x - usual)
    return out


def _step(x: F64, count: int = NEAR, gap: int = NEAR + 1) -> F64:
    """(n + 1,) mean of `count` samples from each on, less that of those from `gap` before on."""
    pad = np.full(gap + 1, np.nan)
    padded = np.r_[pad, x, pad]

    def mean(first: int) -> F64:
        rows = np.stack([padded[gap + 1 + first + k :][: len(x) + 1] for k in range(count)])
        known = np.isfinite(rows)
        total = np.where(known, rows, 0).sum(0)
        return np.where(known.any(0), total / np.maximum(known.sum(0), 1), np.nan)

    out: F64 = np.nan_to_num(mean(0) - mean(-gap))
    return out
