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

from pipeline.analysis.lens import bend
from pipeline.analysis.lens.finest import LEAST_BLOCKS, TISSUE_SD
from pipeline.analysis.lens.pairs import BLOCKS

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B1 = NDArray[np.bool_]

CELLS = BLOCKS * BLOCKS
LAG = 5  # samples between the two of a pair
DEPTHS = (0.5, 1.0)  # ln of the detail lost that are asked for
READING_SD = 0.27  # of ln detail of one followed block
SHARED = 4.0  # readings that follow each other say this many times less
REST_SD = 0.2  # of ln sharpness, beside what is from tissue to tissue
STAYS, REACH = 0.95, 1.0  # likeness of a place with itself, and the blocks of motion that end it
STAYS_LOST = 0.5  # where the motion is not known
SHARED_LAG = float(LAG)  # pairs overlap: each second is told so many times
READING_MOST = 1.2  # ln; a reading further off is no worse
MOMENT_MOST = 8.0  # one moment says no more, and is not enough
SAMPLE_MOST = 1.0
EVIDENCE = 12.0  # a moment and half as much again
LEAST_SAMPLES = 10
FOG_MOST, FOG_CHANGE, BLUR_MOST, LIGHT_CHANGE = 0.16, 0.06, 0.2, 0.4
RINGS = (0.5, 0.8)
USUAL_SHARE = 0.8  # a slight loss for more of the recording is the lens as it is
WINDOW, WINDOW_LEAST = 50, 1.0  # samples, and the evidence in them, that scatter is judged over
CHI2_90 = 2.71  # nine in ten squares of a unit normal are less
DEPTH_RANGE = (0.3, 1.6)
BENT = 0.5  # what is bent is as good as that; not measured
DEPTH_SD = 0.5  # of the depth of a block before anything is read
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

    place: (8, 8) how far each block lies in it, 0..1. covers: share of the field that would lose
    as much detail if it lost so much all over; a smudge may be wider than any place asked for.
    """

    start: int
    stop: int
    depth: float
    score: float
    place: F64
    covers: float


def places() -> F64:
    """(k, 64) where a smudge may lie: two and three blocks wide, all over the field."""
    out: list[F64] = []
    for row in range(BLOCKS - 1):
        for col in range(BLOCKS - 1):
            small = np.zeros((BLOCKS, BLOCKS))
            small[row : row + 2, col : col + 2] = 1
            out.append(small)
    for row in range(BLOCKS - 2):
        for col in range(BLOCKS - 2):
            wide = np.zeros((BLOCKS, BLOCKS))
            wide[row : row + 3, col : col + 3] = 0.5
            wide[row + 1, col : col + 3] = wide[row : row + 3, col + 1] = 1
            out.append(wide)
    return np.stack(out).reshape(-1, CELLS)


def find_smudges(
    n: int,
    readings: Readings,
    sharp: F64,
    sharp_weight: F64,
    size: tuple[int, int],
    u: F64,
    blur: F64,
    bent: F64,
) -> list[Smudge]:
    """Smudges in n samples, none over another in time, the surest first.

    sharp, sharp_weight: (n, 64) of `finest.sharpness`, weight 0 where nothing is to be said.
    size: (row, col) of the picture that affine moves in. u, blur: (n,) fog as -ln t and
    share of detail lost to blur; what is under much of either, or where fog or the
    light changes, is left out. bent: (n, 64) of `bend.anyhow`.
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
    moved = _displacements(readings.affine[use], size)
    from_at = _cells(-moved / 2, size)
    to_at = _cells(moved / 2, size)
    change = change - _rim(change, weight, from_at, to_at)
    change = np.clip(change, -READING_MOST, READING_MOST)
    shape = places()
    parts = np.zeros((6, n, len(shape)), np.float32)
    for first in range(0, len(i), CHUNK):
        part = slice(first, first + CHUNK)
        before = _at_places(from_at, part, shape)
        after = _at_places(to_at, part, shape)
        w = weight[part].astype(np.float32)[:, None]
        y = (weight * change)[part].astype(np.float32)[:, None]
        for k, told in enumerate((before - after, -after, before)):
            parts[2 * k, i[part]] = np.matmul(y, told)[:, 0]
            parts[2 * k + 1, i[part]] = np.matmul(w, told * told)[:, 0]
    stays = STAYS * np.exp(-np.hypot(*(moved / _block(size)[:, None]).transpose(1, 0, 2)) / REACH)
    stays = np.concatenate([stays, np.full((len(lost), CELLS), STAYS_LOST)])
    i, j = np.concatenate([i, lost]), np.concatenate([j, lost + LAG])
    _add_places(parts, i, j, stays, sharp, sharp_weight, shape)
    field = np.any(np.concatenate([sharp_weight, weight]) > 0, axis=0)
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
                found.append(Smudge(start, stop, deep, score, where, 0.0))
    found += _bent_places(np.where(clear[:, None], bent, 0), shape)
    out: list[Smudge] = []
    for smudge in sorted(found, key=lambda s: -s.score):
        if all(smudge.stop <= s.start or smudge.start >= s.stop for s in out):
            covers = smudge.covers or _covers(parts, shape, smudge, field)
            out.append(smudge._replace(covers=covers))
    return out


def _bent_places(bent: F64, shape: F64) -> list[Smudge]:
    """Places where the picture is bent, by a moment's evidence more than from the rim inwards."""
    stay = (bent @ shape.T).astype(np.float32)
    out = []
    for score, place, start, stop in _spans_at(stay, *np.zeros((2, *stay.shape), np.float32)):
        told, where = bent[start:stop].sum(0), shape[place]
        if bend.beyond_strips(told, where) >= MOMENT_MOST:
            grid = where.reshape(BLOCKS, BLOCKS)
            out.append(Smudge(start, stop, BENT, score, grid, where.mean()))
    return out


