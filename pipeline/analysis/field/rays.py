"""The worth of every place a boundary may take, along rays from inside the picture.

Everything works on the evidence grid (at most 240 rows): a value says how far a pixel lies
from the surround, levels. Positions are in grid pixels, the centre of pixel (row 0, col 0)
at (0.5, 0.5).

Along each ray a table says, for every radius, how much likelier the pooled evidence is
with the boundary there than without any picture (natural logarithm): the pixels up to there
are picture, and the step there is that of a rim. A boundary is one radius for each ray, its
worth a sum over the table.

A part of a boundary is a circle (x, y, r); a flat side is one of radius FLAT_PX.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
Points = NDArray[np.floating[Any]]
Steps = NDArray[np.int32]

RAYS = 180
PER_RAY = 3  # likely places of a rim kept on a ray
FLAT_PX = 1e5  # radius of a flat side: it bows by less than 0.1 px along 240 rows

# Log likelihood ratio of one pixel, picture over surround, by g = log2(1 + evidence / unit).
# Measured on 641 blocks of 180 generated recordings: straight around the turn, level at the
# ends. The low end is half of what was measured, since the dark comes in patches.
PIXEL_TURN, PIXEL_SLOPE = 1.3, 2.7
PIXEL_LOW, PIXEL_HIGH = -0.7, 4.3
# Pixels along a ray that say the same, of the height.
PATCH_RATIO = 0.10
# Log likelihood ratio of a boundary's place by the fall of g across it, 5 px apart: measured
# on 448 blocks as RIM - (RIM - NO_RIM) * exp(-fall / FALL).
RIM, NO_RIM, FALL = 7.0, -4.0, 1.25
RAY_WEIGHT = 1 / 3  # neighbouring rays see the same: a third of them are independent
# A rim lies at half the height of its step: px of doubt, and the most that a miss may cost, nats.
PLACE_PX, PLACE_MOST = 0.8, 2.0
SLACK_PX = 2  # a part that was only guessed may lie this far from the rim
EDGE_PX = 3  # so near the frame's own edge no step can be measured
NOWHERE = -1e3  # worth of a boundary that does not hold the rays' origin


@dataclass(frozen=True)
class Table:
    """Evidence along RAYS rays from (x, y), column k at radius k px.

    exit_px: (ray,) where the ray leaves the frame. worth, guess: (ray, radius) float32, nats,
    exact and with SLACK_PX. step: (ray, radius), the rim's part of the worth, not weighted.
    level: (ray, radius) evidence at radius k + 0.5, levels. rim, rim_ray, rim_worth: (n, 2) px,
    (n,), (n,) likely places of a rim.
    """

    x: float
    y: float
    height_px: int
    width_px: int
    angle: Points
    exit_px: Points
    worth: Plane
    guess: Plane
    step: Plane
    level: Plane
    rim: Points
    rim_ray: NDArray[np.intp]
    rim_worth: Points

    def place(self, radius: Points) -> Points:
        """(ray,) radii to (ray, 2) positions, px."""
        return np.stack(
            [self.x + radius * np.cos(self.angle), self.y + radius * np.sin(self.angle)], axis=1
        )


def sample(plane: Plane, x: NDArray[Any], y: NDArray[Any]) -> Plane:
    """Bilinear values at positions (x, y); beyond the frame the edge is repeated."""
    return np.asarray(
        cv2.remap(
            plane, (x - 0.5).astype(np.float32), (y - 0.5).astype(np.float32),
            cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
        )
    )  # fmt: skip


def frame_exit(x: float, y: float, angle: Points, h: float, w: float) -> Points:
    """Distance from (x, y) inside the frame to its edge, for each angle."""
    c, s = np.cos(angle), np.sin(angle)
    with np.errstate(divide="ignore", invalid="ignore"):
        tx = np.where(np.abs(c) < 1e-12, np.inf, np.where(c > 0, (w - x) / c, -x / c))
        ty = np.where(np.abs(s) < 1e-12, np.inf, np.where(s > 0, (h - y) / s, -y / s))
    return np.asarray(np.minimum(tx, ty))


def along_neighbours(p: Plane) -> Plane:
    """Each ray averaged with its two neighbours: they share their evidence."""
    q = np.vstack([p[-1:], p, p[:1]])
    return np.asarray((q[:-2] + 2 * q[1:-1] + q[2:]) / 4, np.float32)


def cast(e: Plane, g: Plane, x: float, y: float) -> Table:
    """The table of rays from (x, y): e is the evidence in levels, g its logarithm."""
    h, w = g.shape
    angle = (np.arange(RAYS) + 0.5) * (2 * math.pi / RAYS)
    exit_px = frame_exit(x, y, angle, h, w)
    n = int(exit_px.max()) + 8
    r = np.arange(n) + 0.5
    gx, gy = x + r * np.cos(angle)[:, None], y + r * np.sin(angle)[:, None]
    p, level = along_neighbours(sample(g, gx, gy)), along_neighbours(sample(e, gx, gy))
    mean = cv2.blur(p, (3, 1), borderType=cv2.BORDER_REPLICATE)
    fall = np.zeros_like(p)
    # radius k lies between pixels k - 1 and k; the means are centred 2.5 px on either side
    fall[:, 3:-2] = mean[:, :-5] - mean[:, 5:]
    clear = np.exp(-np.maximum(fall, 0) / np.float32(FALL))
    step = (RIM - (RIM - NO_RIM) * clear).astype(np.float32)
    at = np.arange(n)[None]
    blind = (at < 4) | (at > exit_px[:, None] - EDGE_PX)
    step[blind] = 0
    pixel = np.clip(PIXEL_SLOPE * (p - PIXEL_TURN), PIXEL_LOW, PIXEL_HIGH)
    pixel[r[None] >= exit_px[:, None]] = 0
    region = np.zeros_like(p)
    region[:, 1:] = np.cumsum(pixel, axis=1)[:, :-1] / np.float32(PATCH_RATIO * h)
    wide = np.asarray(cv2.dilate(step, np.ones((1, 2 * SLACK_PX + 1), np.uint8)))
    wide[blind] = 0
    worth = np.float32(RAY_WEIGHT) * (region + step)
    guess = np.float32(RAY_WEIGHT) * (region + wide)
    worth[:, 0] = guess[:, 0] = NOWHERE
    peak = (step > 0) & (step >= cv2.dilate(step, np.ones((1, 7), np.uint8)))
    top = np.where(peak, step, 0)
    k = np.argpartition(-top, PER_RAY, axis=1)[:, :PER_RAY]
    ray, j = np.nonzero(np.take_along_axis(top, k, axis=1) > 0)
    at_px = k[ray, j].astype(np.float64)
    place = half_height(level, ray, k[ray, j])
    for offset in range(-4, 5):
        col = np.clip(k[ray, j] + offset, 1, n - 1)
        miss = np.minimum(((col - place) / PLACE_PX) ** 2 / 2, PLACE_MOST)
        worth[ray, col] -= np.nan_to_num(np.float32(RAY_WEIGHT) * miss).astype(np.float32)
    rim = np.stack([x + at_px * np.cos(angle[ray]), y + at_px * np.sin(angle[ray])], axis=1)
    return Table(
        x, y, h, w, angle, exit_px, worth.astype(np.float32), guess.astype(np.float32), step,
        level, rim, ray, top[ray, k[ray, j]].astype(np.float64),
    )  # fmt: skip


def radii(x: float, y: float, angle: Points, parts: Points) -> Points:
    """Distance from (x, y) to each part (n, 3) along each angle: (n, angle), 0 from outside it."""
    dx, dy, r = x - parts[:, :1], y - parts[:, 1:2], parts[:, 2:]
    deep = r * r - dx * dx - dy * dy
    b = dx * np.cos(angle) + dy * np.sin(angle)
    far = deep / (b + np.sqrt(np.maximum(b * b + deep, 1e-9)))
    return np.where(deep > 0, np.where(np.isfinite(far), far, 1e6), 0.0)


def steps(t: Table, radius: Points) -> Steps:
    """Radii as columns of the table."""
    k = np.rint(np.minimum(radius, t.exit_px))
    return np.clip(k, 0, t.worth.shape[1] - 1).astype(np.int32)


def summed(plane: Plane, k: Steps) -> Points:
    """Sum over the rays of a plane at columns k (..., ray)."""
    base = np.arange(RAYS, dtype=np.int32) * np.int32(plane.shape[1])
    return np.asarray(plane.ravel()[k + base].sum(axis=-1), np.float64)


def half_height(level: Plane, ray: NDArray[np.intp], k: NDArray[np.intp]) -> Points:
    """Radius at which the evidence falls through half its step at columns k of rays, or NaN."""
    n = len(ray)
    window = np.arange(-6, 6)
    # at radii k - 5.5 .. k + 5.5
    v = level[ray[:, None], np.clip(k[:, None] + window, 0, level.shape[1] - 1)]
    inner = np.minimum(v[:, :4].mean(axis=1), v[:, 2:5].max(axis=1))
    half = (inner + v[:, 8:].mean(axis=1)) / 2
    falls = (v[:, :-1] >= half[:, None]) & (v[:, 1:] < half[:, None])
    away = np.where(falls, np.abs(np.arange(11) - 5), 99)
    c = away.argmin(axis=1)
    one = np.arange(n)
    before, after = v[one, c], v[one, c + 1]
    part = np.where(before > after, (before - half) / np.maximum(before - after, 1e-6), 0.5)
    return np.where(away[one, c] < 4, k + window[c] + 0.5 + part, np.nan)


def crossing(t: Table, radius: Points, reach_px: int) -> tuple[Points, Points]:
    """Where the evidence falls through half its step beside a boundary, and that step's worth.

    radius: (ray,). Returns radii (ray,), px, NaN where there is no step within reach_px.
    """
    n = t.step.shape[1]
    row = np.arange(RAYS)
    offset = np.arange(-reach_px, reach_px + 1)
    near = np.clip(np.rint(radius).astype(int)[:, None] + offset, 6, n - 7)
    # of two like steps the nearer one
    k = near[row, (t.step[row[:, None], near] - 0.15 * np.abs(offset)).argmax(axis=1)]
    worth = t.step[row, k]
    at = half_height(t.level, row, k)
    return np.where((worth > 0) & (radius < t.exit_px - EDGE_PX), at, np.nan), worth
