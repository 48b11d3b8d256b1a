"""Blocks of the field: where they lie, how they move, and the places made of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.pairs import BLOCKS

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

CELLS = BLOCKS * BLOCKS
RINGS = (0.5, 0.8)


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


def block_px(size: tuple[int, int]) -> F64:
    """Width and height of a block in px."""
    return np.array([size[1], size[0]]) / BLOCKS


def _centres(size: tuple[int, int]) -> F64:
    """(2, 64) x, y of the middle of each block in px."""
    c = np.arange(BLOCKS) + 0.5
    x, y = np.meshgrid(c, c)
    return np.stack([x.ravel(), y.ravel()]) * block_px(size)[:, None]


def displacements(affine: F64, size: tuple[int, int]) -> F64:
    """(p, 2, 64) x, y in px of the motion at the middle of each block."""
    out: F64 = affine @ np.concatenate([_centres(size), np.ones((1, CELLS))])
    return out


def cells(shift: F64, size: tuple[int, int]) -> tuple[I64, F32]:
    """(4, p, 64) grid cells around the blocks moved by shift (p, 2, 64), bilinear weights."""
    at = (_centres(size) + shift) / block_px(size)[:, None] - 0.5
    at = np.clip(at, 0, BLOCKS - 1 - 1e-6)
    whole = at.astype(np.int64)
    (ax, ay), (ix, iy) = (at - whole).transpose(1, 0, 2), whole.transpose(1, 0, 2)
    cell = iy * BLOCKS + ix
    return (
        np.stack([cell, cell + 1, cell + BLOCKS, cell + BLOCKS + 1]),
        np.stack([(1 - ax) * (1 - ay), ax * (1 - ay), (1 - ax) * ay, ax * ay]).astype(np.float32),
    )


def at_places(at: tuple[I64, F32], part: slice, shape: F64) -> F32:
    """(p, 64, k) how far each block of the pairs in `part` lies in each place, 0..1."""
    cell, weight = at[0][:, part], at[1][:, part]
    spread = np.zeros((cell.shape[1] * CELLS, CELLS), np.float32)
    row = np.arange(len(spread))
    for c, w in zip(cell, weight, strict=True):
        spread[row, c.ravel()] = w.ravel()
    out = spread @ shape.T.astype(np.float32)
    return out.reshape(cell.shape[1], CELLS, len(shape))


def ring_of_cells() -> I64:
    """(64,) number of the ring of each cell, from the middle."""
    c = (np.arange(BLOCKS) + 0.5) / (BLOCKS / 2) - 1
    out: I64 = np.digitize(np.hypot(*np.meshgrid(c, c)).ravel(), RINGS)
    return out


def without_rim(change: F64, weight: F64, from_at: tuple[I64, F32], to_at: tuple[I64, F32]) -> F64:
    """(p, 64) change that a lens makes which is softer towards its rim, all the way round."""
    ring = np.eye(len(RINGS) + 1)[ring_of_cells()]
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