def smudge_share(smudges: list[Smudge], n: int) -> tuple[F64, F64]:
    """(n,) share of detail lost under a smudge, and share of the field that it covers, 0..1.

    Both are 0 where there is none.
    """
    lost, covers = np.zeros(n), np.zeros(n)
    for s in smudges:
        lost[s.start : s.stop] = 1 - np.exp(-s.depth)
        covers[s.start : s.stop] = s.covers
    return lost, covers


def _covers(parts: F32, shape: F64, smudge: Smudge, field: B1) -> float:
    """Share of the field, (64,) True in it, that a smudge covers.

    A block's depth is what the smallest places around it say, as far as they say anything.
    """
    small = np.flatnonzero(shape.sum(1) == shape.sum(1).min())
    told, weight = _sums(parts[:, :, small], smudge.start, smudge.stop)
    depth = (told / (weight + DEPTH_SD**-2)) @ shape[small] / shape[small].sum(0)
    lost = 1 - np.exp(-np.clip(depth[field], 0, None))
    return float(min(1.0, lost.mean() / (1 - np.exp(-smudge.depth))))


def _block(size: tuple[int, int]) -> F64:
    """Width and height of a block in px."""
    return np.array([size[1], size[0]]) / BLOCKS


def _centres(size: tuple[int, int]) -> F64:
    """(2, 64) x, y of the middle of each block in px."""
    c = np.arange(BLOCKS) + 0.5
    x, y = np.meshgrid(c, c)
    return np.stack([x.ravel(), y.ravel()]) * _block(size)[:, None]


def _displacements(affine: F64, size: tuple[int, int]) -> F64:
    """(p, 2, 64) x, y in px of the motion at the middle of each block."""
    out: F64 = affine @ np.concatenate([_centres(size), np.ones((1, CELLS))])
    return out


def _cells(shift: F64, size: tuple[int, int]) -> tuple[I64, F32]:
    """(4, p, 64) grid cells around the blocks moved by shift (p, 2, 64), bilinear weights."""
    at = (_centres(size) + shift) / _block(size)[:, None] - 0.5
    at = np.clip(at, 0, BLOCKS - 1 - 1e-6)
    whole = at.astype(np.int64)
    (ax, ay), (ix, iy) = (at - whole).transpose(1, 0, 2), whole.transpose(1, 0, 2)
    cell = iy * BLOCKS + ix
    return (
        np.stack([cell, cell + 1, cell + BLOCKS, cell + BLOCKS + 1]),
        np.stack([(1 - ax) * (1 - ay), ax * (1 - ay), (1 - ax) * ay, ax * ay]).astype(np.float32),
    )


def _at_places(at: tuple[I64, F32], part: slice, shape: F64) -> F32:
    """(p, 64, k) how far each block of the pairs in `part` lies in each place, 0..1."""
    cell, weight = at[0][:, part], at[1][:, part]
    spread = np.zeros((cell.shape[1] * CELLS, CELLS), np.float32)
    row = np.arange(len(spread))
    for c, w in zip(cell, weight, strict=True):
        spread[row, c.ravel()] = w.ravel()
    out = spread @ shape.T.astype(np.float32)
    return out.reshape(cell.shape[1], CELLS, len(shape))


def _ring() -> I64:
    """(64,) number of the ring of each cell, from the middle."""
    c = (np.arange(BLOCKS) + 0.5) / (BLOCKS / 2) - 1
    out: I64 = np.digitize(np.hypot(*np.meshgrid(c, c)).ravel(), RINGS)
    return out


def _rim(change: F64, weight: F64, from_at: tuple[I64, F32], to_at: tuple[I64, F32]) -> F64:
    """(p, 64) change that a lens makes which is softer towards its rim, all the way round."""
    ring = np.eye(len(RINGS) + 1)[_ring()]
    told = np.stack(
        [
            sum(w * ring[c, k] for c, w in zip(*from_at, strict=True))
            - sum(w * ring[c, k] for c, w in zip(*to_at, strict=True))
            for k in range(1, len(RINGS) + 1)
        ]
    ).reshape(len(RINGS), -1)
    weighted = told * weight.ravel()
    normal = weighted @ told.T + np.eye(len(RINGS))
    lost = np.linalg.solve(normal, weighted @ change.ravel())
    out: F64 = (lost @ told).reshape(change.shape)
    return out


def _add_places(
    parts: F32, i: I64, j: I64, stays: F64, sharp: F64, sharp_weight: F64, shape: F64
) -> None:
    """Add to `parts` what the sharpness of the places says. stays: (p, 64) likeness of j to i."""
    heard = sharp_weight > 0
    usual = np.zeros(CELLS)
    ring = _ring()
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
    weight = np.minimum(sharp_weight[i], sharp_weight[j]) / sd2 / SHARED_LAG
    stay = stays - 1
    weight /= _scatter(i, (weight * new * stay) @ shape.T, (weight * stay**2) @ (shape.T**2))
    for k, told in enumerate((stays - 1, -np.ones_like(stays), stays)):
        parts[2 * k, i] += (weight * new * told) @ shape.T
        parts[2 * k + 1, i] += (weight * told * told) @ (shape.T**2)


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
    """(2, k) weighted sum and weight of the depth in samples [start, stop). parts: (6, n, k)."""
    out = np.zeros((2, *parts.shape[2:]))
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
        out: F64 = np.clip(total[at] - total[before], -MOMENT_MOST, MOMENT_MOST)
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
