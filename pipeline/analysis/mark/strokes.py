"""Strokes: light core and dark edge, the seeded warp, and their place on the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPosition

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


def warp_field(
    shape: tuple[int, int], seed: int, size_px: float, reach_px: float
) -> NDArray[np.float32]:
    """A smooth random displacement, as a published defence against mark removal asks for.

    Dekel, Rubinstein, Liu, Freeman, 'On the effectiveness of visible watermarks', CVPR
    2017, section 5: random sub-pixel warps of the mark per picture keep it from
    being solved for.
    shape: (row, col). size_px: root mean square of the displacement. reach_px: distance over
    which it changes.
    Returns (2, row, col) float32: [0] across, [1] down, px.
    """
    import cv2

    rng = np.random.default_rng(seed)
    rows = max(4, round(shape[0] / reach_px) + 3)
    cols = max(4, round(shape[1] / reach_px) + 3)
    out = np.empty((2, *shape), np.float32)
    for axis in range(2):
        knots = rng.standard_normal((rows, cols)).astype(np.float32)
        # cut the border knots away: the ends would move less than the middle
        fine = cv2.resize(knots, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
        rms = float(np.sqrt(np.mean(np.square(fine))))
        out[axis] = fine * (size_px / max(rms, 1e-6))
    return out


@dataclass(frozen=True)
class Strokes:
    """Pixels under the strokes of all marks of a group, in raster order per mark.

    row, col: (n,) intp. weight: (n,) float32, -1 (all dark) .. 1 (all light).
    mark: (n,) intp, which mark.
    """

    row: NDArray[np.intp]
    col: NDArray[np.intp]
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
        if size.size and found.mean() < 0.1:
            found = size >= np.median(size)
        return np.asarray(found)


def seed_of(seed: int, shot: int, mark: int) -> int:
    """Seed of one mark in one shot of one release."""
    return int(np.random.SeedSequence([seed & 0xFFFFFFFFFFFFFFFF, shot, mark]).generate_state(1)[0])


def render(
    tones: NDArray[np.float32],
    positions: list[MarkPosition],
    field: FieldSpan,
    size_px: tuple[int, int],
    warp_px: float,
    seed: int,
    shot: int,
    reduced: dict[tuple[int, int], NDArray[np.float32]] | None = None,
) -> Strokes:
    """Place the strokes on a picture.

    tones: (2, row, col) from `two_tone`. size_px: (rows, cols) of the picture. warp_px: at
    1080 rows; it scales with the picture. Parts outside the picture are dropped.
    reduced: tones averaged down for earlier calls; kept here so that moving is cheap.
    """
    rows: list[NDArray[np.intp]] = []
    cols: list[NDArray[np.intp]] = []
    weights: list[NDArray[np.float32]] = []
    marks: list[NDArray[np.intp]] = []
    reduced = {} if reduced is None else reduced
    for number, position in enumerate(positions):
        wide_px = position.width_ratio * field.radius_px
        patch, left, top = _place(
            _reduced(tones, wide_px, reduced),
            field.pixel(position.x, position.y),
            wide_px,
            position.angle_deg,
            warp_px * size_px[0] / 1080.0,
            seed_of(seed, shot, number),
        )
        weight = patch[0] - patch[1]
        r, c = np.nonzero(np.abs(weight) >= 1 / 16)
        value = weight[r, c]
        r, c = r + top, c + left
        keep = (r >= 0) & (c >= 0) & (r < size_px[0]) & (c < size_px[1])
        rows.append(r[keep].astype(np.intp))
        cols.append(c[keep].astype(np.intp))
        weights.append(value[keep].astype(np.float32))
        marks.append(np.full(int(keep.sum()), number, np.intp))
    return Strokes(
        np.concatenate(rows),
        np.concatenate(cols),
        np.concatenate(weights),
        np.concatenate(marks),
        len(positions),
    )


def _reduced(
    tones: NDArray[np.float32], wide_px: float, kept: dict[tuple[int, int], NDArray[np.float32]]
) -> NDArray[np.float32]:
    """Average a large raster down: sampling it sparsely would drop thin strokes."""
    import cv2

    high, wide = tones.shape[-2:]
    scale = wide_px / wide * 1.3
    if scale > 0.9:
        return tones
    small = (max(4, round(wide * scale)), max(4, round(high * scale)))
    if small not in kept:
        if len(kept) > 8:
            kept.clear()
        kept[small] = np.stack([cv2.resize(t, small, interpolation=cv2.INTER_AREA) for t in tones])
    return kept[small]


def _place(
    tones: NDArray[np.float32],
    centre_px: tuple[float, float],
    wide_px: float,
    angle_deg: float,
    warp_px: float,
    seed: int,
) -> tuple[NDArray[np.float32], int, int]:
    """One mark at a sub-pixel place: (2, row, col) patch and its left and top pixel."""
    import cv2

    high, wide = tones.shape[-2:]
    across, down = tones.shape[-1] / wide_px, tones.shape[-2] / (wide_px * high / wide)
    turn = np.deg2rad(angle_deg)
    cos, sin = float(np.cos(turn)), float(np.sin(turn))
    high_px = wide_px * high / wide
    half_x = (abs(cos) * wide_px + abs(sin) * high_px) / 2 + 3 * warp_px + 2
    half_y = (abs(sin) * wide_px + abs(cos) * high_px) / 2 + 3 * warp_px + 2
    left, top = int(np.floor(centre_px[0] - half_x)), int(np.floor(centre_px[1] - half_y))
    right, bottom = int(np.ceil(centre_px[0] + half_x)), int(np.ceil(centre_px[1] + half_y))
    x = np.arange(left, right, dtype=np.float32)[None, :] + 0.5 - centre_px[0]
    y = np.arange(top, bottom, dtype=np.float32)[:, None] + 0.5 - centre_px[1]
    if warp_px > 0:
        shift = warp_field((bottom - top, right - left), seed, warp_px, max(6.0, high_px / 2))
        x, y = x + shift[0], y + shift[1]
    from_x = ((cos * x + sin * y) * across + tones.shape[-1] / 2 - 0.5).astype(np.float32)
    from_y = ((cos * y - sin * x) * down + tones.shape[-2] / 2 - 0.5).astype(np.float32)
    patch = np.stack([cv2.remap(t, from_x, from_y, cv2.INTER_LINEAR) for t in tones])
    return patch, left, top
