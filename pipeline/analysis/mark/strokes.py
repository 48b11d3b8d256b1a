"""Strokes: light core and dark edge, the seeded warp, and their place on the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.spline import basis
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPosition

LEAST_WEIGHT = 1 / 16
"""What is fainter is no part of a stroke."""
EDGE_OVER_STEM = 0.5
"""Width of the dark edge over that of a stem: both edges cover about as much as the core."""


def two_tone(coverage: NDArray[np.float32]) -> NDArray[np.float32]:
    """Give one-tone strokes a dark edge, so that they show on white and on black.

    coverage: (row, col) float32 0..1, or (2, row, col), which is kept but padded.
    Returns (2, row, col) float32: [0] light core, [1] dark edge, padded by the edge.
    """
    import cv2

    plane = coverage if coverage.ndim == 2 else coverage.max(axis=0)
    edge_px = max(1.0, _stem_px(plane) * EDGE_OVER_STEM)
    pad = int(np.ceil(edge_px)) + 2
    if coverage.ndim == 3:
        core = np.pad(coverage[0], pad)
        dark = np.pad(coverage[1], pad)
        if float(dark.sum()) >= 0.35 * float(core.sum()) and float(core.sum()) > 0:
            return np.stack([core, dark]).astype(np.float32)
    else:
        core, dark = np.pad(plane, pad), np.zeros_like(np.pad(plane, pad))
    ink = np.maximum(core, dark)
    away_px = cv2.distanceTransform(
        (ink < 0.5).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE
    )
    ring = np.clip(edge_px + 0.5 - away_px, 0, 1) * (1 - ink)
    return np.stack([core, np.maximum(dark, ring)]).astype(np.float32)


def _stem_px(plane: NDArray[np.float32]) -> float:
    """Typical width of a stroke: from the greatest distance inside to its border."""
    import cv2

    inside = cv2.distanceTransform(
        np.pad((plane >= 0.5).astype(np.uint8), 1), cv2.DIST_L2, cv2.DIST_MASK_PRECISE
    )
    found = inside[inside > 0]
    if found.size == 0:
        return 1.0
    # across a stem the distance runs evenly from 0 to half its width: mean = width / 4;
    # an emblem's solid areas must not get an edge wider than a fourteenth of its height
    return float(min(4 * found.mean(), plane.shape[0] / 6))


KNOTS_DOWN = 5
SHAPE_STEP_S = 1.2
"""A moving mark has a new shape and strength after about this long; it glides from one to the
next."""
_WEAKER = (0.78, 0.18)  # mean and spread of the strength of a moving mark's parts
_WEAKEST = 0.5


@dataclass(frozen=True)
class Moment:
    """Which shape a mark has: of a shot, or of a moment of a recording if it moves."""

    seed: int
    shot: int = 0
    source: int = 0
    time_s: float | None = None


def shape_knots(moment: Moment, mark: int, aspect: float) -> NDArray[np.float32]:
    """How a mark is bent, and how strong its parts are, on a coarse grid over its frame.

    Dekel, Rubinstein, Liu, Freeman, 'On the effectiveness of visible watermarks', CVPR
    2017, section 5: random sub-pixel warps of the mark per picture keep it from being solved for.
    aspect: width / height of the mark. Knots lie about half its height apart.
    Returns (KNOTS_DOWN, k, 3) float32: [..., 0] across and [..., 1] down, root mean square about 1;
    [..., 2] strength 0..1. A still mark has full strength and the shape of its shot. That of a
    moving one glides along a uniform cubic B-spline from seeded shape to seeded shape.
    """
    across = max(5, round(2 * aspect) + 3)
    if moment.time_s is None:
        out = _drawn_knots((moment.seed, moment.shot, mark), across).copy()
        out[..., 2] = 1.0
        return out
    past = moment.time_s / SHAPE_STEP_S
    first = math.floor(past)
    weights = np.array(basis(past - first), np.float32)
    near = _near_knots((moment.seed, moment.source, mark), first, across)
    # independent shapes: the sum of the squares keeps the size
    out = np.dot(weights / np.sqrt(np.square(weights).sum()), near).reshape(KNOTS_DOWN, across, 3)
    out[..., 2] = np.clip(_WEAKER[0] + _WEAKER[1] * out[..., 2], _WEAKEST, 1)
    return np.asarray(out, np.float32)


@lru_cache(maxsize=32)
def _near_knots(seed: tuple[int, int, int], first: int, across: int) -> NDArray[np.float32]:
    """The four shapes that a moment lies between, one a row."""
    near = [_drawn_knots((*seed, first + k + 1), across) for k in range(4)]
    return np.stack(near).reshape(4, -1)


@lru_cache(maxsize=64)
def _drawn_knots(seed: tuple[int, ...], across: int) -> NDArray[np.float32]:
    sequence = np.random.SeedSequence([part & 0xFFFFFFFFFFFFFFFF for part in seed])
    return np.random.default_rng(sequence).standard_normal((KNOTS_DOWN, across, 3), np.float32)


@dataclass(frozen=True)
class Strokes:
    """Pixels under the strokes of all marks of a group, in raster order per mark.

    row, col: (n,) integers. weight: (n,) float32, -1 (all dark) .. 1 (all light).
    mark: (n,) intp, which mark.
    """

    row: NDArray[np.signedinteger[Any]]
    col: NDArray[np.signedinteger[Any]]
    weight: NDArray[np.float32]
    mark: NDArray[np.intp]
    marks: int

    @property
    def core(self) -> NDArray[np.bool_]:
        """Pixels at least half covered: those that count for visibility.

        On a picture so small that hardly a pixel is (a stem under a pixel), the stronger half.
        """
        size = np.abs(self.weight)
        found = size >= 0.5
        if size.size and np.count_nonzero(found) / size.size < 0.1:
            found = size >= np.median(size)
        return np.asarray(found)


def ink_of(tones: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light less dark ink of tones (2, row, col) from `two_tone`: (row, col), -1..1."""
    return np.asarray(tones[0] - tones[1])


