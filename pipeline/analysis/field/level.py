"""The surround's level, from the frame's border: what is dark, flat and still there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.rays import Plane, Points

CELL_PX = 8  # side of the cells that are looked at
DARK_LEVEL = 90.0  # levels: brighter cells are no surround


@dataclass(frozen=True)
class Surround:
    """What lies outside the field.

    level: (row, col, 3) float32, 0..255, a plane per channel.
    more: further flat levels at the border (bars, panels), each (3,) float32 with
    its mask (row, col) uint8, 255 where it may apply; own is then the mask of `level`.
    noise: standard deviation of the pooled evidence in the surround, levels.
    share_ratio: part of the frame that looks like it, 0..1.
    seeds_ratio: part of the frame's border cells that look like it, 0..1.
    """

    level: Plane
    noise: float
    share_ratio: float
    seeds_ratio: float
    own: NDArray[np.uint8] | None = None
    more: tuple[tuple[Plane, NDArray[np.uint8]], ...] = ()


def highest(rgb: NDArray[Any]) -> NDArray[Any]:
    """Highest of the three channels, (row, col, 3) -> (row, col)."""
    r, g, b = cv2.split(rgb)
    return np.asarray(cv2.max(cv2.max(r, g), b))


def find_surround(mean_rgb: Plane, motion: Plane | None) -> Surround | None:
    """Surround estimated from the frame's border: dark, flat and still.

    mean_rgb: (row, col, 3) float32, mean over the samples. motion: (row, col)
    float32, mean absolute difference between samples, or None for one sample.
    Returns None if nothing at the border looks like a surround.
    """
    h, w = mean_rgb.shape[:2]
    rows, cols = h // CELL_PX, w // CELL_PX
    if rows < 4 or cols < 4:
        return None
    # whole cells only: up to 7 px at the right and at the bottom are left out
    high, wide = rows * CELL_PX, cols * CELL_PX
    size = (cols, rows)
    mean = cv2.resize(mean_rgb[:high, :wide], size, interpolation=cv2.INTER_AREA).astype(np.float64)
    grey = highest(mean_rgb)[:high, :wide]
    first = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    second = cv2.resize(cv2.multiply(grey, grey), size, interpolation=cv2.INTER_AREA)
    std = np.sqrt(np.maximum(second - first * first, 0)).astype(np.float64)
    top = mean.max(axis=2)
    calm = (top < DARK_LEVEL) & (std < 2.0 + 0.03 * top)
    still = np.zeros_like(top)
    if motion is not None:
        still = cv2.resize(
            motion[:high, :wide], size, interpolation=cv2.INTER_AREA
        ).astype(np.float64)
        calm &= still < 3.0 + 0.03 * top
    border = np.zeros_like(calm)
    border[0], border[-1], border[:, 0], border[:, -1] = True, True, True, True
    seeds = calm & border
    if seeds.sum() < 2:
        return None
    levels = top[seeds]
    # the level that most border cells share; the darker one where two are alike
    near = np.abs(levels[:, None] - levels[None, :]) < 3.0
    # a flat and still cell counts more than dark tissue, the frame's corners most
    trust = 1.0 / ((0.5 + std) * (0.5 + still))
    trust[:2, :2] *= 3
    trust[:2, -2:] *= 3
    trust[-2:, :2] *= 3
    trust[-2:, -2:] *= 3
    votes = (near * trust[seeds][None]).sum(axis=1) * (1 - 0.002 * levels)
    mode = float(np.median(levels[near[int(np.argmax(votes))]]))
    like = calm & (np.abs(top - mode) < 12.0)
    _, label = cv2.connectedComponents(like.astype(np.uint8), connectivity=8)
    kept = np.unique(label[like & border & (np.abs(top - mode) < 5.0)])
    region = np.isin(label, kept[kept > 0])
    if region.sum() < 2:
        return None
    yc, xc = np.nonzero(region)
    values = mean[region]
    base = np.median(values[np.abs(top[region] - mode) < 5.0], axis=0)
    level = np.broadcast_to(base.astype(np.float32), mean_rgb.shape)
    near_edge = (yc < 2) | (yc >= rows - 2) | (xc < 2) | (xc >= cols - 2)
    yc, xc, values = yc[near_edge], xc[near_edge], values[near_edge]
    if yc.size >= 24 and np.ptp(xc) > cols * 0.6 and np.ptp(yc) > rows * 0.6:
        design = np.stack([np.ones(xc.size), xc / cols - 0.5, yc / rows - 0.5], axis=1)
        weight = np.ones(xc.size)
        # a slope that ends at black: what lies at the floor does not tell the slope
        floor = np.percentile(values, 2, axis=0)
        above = (values > floor + 0.7).any(axis=1)
        if 0.3 < above.mean() < 0.9 and above.sum() >= 16:
            weight[~above] = 0.01
        for _ in range(4):
            ww = weight[:, None]
            coef = np.linalg.lstsq(design * ww, values * ww, rcond=None)[0]
            miss = np.abs(values - np.maximum(design @ coef, floor)).max(axis=1)
            weight = np.where(weight < 0.02, 0.01, 1.0 / (1.0 + (miss / 1.0) ** 2))
        flat = np.abs(values - base).max(axis=1)
        # half of the cells may lie at the floor: judge by the quarter that differs most
        better = np.median(miss) < 0.5 * np.median(flat) or (
            np.percentile(miss, 85) < 0.5 * np.percentile(flat, 85)
            and np.percentile(miss, 85) < 1.5
        )
        if np.abs(coef[1:]).max() > 2.0 and better:
            gy = ((np.arange(h) + 0.5) / CELL_PX - 0.5) / rows - 0.5
            gx = ((np.arange(w) + 0.5) / CELL_PX - 0.5) / cols - 0.5
            level = np.maximum(
                coef[0] + coef[1] * gx[None, :, None] + coef[2] * gy[:, None, None], floor
            ).astype(np.float32)
    noise = float(np.median(std[region]))
    own: NDArray[np.uint8] | None = None
    more: tuple[tuple[Plane, NDArray[np.uint8]], ...] = ()
    if motion is not None:
        cells = cv2.resize(level[:high, :wide], size, interpolation=cv2.INTER_AREA)
        core = region & (np.abs(mean - cells).max(axis=2) < 3.0)
        if core.any():
            own, more = _more_levels(mean, std, still, core, border, (h, w))
    return Surround(
        level=np.clip(level, 0, 255),
        noise=noise,
        share_ratio=float(region.mean()),
        seeds_ratio=float(seeds.sum() / border.sum()),
        own=own,
        more=more,
    )


def _is_drawn(part: NDArray[np.bool_], share: float) -> bool:
    """Do these cells fill, or lie around, a rectangle, as a bar or a window's ground does?

    share: least part of the frame that the rectangle takes. Its sides inside the
    frame must be straight: cells along at least half of each.
    """
    points = np.argwhere(part).astype(np.int32)
    low, high = points.min(axis=0), points.max(axis=0)
    size = high - low + 1
    corners = np.concatenate([points + np.array(at) for at in ((0, 0), (0, 1), (1, 0), (1, 1))])
    hull = cv2.contourArea(cv2.convexHull(corners.astype(np.int32)))
    if hull < 0.93 * size.prod() or size.prod() < share * part.size:
        return False
    box = part[low[0] : high[0] + 1, low[1] : high[1] + 1]
    inside = (low[0] > 0, high[0] < part.shape[0] - 1, low[1] > 0, high[1] < part.shape[1] - 1)
    # a row that the edge runs through may not look flat: the next one then
    sides = [box[:2].any(axis=0), box[-2:].any(axis=0), box[:, :2].any(axis=1),
             box[:, -2:].any(axis=1)]
    return all(not own or side.mean() >= 0.5 for own, side in zip(inside, sides, strict=True))


def _more_levels(
    mean: Points, std: Points, still: Points, region: NDArray[np.bool_],
    border: NDArray[np.bool_], size: tuple[int, int],
) -> tuple[NDArray[np.uint8] | None, tuple[tuple[Plane, NDArray[np.uint8]], ...]]:
    """Bars and panels at the border whose level is not that of the surround.

    mean: (row, col, 3) of cells; std, still: (row, col); region: cells of the
    surround. A panel is drawn, not seen: flatter and stiller than any tissue. The
    picture between the panels is measured from the level that most of its
    neighbours have, a cell that touches two levels from the nearer one.
    """
    calm = (std < 1.5 * float(np.median(std[region])) + 0.9) & (
        still < max(1.3 * float(np.median(still[region])) + 0.4, 3.0)
    )
    free = calm & ~region & (mean.max(axis=2) < DARK_LEVEL)
    if float(np.percentile(still, 95)) < 1.5:
        # nothing moves: what is drawn cannot be told from what is seen
        return None, ()
    found: list[tuple[Points, NDArray[np.bool_]]] = []
    known = region
    for _ in range(4):
        # at the frame's border, or within what is known already
        nested = not (free & border).sum() >= 3
        around = cv2.dilate(known.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        seeds = free & (around if nested else border)
        if seeds.sum() < 3:
            break
        values = mean[seeds]
        near = np.abs(values[:, None] - values[None]).max(axis=2) < 2.5
        level = np.median(values[near[int(near.sum(axis=1).argmax())]], axis=0)
        like = free & (np.abs(mean - level).max(axis=2) < 2.5)
        _, label = cv2.connectedComponents(like.astype(np.uint8), connectivity=4)
        kept = np.unique(label[like & seeds])
        part = np.isin(label, kept[kept > 0])
        spread = float(np.abs(mean[part] - level).mean()) if part.any() else 9.0
        drawn = part.sum() >= max(6, 0.02 * part.size) and spread < 1.2
        if drawn and _is_drawn(part, 0.2 if nested else 0.04):
            found.append((level, part))
            known = known | part
        free &= ~(like | part)
    if not found:
        return None, ()
    base = np.median(mean[region], axis=0)
    parts = [(base, region), *found]
    any_level = np.logical_or.reduce([part for _, part in parts])
    _, label = cv2.connectedComponents((~any_level).astype(np.uint8), connectivity=4)
    square = np.ones((3, 3), np.uint8)
    allowed = [cv2.dilate(part.astype(np.uint8), square) > 0 for _, part in parts]
    for k in range(1, int(label.max()) + 1):
        here = label == k
        rim = cv2.dilate(here.astype(np.uint8), square) > 0
        touching = [int((part & rim).sum()) for _, part in parts]
        allowed[int(np.argmax(touching))] |= here
    h, w = size
    rows, cols = region.shape
    pad = ((0, h - rows * CELL_PX), (0, w - cols * CELL_PX))
    masks = [
        np.asarray(
            np.pad(np.kron(a, np.full((CELL_PX, CELL_PX), 255, np.uint8)), pad, mode="edge"),
            np.uint8,
        )
        for a in allowed
    ]
    more = tuple(
        (np.asarray(level, np.float32), mask)
        for (level, _), mask in zip(found, masks[1:], strict=True)
    )
    return masks[0], more
