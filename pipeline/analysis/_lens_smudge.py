"""Smudges: detail lost at a fixed place in the field while the scene moves through it.

A patch of tissue that is followed from one sample to another keeps its own detail,
so what it loses on the way is the lens: ln detail of j over i = D(place in i, time i)
- D(place in j, time j). A patch that moves into a smudge loses detail, one that moves
out gains it, and all patches below it lose detail when it comes. What moves with the
scene cancels: smooth tissue, depth, highlights. What does not move with the scene (an
instrument) cannot be followed and says nothing.

D is solved on a grid over the field, one map per second, sparse and held until
something speaks against it: a smudge stays until it is wiped.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis._lens_pairs import BLOCKS

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

CELLS = BLOCKS * BLOCKS
WINDOW = 5  # samples to one map
TURNS = 4
READING_SD = 0.12  # of ln detail of one block
READING_SD_LAG = 0.03  # more for each sample between the two
SHARED = 2.0  # readings that follow each other say this many times less
STEP_SD, HOLD = 0.1, 0.3
SPARSE = 0.6
FOG_MOST, FOG_CHANGE, BLUR_MOST = 0.16, 0.06, 0.2
STRETCH, MARGIN = 240, 30  # maps solved at once, and on both sides of them
RINGS = (0.5, 0.8)
USUAL_MOST = 0.5  # ln of detail; more than this all the time is a smudge nobody wiped


def smudge_maps(
    n: int,
    i: I64,
    j: I64,
    change: F64,
    affine: F64,
    size: tuple[int, int],
    u: F64,
    blur: F64,
) -> F64:
    """(maps, 8, 8) ln of the detail lost to the lens at each place, 0 or more.

    i, j: (p,) sample numbers of pairs. change: (p, 64) ln of detail of j over i per
    block, NaN unknown. affine: (p, 2, 3) displacement in px of a picture of size
    (row, col). u, blur: (n,) fog as -ln t and share of detail lost to blur; pairs
    under much of either, or with changing fog, are left out.
    """
    maps = -(-n // WINDOW)
    out = np.zeros((maps, CELLS))
    use = (
        (np.maximum(u[i], u[j]) < FOG_MOST)
        & (np.abs(u[j] - u[i]) < FOG_CHANGE)
        & (np.maximum(blur[i], blur[j]) < BLUR_MOST)
        & (np.isfinite(change).sum(1) >= 8)
    )
    i, j, change, affine = i[use], j[use], change[use], affine[use]
    if len(i) == 0:
        return out.reshape(maps, BLOCKS, BLOCKS)
    # what all blocks share is fog, blur or gain, not a smudge
    change = change - np.nanmedian(change, axis=1, keepdims=True)
    for first in range(0, maps, STRETCH):
        a, b = max(0, first - MARGIN), min(maps, first + STRETCH + MARGIN)
        here = (i >= a * WINDOW) & (j < b * WINDOW)
        if here.any():
            part = _solve(
                b - a,
                i[here] - a * WINDOW,
                j[here] - a * WINDOW,
                change[here],
                affine[here],
                size,
            )
            last = min(maps, first + STRETCH)
            out[first:last] = part[first - a : last - a]
    heard: NDArray[np.bool_] = np.isfinite(change).sum(0) > 0
    left: F64 = np.where(heard, np.maximum(out - _ring_median(out, heard), 0), 0.0)
    # a little less detail at one place all the time is the lens as it is
    usual = np.quantile(left, 0.3, axis=0)
    left = np.maximum(left - np.where(usual < USUAL_MOST, usual, 0), 0)
    return left.reshape(maps, BLOCKS, BLOCKS)


def smudge_share(maps: F64, n: int) -> F64:
    """(n,) share of detail lost in the worst part (a sixteenth of the field's box), 0..1."""
    four = maps[:, :-1, :-1] + maps[:, 1:, :-1] + maps[:, :-1, 1:] + maps[:, 1:, 1:]
    worst = four.reshape(len(maps), -1).max(1) / 4
    return np.repeat(1 - np.exp(-worst), WINDOW)[:n]


def _cells(x: F64, y: F64, size: tuple[int, int]) -> tuple[I64, F64]:
    """(4, k) grid cells around each place and their bilinear weights."""
    most = BLOCKS - 1 - 1e-6
    fx = np.clip(x * BLOCKS / size[1] - 0.5, 0, most)
    fy = np.clip(y * BLOCKS / size[0] - 0.5, 0, most)
    ix, iy = fx.astype(np.int64), fy.astype(np.int64)
    ax, ay = fx - ix, fy - iy
    at = iy * BLOCKS + ix
    return (
        np.stack([at, at + 1, at + BLOCKS, at + BLOCKS + 1]),
        np.stack([(1 - ax) * (1 - ay), ax * (1 - ay), (1 - ax) * ay, ax * ay]),
    )


def _solve(maps: int, i: I64, j: I64, change: F64, affine: F64, size: tuple[int, int]) -> F64:
    """(maps, 64) by reweighted least squares over one stretch."""
    from scipy.linalg import solveh_banded

    centre_x = (np.arange(BLOCKS) + 0.5) * size[1] / BLOCKS
    centre_y = (np.arange(BLOCKS) + 0.5) * size[0] / BLOCKS
    x, y = (a.ravel() for a in np.meshgrid(centre_x, centre_y))
    moved = np.einsum("pij,jb->pib", affine, np.stack([x, y, np.ones(CELLS)]))
    pair, block = np.nonzero(np.isfinite(change))
    lost = -change[pair, block]
    half_x, half_y = moved[pair, 0, block] / 2, moved[pair, 1, block] / 2
    from_cell, from_weight = _cells(x[block] - half_x, y[block] - half_y, size)
    to_cell, to_weight = _cells(x[block] + half_x, y[block] + half_y, size)
    at = np.concatenate(
        [from_cell + CELLS * (i[pair] // WINDOW), to_cell + CELLS * (j[pair] // WINDOW)]
    )
    row = np.concatenate([-from_weight, to_weight])
    sd = READING_SD + READING_SD_LAG * (j - i)[pair]
    least = 1 / sd**2 / SHARED
    total = CELLS * maps
    wide = min(int((at.max(0) - at.min(0)).max()), total - 1)
    wide = max(wide, min(CELLS, total - 1))
    first, second = np.triu_indices(8)
    low = np.minimum(at[first], at[second])
    apart = np.maximum(at[first], at[second]) - low
    product = row[first] * row[second]
    product[(first != second)[:, None] & (apart == 0)] *= 2
    key = (apart * total + low).ravel()
    d = np.zeros(total)
    weight = least
    for turn in range(TURNS):
        band: NDArray[Any] = np.bincount(key, (product * weight).ravel(), (wide + 1) * total)
        band = band.reshape(wide + 1, total)
        right = np.bincount(at.ravel(), (row * (weight * lost)).ravel(), total)
        if maps > 1:
            step = d[CELLS:] - d[:-CELLS]
            hold = HOLD / STEP_SD**2 / np.sqrt(1 + (step / STEP_SD) ** 2)
            if turn == 0:
                hold = np.full(total - CELLS, 0.02 / STEP_SD**2)
            band[0, CELLS:] += hold
            band[0, :-CELLS] += hold
            band[CELLS, :-CELLS] -= hold
        # sparse, and not negative
        band[0] += np.where(d < 0, 50.0, SPARSE / (np.abs(d) + 0.05)) if turn else 0.5
        d = solveh_banded(band, right, lower=True, check_finite=False)
        off = ((row * d[at]).sum(0) - lost) / sd
        weight = least / (1 + off**2 / 3)
    out: F64 = d.reshape(maps, CELLS)
    return out


def _ring_median(maps: F64, heard: NDArray[np.bool_]) -> F64:
    """(maps, 64) median of the cells that lie as far from the middle.

    A lens is often softer towards its rim, all the way round; a smudge is not a ring.
    """
    c = (np.arange(BLOCKS) + 0.5) / (BLOCKS / 2) - 1
    radius = np.hypot(*np.meshgrid(c, c)).ravel()
    ring = np.digitize(radius, RINGS)
    out = np.zeros_like(maps)
    for k in range(len(RINGS) + 1):
        sel = ring == k
        if (sel & heard).sum() >= 4:
            out[:, sel] = np.median(maps[:, sel & heard], axis=1, keepdims=True)
    return out