def render(
    ink: NDArray[np.float32],
    positions: list[MarkPosition],
    field: FieldSpan,
    size_px: tuple[int, int],
    warp_px: float,
    moment: Moment,
    reduced: dict[tuple[int, int], NDArray[np.float32]] | None = None,
) -> Strokes:
    """Place the strokes on a picture.

    ink: from `ink_of`. size_px: (rows, cols) of the picture. warp_px: at
    1080 rows; it scales with the picture. Parts outside the picture are dropped.
    reduced: ink averaged down for earlier calls; kept here so that moving is cheap.
    """
    rows: list[NDArray[np.int32]] = []
    cols: list[NDArray[np.int32]] = []
    weights: list[NDArray[np.float32]] = []
    reduced = {} if reduced is None else reduced
    aspect = ink.shape[1] / ink.shape[0]
    for number, position in enumerate(positions):
        wide_px = position.width_ratio * field.radius_px
        patch, left, top = _place(
            _reduced(ink, wide_px, reduced),
            field.pixel(position.x, position.y),
            wide_px,
            position.angle_deg,
            warp_px * size_px[0] / 1080.0,
            shape_knots(moment, number, aspect),
        )
        flat = patch.ravel()
        on = np.flatnonzero(np.abs(flat) >= LEAST_WEIGHT)
        value = flat[on]
        on = on.astype(np.int32)
        r = on // np.int32(patch.shape[1])
        c = on - r * np.int32(patch.shape[1])
        r += np.int32(top)
        c += np.int32(left)
        right, bottom = left + patch.shape[1], top + patch.shape[0]
        if left < 0 or top < 0 or bottom > size_px[0] or right > size_px[1]:
            keep = (r >= 0) & (c >= 0) & (r < size_px[0]) & (c < size_px[1])
            r, c, value = r[keep], c[keep], value[keep]
        rows.append(r)
        cols.append(c)
        weights.append(value)
    marks = np.repeat(np.arange(len(positions)), [r.size for r in rows])
    return Strokes(
        np.concatenate(rows), np.concatenate(cols), np.concatenate(weights), marks, len(positions)
    )


def _reduced(
    ink: NDArray[np.float32], wide_px: float, kept: dict[tuple[int, int], NDArray[np.float32]]
) -> NDArray[np.float32]:
    """Average a large raster down: sampling it sparsely would drop thin strokes."""
    import cv2

    high, wide = ink.shape
    scale = wide_px / wide * 1.3
    if scale > 0.9:
        return ink
    small = (max(4, round(wide * scale)), max(4, round(high * scale)))
    if small not in kept:
        if len(kept) > 8:
            kept.clear()
        kept[small] = np.asarray(cv2.resize(ink, small, interpolation=cv2.INTER_AREA))
    return kept[small]


def _place(
    ink: NDArray[np.float32],
    centre_px: tuple[float, float],
    wide_px: float,
    angle_deg: float,
    warp_px: float,
    knots: NDArray[np.float32],
) -> tuple[NDArray[np.float32], int, int]:
    """One mark at a sub-pixel place: (row, col) patch and its left and top pixel.

    Drawn anew for every picture of a moving mark: what can be is done on rows, columns and knots.
    """
    import cv2

    high, wide = ink.shape
    high_px = wide_px * high / wide
    finer = wide / wide_px
    turn = math.radians(angle_deg)
    cos, sin = math.cos(turn) * finer, math.sin(turn) * finer
    half_x = (abs(cos) * wide_px + abs(sin) * high_px) / 2 / finer + 3 * warp_px + 2
    half_y = (abs(sin) * wide_px + abs(cos) * high_px) / 2 / finer + 3 * warp_px + 2
    left, top = math.floor(centre_px[0] - half_x), math.floor(centre_px[1] - half_y)
    right, bottom = math.ceil(centre_px[0] + half_x), math.ceil(centre_px[1] + half_y)
    x = (np.arange(left, right) + 0.5 - centre_px[0]).astype(np.float32)
    y = (np.arange(top, bottom) + 0.5 - centre_px[1]).astype(np.float32)[:, None]
    bent = knots.copy()
    bent[..., 0] = warp_px * (cos * knots[..., 0] + sin * knots[..., 1])
    bent[..., 1] = warp_px * (cos * knots[..., 1] - sin * knots[..., 0])
    fine = cv2.resize(bent, (right - left, bottom - top), interpolation=cv2.INTER_LINEAR)
    from_x = fine[..., 0] + (cos * x + np.float32(wide / 2 - 0.5))
    from_x += sin * y
    from_y = fine[..., 1] + (cos * y + np.float32(high / 2 - 0.5))
    from_y -= sin * x
    patch = np.asarray(cv2.remap(ink, from_x, from_y, cv2.INTER_LINEAR), np.float32)
    patch *= fine[..., 2]
    return patch, left, top
