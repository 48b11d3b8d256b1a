"""Smudges: detail lost at a fixed place in the field, from a moment that can be told.

Two witnesses. A patch of tissue that is followed from one sample to another keeps its
own detail, so what it loses on the way is the lens: what moves with the scene cancels,
and what does not (an instrument) cannot be followed and says nothing. And a place that
is softer than the rest of the field (fine over coarse contrast) over tissue after tissue
is soft itself, also where nothing can be followed; one piece of tissue tells it once,
however long it is looked at, so a reading says as much as it differs from what the last
one foretold, given how far the camera has moved.

Both are asked the same: by how much is it more likely that a smudge lay at this place
from A to B than that there was none (ln of the likelihoods)? That splits into what is
seen as it comes, while it stays and as it goes, and the best A and B at each of a set
of places follow from sums. A camera that stands still sees it come and go, a moving
one while it stays. No single moment is enough: an instrument or the edge of fog makes one.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.blocks import (
    CELLS,
    RINGS,
    at_places,
    block_px,
    cells,
    displacements,
    places,
    ring_of_cells,
    without_rim,
)
from pipeline.analysis.lens.pairs import BLOCKS, NOISE_SD

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B1 = NDArray[np.bool_]

LAG = 5  # samples between the two of a pair
DEPTHS = (0.5, 1.0)  # ln of the detail lost that are asked for
READING_SD = 0.27  # of ln detail of one followed block
SHARED = 4.0  # readings that follow each other say this many times less
TISSUE_SD, REST_SD = 0.55, 0.2  # of ln sharpness from tissue to tissue, and beside it
NOISE_OVER = 4.0  # noise over fine detail from which on nothing is left to read
STAYS, REACH = 0.95, 1.0  # likeness of a place with itself, and the blocks of motion that end it
STAYS_LOST = 0.5  # where the motion is not known
SHARED_LAG = float(LAG)  # pairs overlap: each second is told so many times
READING_MOST = 1.2  # ln; a reading further off is no worse
TIE = 1e-3  # share of what is beyond that still orders places
MOMENT_MOST = 8.0  # one moment says no more, and is not enough
SAMPLE_MOST = 1.0
EVIDENCE = 12.0  # a moment and half as much again
LEAST_SAMPLES = 10
FOG_MOST, FOG_CHANGE, BLUR_MOST, LIGHT_CHANGE = 0.16, 0.06, 0.2, 0.4
LEAST_BLOCKS = 8
ENOUGH = 0.35  # share of a block that must be usable
USUAL_SHARE = 0.8  # a slight loss for more of the recording is the lens as it is
WINDOW, WINDOW_LEAST = 50, 1.0  # samples, and the evidence in them, that scatter is judged over
CHI2_90 = 2.71  # nine in ten squares of a unit normal are less
PALER = 0.25  # ln of green and blue over red: what metal changes, and little else
STILL = 0.15  # of a block: motion below which a place shows the same tissue
STANDS = 0.9  # share of the blocks that move no further where the camera stands
QUIET_LEAST, QUIET_READINGS = 0.08, 300
DEPTH_RANGE = (0.3, 1.6)
CHUNK, PLACE_PARTS = 256, 3  # pairs, and parts of the places, at once: it bounds the memory


class Readings(NamedTuple):
    """What pairs of samples LAG apart say about detail.

    i, j: (p,) sample numbers. change: (p, 64) ln of detail of j over i per block, NaN
    unknown. weight: (p, 64) how far above the noise it stands, 0..1. affine: (p, 2, 3)
    displacement in px. light: (p,) ln of the mean light of the overlap of j over i.
    """

    i: I64
    j: I64
    change: F64
    weight: F64
    affine: F64
    light: F64


class Smudge(NamedTuple):
    """start, stop: samples [start, stop). depth: ln of detail lost. score: evidence.

    place: (8, 8) how far each block lies in it, 0..1.
    """

    start: int
    stop: int
    depth: float
    score: float
    place: F64


def sharpness(sums: F64, noise: F64, area: float) -> tuple[F64, F64]:
    """(8, 8) ln of fine over coarse contrast against the rest of the field, and its weight 0..1.

    sums: (4, 8, 8) over the blocks: usable pixels, luma, power of the fine and of the
    coarser bands, linear light. noise: (3,) power over the luma per band. area: px of a block.
    """
    count = np.maximum(sums[0], 1)
    light = sums[1] / count
    noise_fine, noise_coarse = noise[0] * light + 1e-12, (noise[1] + noise[2]) * light
    coarse = np.maximum(sums[3] / count - noise_coarse, 1e-12)
    fine = np.maximum(sums[2] / count - noise_fine, 0.1 * noise_fine)
    ok = sums[0] > ENOUGH * area
    none = np.zeros_like(light)
    if ok.sum() < LEAST_BLOCKS:
        return none, none
    ratio = fine / coarse
    # the noise taken off is known to NOISE_SD of itself, against the fine detail to be expected
    share = noise_fine / (np.median(ratio[ok]) * coarse)
    weight = 1 / (1 + (0.5 * NOISE_SD * share / TISSUE_SD) ** 2)
    weight = np.where(ok & (share < NOISE_OVER), weight, 0)
    known = weight > 0
    if known.sum() < LEAST_BLOCKS:
        return none, none
    value = 0.5 * np.log(ratio)
    return np.where(known, value - np.median(value[known]), 0), weight


def find_smudges(
    n: int,
    readings: Readings,
    sharp: F64,
    sharp_weight: F64,
    pale: F64,
    size: tuple[int, int],
    u: F64,
    blur: F64,
) -> list[Smudge]:
    """Smudges in n samples, none over another in time, the surest first.

    sharp, sharp_weight: (n, 64) of `sharpness`, weight 0 where nothing is to be said.
    pale: (n, 64) ln of green and blue over red. size: (row, col) of the picture that affine
    moves in. u, blur: (n,) fog as -ln t and share of detail lost to blur; what is under much
    of either, or where fog or the light changes, is left out.
    """
    i, j = readings.i, readings.j
    clear = (u < FOG_MOST) & (blur < BLUR_MOST)
    use = (
        (clear[i] & clear[j])
        & (np.abs(u[j] - u[i]) < FOG_CHANGE)
        & (np.abs(readings.light) < LIGHT_CHANGE)
        & (np.isfinite(readings.change).sum(1) >= LEAST_BLOCKS)
    )
    followed = np.zeros(n, bool)
    followed[i] = True
    seen = clear & (sharp_weight > 0).any(1)
    lost = np.flatnonzero(seen[:-LAG] & seen[LAG:] & ~followed[:-LAG])
    i, j = i[use], j[use]
    if n < LEAST_SAMPLES or len(i) + len(lost) == 0:
        return []
    change, weight = readings.change[use], readings.weight[use]
    weight = np.where(np.isfinite(change), weight, 0) / READING_SD**2 / SHARED
    change = np.where(weight > 0, change, np.nan)
    # what all blocks share is fog, blur or gain, not a smudge
    change = np.nan_to_num(change - np.nanmedian(change, axis=1, keepdims=True))
    moved = displacements(readings.affine[use], size)
    still = np.hypot(*(moved / block_px(size)[:, None]).transpose(1, 0, 2)) < STILL
    still &= still.mean(1, keepdims=True) > STANDS
    stands = np.zeros(n, bool)
    stands[i] = still.any(1)
    sure = weight / np.where(still, _quiet(change[still & (weight > 0)] / READING_SD), 1)
    from_at = cells(-moved / 2, size)
    to_at = cells(moved / 2, size)
    change = change - without_rim(change, weight, from_at, to_at)
    change = np.clip(change, -READING_MOST, READING_MOST)
    shape = places()
    parts = np.zeros((6, n, len(shape)), np.float32)
    for first in range(0, len(i), CHUNK):
        part = slice(first, first + CHUNK)
        before = at_places(from_at, part, shape)
        after = at_places(to_at, part, shape)
        # a place that is seen once more says no more of its stay
        for k, told, weigh in ((0, before - after, weight), (1, -after, sure), (2, before, sure)):
            w = weigh[part].astype(np.float32)[:, None]
            y = (weigh * change)[part].astype(np.float32)[:, None]
            parts[2 * k, i[part]] = np.matmul(y, told)[:, 0]
            parts[2 * k + 1, i[part]] = np.matmul(w, told * told)[:, 0]
    stays = STAYS * np.exp(-np.hypot(*(moved / block_px(size)[:, None]).transpose(1, 0, 2)) / REACH)
    stays = np.concatenate([stays, np.full((len(lost), CELLS), STAYS_LOST)])
    i, j = np.concatenate([i, lost]), np.concatenate([j, lost + LAG])
    _add_places(parts, i, j, stays, sharp, sharp_weight, shape)
    found: list[Smudge] = []
    for depth in DEPTHS:
        for some in np.array_split(np.arange(len(shape)), PLACE_PARTS):
            here = parts[:, :, some]
            evidence = [depth * here[k] - 0.5 * depth**2 * here[k + 1] for k in (0, 2, 4)]
            for score, place, start, stop in _spans_at(*evidence):
                if depth == DEPTHS[0] and stop - start > USUAL_SHARE * n:
                    continue
                sums = _sums(here[:, :, place], start, stop)
                deep = float(np.clip(sums[0] / max(sums[1], 1e-9), *DEPTH_RANGE))
                where = shape[some[place]].reshape(BLOCKS, BLOCKS)
                found.append(Smudge(start, stop, deep, score, where))
    out: list[Smudge] = []
    for smudge in sorted(found, key=lambda s: -s.score):
        apart = all(smudge.stop <= s.start or smudge.start >= s.stop for s in out)
        if apart and not _covered(smudge, pale, stands):
            out.append(smudge)
    return out


def smudge_share(smudges: list[Smudge], n: int) -> F64:
    """(n,) share of detail lost under a smudge, 0..1; 0 where there is none."""
    out = np.zeros(n)
    for s in smudges:
        out[s.start : s.stop] = 1 - np.exp(-s.depth)
    return out


def _add_places(
    parts: F32, i: I64, j: I64, stays: F64, sharp: F64, sharp_weight: F64, shape: F64
) -> None:
    """Add to `parts` what the sharpness of the places says. stays: (p, 64) likeness of j to i."""
    heard = sharp_weight > 0
    usual = np.zeros(CELLS)
    ring = ring_of_cells()
    middle = np.array(
        [np.median(sharp[heard[:, c], c]) if heard[:, c].any() else np.nan for c in range(CELLS)]
    )
    for k in range(len(RINGS) + 1):
        here = (ring == k) & np.isfinite(middle)
        if here.sum() >= 4:
            usual[ring == k] = np.median(middle[here])
    value = np.where(heard, np.clip(sharp - usual, -READING_MOST, READING_MOST), 0)
    new = value[j] - stays * value[i]
    sd2 = TISSUE_SD**2 * (1 - stays**2) + REST_SD**2
    heard_both = np.minimum(sharp_weight[i], sharp_weight[j])
    weight = heard_both / sd2 / SHARED_LAG
    stay = stays - 1
    weight /= _scatter(i, (weight * new * stay) @ shape.T, (weight * stay**2) @ (shape.T**2))
    still = stays > STAYS * np.exp(-STILL / REACH)
    still &= still.mean(1, keepdims=True) > STANDS
    sure = weight / np.where(still, _quiet((new / np.sqrt(sd2))[still & (heard_both > 0)]), 1)
    for k, (told, w) in enumerate(((stay, weight), (-np.ones_like(stays), sure), (stays, sure))):
        parts[2 * k, i] += (w * new * told) @ shape.T
        parts[2 * k + 1, i] += (w * told * told) @ (shape.T**2)


def _covered(smudge: Smudge, pale: F64, still: B1) -> bool:
    """True if the place changed its colour as the smudge came or went: an instrument lay there.

    What lies on the glass is out of focus by far: it softens the tissue's colour, and leaves it.
    Told only where the camera stood still. pale: (n, 64). still: (n,).
    """
    near = np.pad(smudge.place > 0, 1)
    wide = np.any([near[r : r + BLOCKS, c : c + BLOCKS] for r in range(3) for c in range(3)], 0)
    for at in (smudge.start, smudge.stop):
        if 2 * LAG < at < len(pale) - 2 * LAG and still[at - LAG : at].mean() > 0.5:
            shift = np.median(pale[at + 1 : at + 1 + LAG], 0) - np.median(
                pale[at - 1 - LAG : at - 1], 0
            )
            shift = np.abs(shift - np.median(shift[shift != 0])) if shift.any() else shift
            if (shift > PALER)[wide.ravel()].any():
                return True
    return False


def _quiet(readings: F64) -> float:
    """Share of its usual variance that a reading has in this recording, QUIET_LEAST to 1.

    A camera that stands still sees the same tissue: readings scatter little, and say more.
    """
    if len(readings) < QUIET_READINGS:
        return 1.0
    return float(np.clip(np.quantile(readings**2, 0.9) / CHI2_90, QUIET_LEAST, 1.0))


def _scatter(i: I64, sums: NDArray[Any], weights: NDArray[Any]) -> float:
    """How many times wider the readings at the places scatter than they should, 1 or more.

    Where rough tissue lies beside smooth, more of it comes in a row than tissue next to
    tissue foretells. Smudges lie on few of the places and times, so the tail is asked
    short of them. i: (p,) sample. sums, weights: (p, k) of weighted readings and of weights.
    """
    window = i // WINDOW
    order = np.argsort(window, kind="stable")
    _, first = np.unique(window[order], return_index=True)
    total = np.add.reduceat(sums[order], first)
    expected = np.add.reduceat(weights[order], first)
    told = expected > WINDOW_LEAST
    if told.sum() < 100:
        return 1.0
    wide = np.quantile(total[told] ** 2 / expected[told], 0.9)
    return float(max(1.0, wide / CHI2_90))


def _sums(parts: F32, start: int, stop: int) -> F64:
    """(2,) weighted sum and weight of the depth in samples [start, stop). parts: (6, n)."""
    out = np.zeros(2)
    for k, (a, b) in enumerate(
        ((start, stop - LAG), (max(0, start - LAG), start), (max(0, stop - LAG), stop))
    ):
        out += parts[2 * k : 2 * k + 2, a : max(a, b)].sum(1)
    return out


def _spans_at(stay: F32, come: F32, go: F32) -> list[tuple[float, int, int, int]]:
    """(evidence, place, start, stop) of the best spans at each place, none over another.

    stay, come, go: (n, k) evidence of the pair that begins at each sample, if a smudge is
    there in both of its samples, the second alone, the first alone.
    """
    n, k = stay.shape
    zero = np.zeros((1, k))
    at = np.arange(n + 1)
    before = np.maximum(at - LAG, 0)

    def moment(x: F32) -> F64:
        total = np.concatenate([zero, np.cumsum(x, 0, np.float64)])
        told = total[at] - total[before]
        # of places that all say as much as they may, the likeliest is the one
        out: F64 = np.clip(told, -MOMENT_MOST, MOMENT_MOST) + TIE * told
        return out

    kept = np.clip(stay, -SAMPLE_MOST, SAMPLE_MOST)
    within = np.concatenate([zero, np.cumsum(kept, 0, np.float64)])
    opens = moment(come) - within
    closes = moment(go) + within[before]
    # at its two ends the recording shows no coming and no going
    opens[0], closes[n] = 0, within[n]
    best, since = np.full(k, -np.inf), np.zeros(k, np.int64)
    value = np.zeros((n + 1, k))
    origin = np.full((n + 1, k), -1, np.int32)
    for b in range(LEAST_SAMPLES, n + 1):
        a = b - LEAST_SAMPLES
        start = value[a] + opens[a]
        better = start > best
        best = np.where(better, start, best)
        since[better] = a
        ends = best + closes[b] - EVIDENCE
        more = ends > value[b - 1]
        value[b] = np.where(more, ends, value[b - 1])
        origin[b] = np.where(more, since, -1)
    out = []
    for place in np.flatnonzero(value[n] > 0):
        b = n
        while b > 0:
            a = int(origin[b, place])
            if a < 0:
                b -= 1
                continue
            out.append((float(value[b, place] - value[a, place]) + EVIDENCE, int(place), a, b))
            b = a
    return out
