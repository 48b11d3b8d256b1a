"""One scope field from one pooled picture: circle cut by a box, outline, or none.

Everything here works on the evidence grid: a picture of at most 240 rows in
which a value says how far a pixel lies from the surround (0 = surround).
Positions are in grid pixels, the centre of pixel (row 0, col 0) at (0.5, 0.5).

Long because its rules lean on each other: parted they would hide that one model should take
their place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.level import Plane, Points
from pipeline.model.field import Shape

N_RAYS = 180
N_PER_RAY = 3
N_HYPOTHESES = 200
TOLERANCE_RATIO = 0.01
SHARP_RATIO = 0.42
OUTER_RATIO = 0.52


@dataclass(frozen=True)
class Fit:
    """A field on the evidence grid, with the reasons for its confidence."""

    shape: Shape
    x: float
    y: float
    r: float
    box: tuple[float, float, float, float]
    outline: Points | None
    confidence: float
    parts: dict[str, float] = field(default_factory=dict)


# --- rays -------------------------------------------------------------------


@dataclass(frozen=True)
class _Rays:
    """Edge candidates on rays from (x, y): radius and weight, (ray, candidate)."""

    x: float
    y: float
    angle: Points
    exit_px: Points
    radius: Points
    weight: Points
    px: Points
    py: Points


def ray_exit(x: float, y: float, angle: Points, box: tuple[float, float, float, float]) -> Points:
    """Distance from (x, y) inside a box to its side, for each angle."""
    c, s = np.cos(angle), np.sin(angle)
    left, top, right, bottom = box
    with np.errstate(divide="ignore", invalid="ignore"):
        tx = np.where(c > 0, (right - x) / c, (left - x) / c)
        ty = np.where(s > 0, (bottom - y) / s, (top - y) / s)
    tx = np.where(np.abs(c) < 1e-12, np.inf, tx)
    ty = np.where(np.abs(s) < 1e-12, np.inf, ty)
    return np.asarray(np.minimum(tx, ty))


def sample(plane: Plane, x: NDArray[Any], y: NDArray[Any]) -> Plane:
    """Bilinear values at positions (x, y); beyond the frame the edge is repeated."""
    return np.asarray(
        cv2.remap(
            plane,
            (x - 0.5).astype(np.float32),
            (y - 0.5).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _cast(log_e: Plane, x: float, y: float, limit: float) -> _Rays:
    h, w = log_e.shape
    angle = (np.arange(N_RAYS) + 0.5) * (2 * math.pi / N_RAYS)
    exit_px = ray_exit(x, y, angle, (0.0, 0.0, float(w), float(h)))
    n = int(exit_px.max()) + 2
    r = np.arange(n, dtype=np.float64) + 0.5
    gx = x + r[None, :] * np.cos(angle)[:, None]
    gy = y + r[None, :] * np.sin(angle)[:, None]
    p = sample(log_e, gx, gy)
    inside = r[None, :] < exit_px[:, None] - 0.5
    b = cv2.blur(p, (3, 1), borderType=cv2.BORDER_REPLICATE)
    drop = np.zeros_like(p)
    drop[:, 2:-2] = b[:, :-4] - b[:, 4:]
    lit = ((p > limit) & inside).astype(np.float32)
    beyond = np.cumsum(lit[:, ::-1], axis=1)[:, ::-1]
    left = np.cumsum(inside[:, ::-1], axis=1)[:, ::-1]
    out = np.zeros_like(p)
    out[:, :-4] = beyond[:, 4:] / np.maximum(left[:, 4:], 6.0)
    weight = np.clip(drop, 0, 4) * (1 - out) ** 2
    peak = (drop >= cv2.dilate(drop, np.ones((1, 9), np.uint8))) & (drop > 0.7)
    peak &= inside & (r[None, :] > 4)
    score = np.where(peak, weight, 0)
    row = np.arange(N_RAYS)
    k = np.zeros((N_RAYS, N_PER_RAY), int)
    ww = np.zeros((N_RAYS, N_PER_RAY))
    for j in range(N_PER_RAY):
        k[:, j] = score.argmax(axis=1)
        ww[:, j] = score[row, k[:, j]]
        score[row, k[:, j]] = 0
    rr = r[k]
    px = x + rr * np.cos(angle)[:, None]
    py = y + rr * np.sin(angle)[:, None]
    return _Rays(x, y, angle, exit_px, rr, ww, px, py)


def circle_through(p: Points) -> Points:
    """Circles through three points each: (n, 3, 2) -> (n, 3) x, y, r; NaN if in line."""
    a, b, c = p[:, 0], p[:, 1], p[:, 2]
    d = 2 * ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
    d = np.where(np.abs(d) < 1e-9, np.nan, d)
    b2 = ((b - a) ** 2).sum(axis=1)
    c2 = ((c - a) ** 2).sum(axis=1)
    ux = ((c[:, 1] - a[:, 1]) * b2 - (b[:, 1] - a[:, 1]) * c2) / d
    uy = ((b[:, 0] - a[:, 0]) * c2 - (c[:, 0] - a[:, 0]) * b2) / d
    return np.stack([a[:, 0] + ux, a[:, 1] + uy, np.hypot(ux, uy)], axis=1)


def fit_circle(
    x: Points, y: Points, weight: Points, start: tuple[float, float, float], scale_px: float
) -> tuple[float, float, float]:
    """Least geometric distance circle with Cauchy weights (Gauss-Newton).

    x, y, weight: (n,) points and their weights; start: x, y, r; scale_px: the
    distance at which a point counts half.
    """
    cx, cy, r = start
    for _ in range(8):
        dx, dy = x - cx, y - cy
        rho = np.maximum(np.hypot(dx, dy), 1e-6)
        miss = rho - r
        u = weight / (1 + (miss / scale_px) ** 2)
        j = np.stack([dx / rho, dy / rho, np.ones_like(rho)], axis=1)
        a = (j * u[:, None]).T @ j + np.eye(3) * 1e-6
        step = np.linalg.solve(a, (j * u[:, None]).T @ miss)
        cx, cy, r = cx + step[0], cy + step[1], r + step[2]
        if np.abs(step).max() < 4e-3:
            break
    return float(cx), float(cy), float(r)


def _without_lines(rays: _Rays) -> _Rays:
    """The rays without the points that share a row or a column: the arcs are left."""
    weight = rays.weight.copy()
    first = rays.weight[:, 0] > 0.5
    px, py = rays.px[:, 0], rays.py[:, 0]
    dx, dy = px - rays.x, py - rays.y
    for value, ahead in ((px, -dx), (py, -dy), (px, dx), (py, dy)):
        use = first & (ahead > 0.3 * np.hypot(px - rays.x, py - rays.y))
        if use.sum() < 8:
            continue
        v = value[use]
        count = (np.abs(v[:, None] - v[None, :]) < 2.0).sum(axis=1)
        if count.max() < 8:
            continue
        at = np.median(v[np.abs(v - v[int(count.argmax())]) < 2.0])
        weight[use & (np.abs(value - at) < 2.5)] = 0
    return replace(rays, weight=weight)


def _outermost(rays: _Rays) -> _Rays:
    """The rays with the farthest fair edge of each preferred to stronger ones further in."""
    fair = rays.weight > 0.4
    far = np.where(fair, rays.radius, -1.0)
    last = far.argmax(axis=1)
    weight = 0.4 * rays.weight
    row = np.flatnonzero(fair.any(axis=1))
    weight[row, last[row]] = np.maximum(rays.weight[row, last[row]], 2.0)
    return replace(rays, weight=weight)


def _score(rays: _Rays, circles: Points, sigma: float) -> Points:
    """Support of circles (n, 3) by the candidates, less the edges outside them."""
    cx, cy, r = (circles[:, k : k + 1].astype(np.float32) for k in range(3))
    near = np.zeros((len(circles), N_RAYS), np.float32)
    far = np.zeros_like(near)
    for k in range(N_PER_RAY):
        w = rays.weight[None, :, k].astype(np.float32)
        dx = rays.px[None, :, k].astype(np.float32) - cx
        dy = rays.py[None, :, k].astype(np.float32) - cy
        d = (np.sqrt(dx * dx + dy * dy) - r) / np.float32(sigma)
        np.maximum(near, w * np.maximum(1 - d * d / 5, 0), out=near)
        np.maximum(far, np.where(d > 3, w, 0), out=far)
    return np.asarray((near - 0.6 * far).sum(axis=1), np.float64)


def _best_circles(rays: _Rays, h: int, w: int) -> list[tuple[float, float, float]]:
    use = rays.weight.ravel()
    total = use.sum()
    if total <= 0 or np.count_nonzero(use) < 12:
        return []
    rng = np.random.default_rng(7)
    index = rng.choice(use.size, size=(N_HYPOTHESES * 2, 3), p=use / total)
    pts = np.stack([rays.px.ravel()[index], rays.py.ravel()[index]], axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        circles = circle_through(pts)
    diag = math.hypot(h, w)
    good = np.isfinite(circles).all(axis=1)
    good &= (circles[:, 2] > 0.12 * h) & (circles[:, 2] < 0.9 * diag)
    good &= (circles[:, 0] > -0.2 * w) & (circles[:, 0] < 1.2 * w)
    good &= (circles[:, 1] > -0.3 * h) & (circles[:, 1] < 1.3 * h)
    circles = circles[good][:N_HYPOTHESES]
    if not len(circles):
        return []
    sigma = max(1.2, 0.008 * h)
    score = _score(rays, circles, sigma)
    found: list[tuple[float, float, float]] = []
    for i in np.argsort(-score)[:24]:
        c = circles[i]
        if any(abs(c[0] - f[0]) + abs(c[1] - f[1]) + abs(c[2] - f[2]) < 4 * sigma for f in found):
            continue
        found.append((float(c[0]), float(c[1]), float(c[2])))
        if len(found) == 4:
            break
    px, py, ww = rays.px.ravel(), rays.py.ravel(), rays.weight.ravel()
    keep = ww > 0
    px, py, ww = px[keep], py[keep], ww[keep]
    out = []
    for start in found:
        near = np.abs(np.hypot(px - start[0], py - start[1]) - start[2]) < 5 * sigma
        if near.sum() >= 8:
            out.append(fit_circle(px[near], py[near], ww[near], start, sigma))
    if not out:
        return []
    final = _score(rays, np.asarray(out), sigma)
    # a few stray edges are no circle: not worth a closer look
    return [out[i] for i in np.argsort(-final) if final[i] > 16.0]


# --- model boundary ------------------------------------------------------------


def model_radius(
    x: float, y: float, r: float, box: tuple[float, float, float, float],
    from_x: float, from_y: float, angle: Points,
) -> Points:
    """Distance from an inside point to the boundary of circle and box, per angle."""
    dx, dy = from_x - x, from_y - y
    c, s = np.cos(angle), np.sin(angle)
    b = dx * c + dy * s
    disc = np.maximum(b * b - (dx * dx + dy * dy - r * r), 0)
    return np.asarray(np.minimum(-b + np.sqrt(disc), ray_exit(from_x, from_y, angle, box)))


def _inner_point(
    x: float, y: float, r: float, box: tuple[float, float, float, float]
) -> tuple[float, float]:
    left, top = max(box[0], x - r), max(box[1], y - r)
    right, bottom = min(box[2], x + r), min(box[3], y + r)
    return (left + right) / 2, (top + bottom) / 2


@dataclass(frozen=True)
class _Edge:
    """Measured edge along the model's boundary, one row per boundary point.

    part: 0 the circle, 1..4 left, top, right, bottom side inside the frame,
    -1 the frame's own edge. offset: edge found, outwards positive, NaN if none.
    """

    x: Points
    y: Points
    nx: Points
    ny: Points
    part: NDArray[np.int8]
    offset: Points
    drop: Points
    inner: Points
    outer: Points
    sharp: Points


def _boundary(
    x: float, y: float, r: float, box: tuple[float, float, float, float], h: int, w: int, n: int
) -> tuple[Points, Points, Points, Points, NDArray[np.int8]]:
    fx, fy = _inner_point(x, y, r, box)
    angle = (np.arange(n) + 0.5) * (2 * math.pi / n)
    rad = model_radius(x, y, r, box, fx, fy, angle)
    bx, by = fx + rad * np.cos(angle), fy + rad * np.sin(angle)
    on_circle = np.abs(np.hypot(bx - x, by - y) - r) < 1e-3 * max(r, 1)
    part = np.zeros(n, np.int8)
    gap = np.abs(np.stack([bx - box[0], by - box[1], bx - box[2], by - box[3]]))
    side = gap.argmin(axis=0)
    at_frame = np.array([box[0] < 0.75, box[1] < 0.75, box[2] > w - 0.75, box[3] > h - 0.75])
    part[~on_circle] = np.where(at_frame[side], -1, side + 1)[~on_circle]
    rim = np.minimum(np.minimum(bx, w - bx), np.minimum(by, h - by)) < 4
    part[on_circle & rim] = -1
    nx = np.where(on_circle, (bx - x) / r, np.array([-1.0, 0, 1, 0])[side])
    ny = np.where(on_circle, (by - y) / r, np.array([0.0, -1, 0, 1])[side])
    return bx, by, nx, ny, part


def _measure(
    e: Plane, n1: float, model: tuple[float, float, float], box: tuple[float, float, float, float],
    reach: int, n: int = 180,
) -> _Edge:
    """Half height of the steepest step across the model's boundary, within +-reach px."""
    h, w = e.shape
    return _measure_at(e, n1, _boundary(*model, box, h, w, n), reach)


def _measure_at(
    e: Plane, n1: float, boundary: tuple[Points, Points, Points, Points, NDArray[np.int8]],
    reach: int,
) -> _Edge:
    """Half height of the steepest step across boundary points, within +-reach px."""
    h, w = e.shape
    bx, by, nx, ny, part = boundary
    n = bx.size
    t = np.arange(-reach - 6, reach + 6.01, 1.0)
    gx = bx[:, None] + t[None] * nx[:, None]
    gy = by[:, None] + t[None] * ny[:, None]
    p = sample(e, gx, gy)
    # neighbours along the boundary share their evidence (3 points of 2 degrees)
    wrapped = np.vstack([p[-1:], p, p[:1]])
    p = np.asarray((wrapped[:-2] + 2 * wrapped[1:-1] + wrapped[2:]) / 4, np.float32)
    log_p = np.log2(1 + p / n1)
    b = cv2.blur(log_p, (3, 1), borderType=cv2.BORDER_REPLICATE)
    drop = b[:, 4:-8] - b[:, 8:-4]
    # centre of drop[:, j] is t[j + 6]
    tt = t[6:-6]
    inframe = (gx >= 0.5) & (gx <= w - 0.5) & (gy >= 0.5) & (gy <= h - 0.5)
    score = drop - 0.02 * np.abs(tt)[None]
    score = np.where(inframe[:, 6:-6], score, -9)
    j = score.argmax(axis=1)
    row = np.arange(n)
    best = drop[row, j]
    k = j + 6
    window = np.arange(-5, 6)
    local = p[row[:, None], np.clip(k[:, None] + window, 0, p.shape[1] - 1)]
    inner = local[:, :4].mean(axis=1)
    outer = local[:, 7:].mean(axis=1)
    inner_near = np.maximum(local[:, 1:4].max(axis=1), 1e-6)
    half = (np.minimum(inner, inner_near) + outer) / 2
    # last crossing of the half height, from inside to outside
    above = local >= half[:, None]
    cross = above[:, :-1] & ~above[:, 1:]
    distance = np.where(cross, np.abs(window[:-1] + 0.5), 99)
    c = distance.argmin(axis=1)
    v0, v1 = local[row, c], local[row, c + 1]
    frac = np.where(v0 > v1, (v0 - half) / np.maximum(v0 - v1, 1e-6), 0.5)
    offset = t[np.clip(k, 0, t.size - 1)] + window[c] + frac
    ok = (best > 0.7) & (distance[row, c] < 4) & (part >= 0)
    # a rim falls within a few pixels; a shadow or a vignette takes many more
    far = np.arange(-12, 13)
    around = p[row[:, None], np.clip(k[:, None] + far, 0, p.shape[1] - 1)]
    narrow = around[:, 9:11].mean(axis=1) - around[:, 14:16].mean(axis=1)
    wide = around[:, :11].max(axis=1) - around[:, 14:].min(axis=1)
    sharp = narrow / np.maximum(wide, 0.5 * n1)
    around = np.log2(1 + around / n1)
    narrow = around[:, 9:11].mean(axis=1) - around[:, 14:16].mean(axis=1)
    wide = around[:, :11].max(axis=1) - around[:, 14:].min(axis=1)
    sharp = np.maximum(sharp, narrow / np.maximum(wide, 0.5))
    return _Edge(
        bx, by, nx, ny, part,
        np.where(ok, offset, np.nan), best.astype(np.float64),
        np.log2(1 + inner / n1).astype(np.float64), np.log2(1 + outer / n1).astype(np.float64),
        sharp.astype(np.float64),
    )


def _find_sides(
    log_e: Plane, rays: _Rays, model: tuple[float, float, float]
) -> tuple[float, float, float, float]:
    """Stops inside the frame that cut the circle flat: straight, along the chord."""
    h, w = log_e.shape
    x, y, r = model
    sigma = max(1.2, 0.008 * h)
    first = rays.weight.argmax(axis=1)
    row = np.arange(N_RAYS)
    wt = rays.weight[row, first]
    px, py = rays.px[row, first], rays.py[row, first]
    inside = (np.hypot(px - x, py - y) < r - 1.5 * sigma) & (wt > 0.5)
    box = [0.0, 0.0, float(w), float(h)]
    for side, (value, ahead) in enumerate(
        [(px, rays.x - px), (py, rays.y - py), (px, px - rays.x), (py, py - rays.y)]
    ):
        use = inside & (ahead > 0.25 * np.hypot(px - rays.x, py - rays.y))
        if use.sum() < 5:
            continue
        v, ww = value[use], wt[use]
        grid = np.unique(np.round(v))
        support = (ww[None] * np.exp(-0.5 * ((v[None] - grid[:, None]) / sigma) ** 2)).sum(axis=1)
        best = None
        tried: list[float] = []
        for at in grid[np.argsort(-support)[:6]]:
            if any(abs(at - t) < 3 for t in tried) or len(tried) == 2:
                continue
            tried.append(float(at))
            near = np.abs(v - at) < 2 * sigma
            at = float(np.average(v[near], weights=ww[near]))
            share = _chord_support(log_e, model, side, at)
            if share >= 0.5 and _beyond(log_e, model, side, at) > 0.25:
                continue
            if share >= 0.5 and (best is None or share > best[0] + 0.05):
                best = (share, at)
        if best is not None:
            box[side] = best[1]
    return box[0], box[1], box[2], box[3]


def _beyond(log_e: Plane, model: tuple[float, float, float], side: int, at: float) -> float:
    """Part of the circle cut off by a side that is about as bright as what is left."""
    h, w = log_e.shape
    margin = 0.02 * h
    coarse = log_e[::2, ::2]

    def strip(lo: float, hi: float) -> NDArray[np.bool_]:
        box = [0.0, 0.0, float(w), float(h)]
        box[side % 2], box[side % 2 + 2] = min(lo, hi), max(lo, hi)
        # every second pixel will do
        inner = (model[0] / 2, model[1] / 2, (model[2] - margin) / 2)
        half = (box[0] / 2, box[1] / 2, box[2] / 2, box[3] / 2)
        return _disc(inner, half, coarse.shape[0], coarse.shape[1]) > 0

    out = -1.0 if side in (0, 1) else 1.0
    beyond = strip(at + out * margin, at + out * 10 * h)
    inside = strip(at - out * 2, at - out * (2 + margin))
    if beyond.sum() < 6 or not inside.any():
        return 0.0
    limit = max(1.5, 0.45 * float(np.median(coarse[inside])))
    return float((coarse[beyond] > limit).mean())


def _chord_support(
    log_e: Plane, model: tuple[float, float, float], side: int, at: float
) -> float:
    """Part of the chord along which the picture steps down to the surround."""
    h, w = log_e.shape
    x, y, r = model
    across = x if side in (0, 2) else y
    half2 = r * r - (at - across) ** 2
    if half2 <= 0:
        return 0.0
    half = math.sqrt(half2)
    middle, limit = (y, h) if side in (0, 2) else (x, w)
    lo, hi = max(middle - half, 0) + 2, min(middle + half, limit) - 2
    if hi - lo < 8:
        return 0.0
    along = np.arange(lo, hi, 2.0)
    sign = -1.0 if side in (0, 1) else 1.0
    t = np.array([-5.0, -4, -3, 3, 4, 5])
    pos = at + sign * t
    u = np.broadcast_to(along[:, None], (along.size, 6))
    v = np.broadcast_to(pos[None], (along.size, 6))
    p = sample(log_e, v, u) if side in (0, 2) else sample(log_e, u, v)
    inner, outer = p[:, :3].mean(axis=1), p[:, 3:].mean(axis=1)
    return float(((inner - outer > 0.8) & (outer < 0.6 * inner)).mean())


def without_false_stops(
    e: Plane, n1: float, model: tuple[float, float, float], box: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    """The box without the sides beyond which the circle's own rim is seen."""
    h, w = e.shape
    frame = (0.0, 0.0, float(w), float(h))
    sides = list(box)
    if sides == list(frame):
        return box
    edge = _measure(e, n1, model, frame, 4)
    hit = _stepped(edge) & (np.abs(edge.offset) < 0.006 * h)
    for k, (v, sign) in enumerate(((edge.x, -1), (edge.y, -1), (edge.x, 1), (edge.y, 1))):
        cut = (edge.part == 0) & (sign * (v - box[k]) > 3)
        if abs(box[k] - frame[k]) > 0.75 and cut.sum() >= 4 and hit[cut].mean() > 0.6:
            sides[k] = frame[k]
    return sides[0], sides[1], sides[2], sides[3]


def _refine(
    e: Plane, n1: float, model: tuple[float, float, float], box: tuple[float, float, float, float]
) -> tuple[tuple[float, float, float], tuple[float, float, float, float], _Edge]:
    h, w = e.shape
    for reach in (7, 4, 3):
        edge = _measure(e, n1, model, box, reach)
        good = np.isfinite(edge.offset)
        arc = good & (edge.part == 0)
        px, py = edge.x + edge.offset * edge.nx, edge.y + edge.offset * edge.ny
        if arc.sum() >= 12:
            weight = np.clip(edge.drop[arc], 0, 3)
            model = fit_circle(px[arc], py[arc], weight, model, 1.0)
        sides = list(box)
        for k in range(4):
            m = good & (edge.part == k + 1)
            if m.sum() >= 4:
                move = float(np.median(edge.offset[m])) * (-1 if k in (0, 1) else 1)
                sides[k] += move
        box = (
            max(sides[0], 0.0), max(sides[1], 0.0), min(sides[2], float(w)), min(sides[3], float(h))
        )
    return model, box, _measure(e, n1, model, box, 4)


# --- decision ------------------------------------------------------------------


def _ramp(value: float, zero: float, one: float) -> float:
    """0 at `zero`, 1 at `one`, smooth between."""
    u = min(max((value - zero) / (one - zero), 0.0), 1.0)
    return u * u * (3 - 2 * u)




def _outline(rays: _Rays, h: int) -> tuple[Points, Points]:
    """Closed path over the rays, through strong edges and without leaps.

    Returns radius (ray,) and weight (ray,) of the path, by dynamic programming.
    """
    rr = np.concatenate([rays.radius, rays.exit_px[:, None]], axis=1)
    ww = np.concatenate([rays.weight, np.full((N_RAYS, 1), 0.15)], axis=1)
    ww = np.where(ww > 0, ww, -1.0)
    n, k = rr.shape
    start = int(ww[:, :-1].max(axis=1).argmax())
    order = (np.arange(n) + start) % n
    cost = np.full(k, 1e9)
    first = int(ww[start, :-1].argmax())
    cost[first] = 0
    back = np.zeros((n, k), int)
    for i in range(1, n + 1):
        a, b = order[(i - 1) % n], order[i % n]
        leap = np.abs(rr[b][:, None] - rr[a][None, :]) / (0.01 * h)
        total = cost[None, :] + np.minimum(leap, 8) * 0.35
        choice = total.argmin(axis=1)
        if i < n:
            back[i] = choice
            cost = total[np.arange(k), choice] - ww[b]
        else:
            end = int(choice[first])
    path = np.zeros(n, int)
    state = end
    for i in range(n - 1, -1, -1):
        path[order[i]] = state
        state = int(back[i][state]) if i > 0 else state
    row = np.arange(n)
    return rr[row, path], np.maximum(ww[row, path], 0)


def unit_level(e: Plane, noise: float) -> float:
    """Level at which the logarithm of the evidence turns over: what counts as next to nothing.

    Noise, and the part of a bright picture that optics and codec spread around.
    """
    return max(0.8, 2.5 * noise, 0.02 * float(np.percentile(e[::3, ::3], 90)))


def lit_limit(log_e: Plane) -> float:
    """Level (log2 units) above which a pixel is lit.

    A codec smears a bright rim into the surround by a few levels, in
    proportion to the rim; so the limit rises with the picture's own level.
    """
    lit = log_e[log_e > 1.5]
    return max(1.5, 0.3 * float(np.percentile(lit, 75))) if lit.size > 50 else 1.5


def dark_corners(log_e: Plane) -> int:
    """How many corners of the frame are as dark as the surround."""
    n = 5
    corners = (log_e[:n, :n], log_e[:n, -n:], log_e[-n:, :n], log_e[-n:, -n:])
    return sum(float(c.mean()) < 1.0 for c in corners)


def fit_field(e: Plane, noise: float, near: Fit | None = None) -> Fit:
    """The field that explains the evidence.

    e: (row, col) float32, difference from the surround, levels 0..255, about 0
    in the surround. noise: standard deviation of e in the surround, levels.
    near: a field found before; kept, after refinement, if it still explains all.
    """
    h, w = e.shape
    e = np.asarray(cv2.morphologyEx(e, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)))
    n1 = unit_level(e, noise)
    log_e: Plane = np.asarray(cv2.log(1 + e / np.float32(n1))) / np.float32(math.log(2))
    limit = lit_limit(log_e[::2, ::2])
    lit = (log_e > limit).astype(np.uint8)
    share = float(lit.mean())
    ring = np.concatenate([log_e[2], log_e[-3], log_e[:, 2], log_e[:, -3]])
    border = float((ring > 1.5).mean())
    facts = {"lit": share, "border": border}
    if share < 0.01:
        return _none(h, w, 0.5, facts)
    if border > 0.93 and dark_corners(log_e) < 2:
        strength = float(np.median(np.concatenate([e[2], e[-3], e[:, 2], e[:, -3]])))
        return _none(h, w, 0.95 * _ramp(strength, 4.0, 16.0), facts)
    best: Fit | None = None
    corners: Fit | None = None
    if near is not None and near.outline is None and near.shape != "none":
        # seen before and still right
        kept = _judge_circle(log_e, n1, e, limit, None, (near.x, near.y, near.r), near.box)
        seen = kept.parts["raw_cover"] > 0.85 and kept.parts["raw_dark"] < 0.03
        seen = seen and kept.parts["stops"] < 3
        if kept.confidence > 0.95 and seen:
            return _with_doubt(kept, facts)
        if kept.shape != "other" and kept.confidence > 0.3:
            best = kept
    if near is not None and near.outline is not None and _still_there(e, n1, log_e, limit, near):
        return replace(near, parts={**near.parts, **facts})
    _, _, stats, centre = cv2.connectedComponentsWithStats(lit, connectivity=4)
    big = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    rays = _cast(log_e, float(centre[big][0]) + 0.5, float(centre[big][1]) + 0.5, limit)
    attempts = [rays, _without_lines(rays)]
    alone = [_cast(only, rays.x, rays.y, limit) for only in _alone(log_e, limit)]
    for attempt in attempts + alone:
        for model in _best_circles(attempt, h, w)[:2]:
            fit = _judge_circle(log_e, n1, e, limit, rays, model, None)
            if fit.shape == "other":
                if corners is None or fit.confidence > corners.confidence:
                    corners = fit
            elif best is None or fit.confidence > best.confidence:
                best = fit
            if fit.confidence > 0.7:
                break
        if best is not None and best.confidence > 0.9:
            break
    found = [f for f in (best, corners) if f is not None]
    if best is None or best.confidence < 0.95 or best.parts["stops"] >= 3:
        for attempt in (rays, _outermost(rays), *alone):
            other = _judge_other(e, n1, log_e, attempt, best, lit, limit)
            if other is not None:
                found.append(other)
                if other.confidence > 0.5:
                    break
    if not found:
        return _none(h, w, 0.3, facts)
    winner = max(found, key=lambda f: f.confidence)
    outlines = [f for f in found if f.shape == "other" and f.confidence > 0.7 * winner.confidence]
    if winner.shape != "other" and winner.parts.get("stops", 0) >= 3 and outlines:
        # short arcs between three or four stops: rather a shape with corners
        winner = max(outlines, key=lambda f: f.confidence)
    elif winner.shape != "other" and winner.parts.get("stops", 0) >= 4:
        winner = replace(winner, confidence=min(winner.confidence, 0.85))
    if winner.outline is not None and winner.shape == "other":
        level = _panel_level(e, winner.outline)
        if level is not None:
            within = _within_panel(e, winner.outline, level)
            inner = fit_field(within, noise, near)
            if inner.shape != "none" and inner.confidence > 0.3:
                return inner
            winner = replace(winner, confidence=min(winner.confidence, 0.5))
        winner = _round(winner, best, h, w)
    return _with_doubt(winner, facts)


def _round(fit: Fit, circle: Fit | None, h: int, w: int) -> Fit:
    """An outline that is a disc between bowed stops is called so: its arcs lie on one circle."""
    if fit.outline is None:
        return fit
    x, y, _, _, part = _along(fit.outline, h, w, n=240)
    x, y = x[part >= 0], y[part >= 0]
    known = circle if circle is not None and circle.shape != "other" else None
    if known and known.parts["raw_line"] >= 0.85 and known.parts["raw_span"] >= 0.3:
        away = np.hypot(x - known.x, y - known.y) - known.r
        if away.size and (np.abs(away) < 0.005 * h).mean() >= 0.4 and away.max() <= 0.012 * h:
            return replace(fit, shape="circle-clipped", x=known.x, y=known.y, r=known.r)
    found = _circle_around(x, y, h)
    if found is None:
        return fit
    return replace(fit, shape="circle-clipped", x=found[0], y=found[1], r=found[2])


def _circle_around(x: Points, y: Points, h: int) -> tuple[float, float, float] | None:
    """The circle that holds all points and on which at least a third of them lie; or None.

    A shape with corners touches its circle there only: an octagon along a tenth of its outline.
    """
    if x.size < 30:
        return None
    rng = np.random.default_rng(11)
    pts = np.stack([x, y], axis=1)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        tried = circle_through(pts[rng.integers(0, x.size, (400, 3))])
    tried = tried[np.isfinite(tried).all(axis=1) & (tried[:, 2] < 2 * h)]
    if not len(tried):
        return None
    away = np.hypot(x - tried[:, :1], y - tried[:, 1:2]) - tried[:, 2:]
    near = (np.abs(away) < 0.005 * h).mean(axis=1)
    best = tried[int(np.where((away < 0.008 * h).all(axis=1), near, 0.0).argmax())]
    model = fit_circle(
        x, y, np.ones(x.size), (float(best[0]), float(best[1]), float(best[2])), 0.002 * h
    )
    miss = np.hypot(x - model[0], y - model[1]) - model[2]
    on = np.abs(miss) < 0.005 * h
    return model if on.mean() >= 0.33 and miss.max() <= 0.006 * h else None


def _with_doubt(fit: Fit, facts: dict[str, float]) -> Fit:
    """The fit that won, less sure where what nobody saw may hide a stop of 2 % or more."""
    doubt = 0.85 + 0.15 * _ramp(fit.parts.get("unseen", 0.0), 0.03, 0.02)
    return replace(fit, confidence=fit.confidence * doubt, parts={**fit.parts, **facts})


def _panel_level(e: Plane, outline: Points) -> float | None:
    """Evidence level of a drawn panel that fills an outline's corners, levels; None if it is seen.

    A picture differs from corner to corner, and within each. A panel is one flat level.
    """
    if not 4 <= len(outline) <= 8:
        return None
    h = e.shape[0]
    middle = outline.mean(axis=0)
    means, spreads = [], []
    for corner in outline:
        inward = (middle - corner) / max(float(np.hypot(*(middle - corner))), 1e-9)
        x, y = corner + inward * 0.035 * h
        r = max(3, round(0.012 * h))
        row, col = round(float(y)), round(float(x))
        patch = e[max(row - r, 0) : row + r + 1, max(col - r, 0) : col + r + 1]
        if patch.size < 9:
            return None
        means.append(float(patch.mean()))
        spreads.append(float(patch.std()))
    level = float(np.median(means))
    away, spread = np.abs(np.array(means) - level), np.array(spreads)
    # a strong codec ripples a panel, and by as much on either side of its level
    alike = (away < 2.0) & (spread < 1.0) | (away < 1.0) & (spread < 2.0)
    return level if level > 4.0 and alike.sum() >= max(3, len(outline) - 1) else None


def filled(outline: Points, h: int, w: int) -> NDArray[np.uint8]:
    """Mask of a closed outline (k, 2) in grid px: (row, col) uint8, 1 inside."""
    mask = np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16 - 8).astype(np.int32)], 1, shift=4)
    return mask


def _within_panel(e: Plane, outline: Points, level: float) -> Plane:
    """Evidence measured from a panel's level, nothing outside the panel."""
    h, w = e.shape
    core = cv2.erode(np.pad(filled(outline, h, w), 1), np.ones((3, 3), np.uint8))[1:-1, 1:-1]
    return np.where(core > 0, np.abs(e - np.float32(level)), np.float32(0)).astype(np.float32)


def _alone(log_e: Plane, limit: float) -> list[Plane]:
    """The evidence with its largest bright patch alone, if there is another: a second picture."""
    h, w = log_e.shape
    high = limit + 0.4 * max(float(np.percentile(log_e[::3, ::3], 90)) - limit, 0.0)
    bright = (log_e > high).astype(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(bright, connectivity=4)
    size = stats[1:, cv2.CC_STAT_AREA]
    if size.size < 2 or int(np.partition(size, -2)[-2]) < 0.004 * h * w:
        return []
    big = 1 + int(size.argmax())
    rest = ((label != big) & (bright > 0)).astype(np.uint8)
    # with its halo
    rest = np.asarray(cv2.dilate(rest, np.ones((13, 13), np.uint8)), np.uint8)
    near = np.asarray(cv2.dilate((label == big).astype(np.uint8), np.ones((5, 5), np.uint8)))
    return [np.where((rest > 0) & (near == 0), np.float32(0), log_e)]


def _none(h: int, w: int, confidence: float, parts: dict[str, float]) -> Fit:
    return Fit(
        "none", w / 2, h / 2, math.sqrt(w * h / math.pi), (0.0, 0.0, float(w), float(h)), None,
        confidence, parts,
    )


def _judge_circle(
    log_e: Plane, n1: float, e: Plane, limit: float, rays: _Rays | None,
    model: tuple[float, float, float], box: tuple[float, float, float, float] | None,
) -> Fit:
    """Refines a circle and its box and says what speaks against them."""
    h, w = e.shape
    if rays is not None:
        box = _find_sides(log_e, rays, model)
        model, box, edge = _refine(e, n1, model, box)
        again = _find_sides(log_e, rays, model)
        if any(abs(a - b) > 3 for a, b in zip(box, again, strict=True)):
            model, box, edge = _refine(e, n1, model, again)
        kept = without_false_stops(e, n1, model, box)
        if kept != box:
            model, box, edge = _refine(e, n1, model, kept)
    else:
        assert box is not None
        model, box, edge = _refine(e, n1, model, box)
    model, box = _straight(model, box, h, w)
    if model[2] == 0:
        edge = _measure(e, n1, (model[0], model[1], math.hypot(h, w)), box, 4)
        model = (model[0], model[1], math.hypot(h, w))
    x, y, r = model
    tol = TOLERANCE_RATIO * h
    own = edge.part >= 0
    dense = 1
    if own.sum() < 50:
        # little of the boundary lies inside the frame: look closer
        dense = 4
        edge = _measure(e, n1, model, box, 4, n=720)
        own = edge.part >= 0
    arc = edge.part == 0
    hit = np.isfinite(edge.offset) & (np.abs(edge.offset) < tol)
    hit &= edge.outer < OUTER_RATIO * edge.inner
    hit &= edge.sharp > SHARP_RATIO
    cover = float(hit[own].mean()) if own.any() else 0.0
    arc_hit = hit & arc
    arc_share = float(arc_hit.sum() / max(arc.sum(), 1))
    # angle about the circle's own centre that is seen
    angle = np.arctan2(edge.y - y, edge.x - x)
    bins = np.unique(np.floor((angle[arc_hit] + math.pi) / (2 * math.pi) * 72).astype(int))
    span = bins.size / 72
    miss = edge.offset[arc_hit]
    rms = float(np.sqrt(np.mean(miss**2))) / h if miss.size else 1.0
    # how far the boundary could move, from the residual and the arcs seen
    spread = 1.0
    if arc_hit.sum() >= 8:
        j = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=1)
        s = max(rms * h, 0.15)
        # neighbours are not independent: a third of the points count
        info = j[arc_hit].T @ j[arc_hit] / (3 * dense)
        cov = np.linalg.inv(info + np.eye(3) * 1e-9) * s * s
        spread = float(np.sqrt(np.einsum("ij,jk,ik->i", j[arc], cov, j[arc]).max())) / h
    line = _arc_not_line(edge, arc_hit, h, r)
    rival = _rival(e, n1, edge, hit, r)
    unseen = _unseen(e, n1, edge, hit, r) / h
    shape: Shape = "circle"
    inner_box = (box[0] > 0.75, box[1] > 0.75, box[2] < w - 0.75, box[3] < h - 0.75)
    slack = 0.002 * h
    reach = (x - r - box[0], y - r - box[1], box[2] - x - r, box[3] - y - r)
    if min(reach) < -slack:
        shape = "circle-clipped"
    mask = _disc(model, box, h, w)
    grow = round(0.015 * h) + 1
    outer = cv2.dilate(mask, np.ones((2 * grow + 1, 2 * grow + 1), np.uint8)) == 0
    gone = own & ~hit
    light_area = _light_area(log_e, outer, mask, limit + 0.5, (edge.x[gone], edge.y[gone]))
    outside = float(outer.mean())
    # edges that lie inside the model, joined to the surround: the model is too big
    dark = _dark_joined(log_e, mask, edge)
    parts = {
        # the more stops a shape has, the less may be guessed
        "cover": _ramp(cover, 0.35 + 0.12 * sum(inner_box), 0.8 + 0.04 * sum(inner_box)),
        "span": _ramp(span, 0.02, 0.1),
        "line": _ramp(line, 0.55, 0.85),
        "rms": _ramp(rms, 0.008, 0.0035),
        "spread": _ramp(spread, 0.02, 0.006),
        "light": _ramp(light_area, 0.10, 0.03),
        "outside": _ramp(outside, 0.0003, 0.0015),
        "dark": _ramp(dark, 0.5, 0.25),
        "size": _ramp(float(mask.mean()), 0.02, 0.04),
        "faint": _not_faint(edge, hit, n1),
        "rival": _ramp(rival, 0.16, 0.05) * (
            _ramp(rival / (1 - cover), 0.5, 0.15) if cover < 0.92 and rival > 0.02 else 1.0
        ),
    }
    for k in range(4):
        mine = edge.part == k + 1
        deep = -min(reach[k], 0.0)
        if inner_box[k] and mine.any() and deep > 0.008 * h:
            # a step as faint as a codec's own may be no stop
            strong = float(np.median(edge.drop[mine & hit])) if (mine & hit).any() else 0.0
            sure = _ramp(float(hit[mine].mean()), 0.3, 0.7) * _ramp(strong, 0.8, 1.4)
            parts["stop"] = min(parts.get("stop", 1.0), 0.5 + 0.5 * sure)
    factors = list(parts)
    confidence = float(np.prod(list(parts.values())))
    parts["raw_cover"], parts["raw_span"], parts["raw_rms"] = cover, span, rms
    parts["raw_spread"], parts["raw_light"], parts["raw_dark"] = spread, light_area, dark
    parts["raw_line"], parts["raw_rival"] = line, rival
    parts["unseen"] = unseen
    parts["raw_sharp"] = float(np.median(edge.sharp[hit])) if hit.any() else 0.0
    parts["arc_share"] = arc_share
    parts["stops"] = float(sum(inner_box))
    if arc.sum() < 0.06 * own.sum() and (edge.part != 0).sum() > 0.5 * edge.part.size:
        # hardly any arc is left: a rectangle
        corner = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])
        parts["span"] = parts["spread"] = parts["rms"] = parts["line"] = parts["stop"] = 1.0
        # a corner that is cut shows as a stretch without an edge and one further in
        parts["cover"], parts["rival"] = _ramp(cover, 0.8, 0.97), _ramp(rival, 0.05, 0.015)
        confidence = float(np.prod([parts[k] for k in factors]))
        area = (box[2] - box[0]) * (box[3] - box[1])
        return Fit("other", (box[0] + box[2]) / 2, (box[1] + box[3]) / 2,
                   math.sqrt(area / math.pi), box, corner, confidence, parts)
    outline = None
    if sum(inner_box):
        outline = _tilted(e, n1, edge, hit, model, box)
        shown = mask if outline is None else filled(outline, h, w)
        parts["raw_cut"] = _lit_beyond_stops(log_e, model, shown)
        parts["cut"] = 0.5 + 0.5 * _ramp(parts["raw_cut"], 0.5, 0.2)
        confidence *= parts["cut"]
    return Fit(shape, x, y, r, box, outline, confidence, parts)


def _lit_beyond_stops(
    log_e: Plane, model: tuple[float, float, float], kept: NDArray[np.uint8]
) -> float:
    """Share of what the stops cut off the circle that is about as bright as what is left, 0..1."""
    h, w = log_e.shape
    frame = (0.0, 0.0, float(w), float(h))
    ring = cv2.dilate(kept, np.ones((5, 5), np.uint8)) > 0
    gone = (_disc((model[0], model[1], model[2] - 2), frame, h, w) > 0) & ~ring
    if np.count_nonzero(gone) < 0.0003 * h * w:
        return 0.0
    near = cv2.dilate(gone.astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
    near &= cv2.erode(kept, np.ones((3, 3), np.uint8)) > 0
    if not near.any():
        return 0.0
    least = max(1.5, 0.45 * float(np.median(log_e[near])))
    return float((log_e[gone] > least).mean())


def _tilted(
    e: Plane, n1: float, edge: _Edge, hit: NDArray[np.bool_], model: tuple[float, float, float],
    box: tuple[float, float, float, float],
) -> Points | None:
    """Outline of a circle whose stops are tilted or bowed; None if the box fits.

    Each stop's measured points get a parabola; where it leaves the box's side by
    more than 0.4 % of the height, the outline is given point by point. The ends of a deep
    bow lie further off: where they are missing, edges are looked for further away.
    """
    h, w = e.shape
    wide: _Edge | None = None
    needed = False
    shift = np.zeros(edge.x.size)
    for k in range(1, 5):
        on = edge.part == k
        use, offset = on & hit, edge.offset
        if use.sum() < 8:
            continue
        along = edge.y if k in (1, 3) else edge.x
        if np.ptp(along[use]) < 0.85 * np.ptp(along[on]):
            if wide is None:
                wide = _measure(e, n1, model, box, 14, n=edge.x.size)
            use, offset = on & _stepped(wide), wide.offset
            if use.sum() < 12:
                continue
        u = (along - along[use].mean()) / max(float(np.ptp(along[use])) / 2, 1.0)
        if np.ptp(u[use]) < 0.7 * np.ptp(u[on]):
            continue
        # a bow only where there are many points to show it
        degree = 2 if use.sum() >= 16 else 1
        weight = np.ones(int(use.sum()))
        for _ in range(4):
            coef = np.polyfit(u[use], offset[use], degree, w=weight)
            miss = offset[use] - np.polyval(coef, u[use])
            weight = 1.0 / (1.0 + (miss / 0.5) ** 2)
        curve = np.polyval(coef, np.clip(u[on], -1.3, 1.3))
        if np.sqrt(np.mean(np.square(miss) * weight)) > 0.003 * h:
            continue
        shift[on] = curve
        needed |= bool(np.abs(curve).max() > 0.004 * h)
    if not needed:
        return None
    x = edge.x + shift * edge.nx
    y = edge.y + shift * edge.ny
    # where a stop was moved outwards, the circle still bounds it
    d = np.hypot(x - model[0], y - model[1])
    keep = d <= model[2] + 1e-6
    x = np.where(keep, x, model[0] + (x - model[0]) * model[2] / d)
    y = np.where(keep, y, model[1] + (y - model[1]) * model[2] / d)
    out = np.stack([np.clip(x, 0, w), np.clip(y, 0, h)], axis=1)
    # the circle's ends next to a stop that moved inwards are cut off with it
    return _cut(out, edge, shift, box)


def _cut(
    outline: Points, edge: _Edge, shift: Points, box: tuple[float, float, float, float]
) -> Points:
    """Removes the circle's points that lie beyond a moved stop, continued straight on."""
    inside = np.ones(len(outline), bool)
    for k in range(1, 5):
        on = np.flatnonzero(edge.part == k)
        if on.size < 2 or not np.any(shift[on]):
            continue
        along = outline[:, 1] if k in (1, 3) else outline[:, 0]
        across = outline[:, 0] if k in (1, 3) else outline[:, 1]
        order = on[np.argsort(along[on])]
        lo, hi = order[: max(3, order.size // 4)], order[-max(3, order.size // 4) :]
        sign = -1.0 if k in (1, 2) else 1.0
        for end, part in ((lo, along < along[order[0]]), (hi, along > along[order[-1]])):
            slope, at = np.polyfit(along[end], across[end], 1)
            beyond = sign * (across - (slope * along + at)) > 0
            near = np.abs(along - along[end].mean()) < 0.25 * (np.ptp(along) + 1)
            inside &= ~(beyond & part & near & (edge.part != k))
    return outline[inside]


def _not_faint(edge: _Edge, hit: NDArray[np.bool_], n1: float) -> float:
    """Low where most of the rim is a step of so few levels that a codec makes them by itself.

    A block of 8 or 16 px in which the glow around a dim picture was rounded to
    nothing ends as sharply as a field.
    """
    if not hit.any():
        return 1.0
    level = float(np.median(n1 * (np.exp2(edge.inner[hit]) - 1)))
    return 0.5 + 0.5 * _ramp(level, 1.5, 4.0)


def _rival(
    e: Plane, n1: float, edge: _Edge, hit: NDArray[np.bool_], radius_px: float = 0.0
) -> float:
    """Part of the boundary with no edge of its own but a sharp one further in, dark outside it.

    radius_px: of the circle whose arcs are looked at, 0 for an outline.
    """
    h = e.shape[0]
    bx, by, nx, ny, part = edge.x, edge.y, edge.nx, edge.ny, edge.part
    lost = (part >= 0) & ~hit
    # where the frame is said to cut the picture, it must be lit up to the frame
    step = np.array([-4.0, -3.0, -2.0])
    near = sample(e, bx[:, None] + step * nx[:, None], by[:, None] + step * ny[:, None])
    lost |= (part == -1) & (np.log2(1 + near.mean(axis=1) / n1) < 1.0)
    if lost.sum() < 3:
        return 0.0
    depth = max(12, round(0.14 * h))
    t = np.arange(-depth - 4, 3, dtype=np.float64)
    gx = bx[lost, None] + t[None] * nx[lost, None]
    gy = by[lost, None] + t[None] * ny[lost, None]
    p = np.log2(1 + sample(e, gx, gy) / n1)
    drop = p[:, :-4] - p[:, 4:]
    # all that lies further out must stay dark
    out = np.maximum.accumulate(p[:, ::-1], axis=1)[:, ::-1][:, 4:]
    sharp = (drop > 1.5) & (out < 0.5 * p[:, :-4])
    # a gradual fall is a shadow: most of the step must lie within the 4 px
    far_in = np.concatenate([np.repeat(p[:, :1], 5, axis=1), p[:, :-9]], axis=1)[:, : drop.shape[1]]
    sharp &= drop > 0.55 * (np.maximum(far_in, p[:, :-4]) - out)
    found = np.zeros(part.size, bool)
    found[lost] = sharp.any(axis=1)
    if radius_px > 0:
        # a chord over a short stretch of a circle cannot go deep: a tab, a patch of shadow
        gone = lost & (part == 0)
        for run in _runs(gone):
            length = float(np.hypot(np.diff(bx[run]), np.diff(by[run])).sum())
            if radius_px * (1 - math.cos(min(length / radius_px, math.pi) / 2)) < 0.012 * h:
                found[run] = False
    return float(found.sum() / max(int(((part >= 0) | lost).sum()), 1))


def _unseen(
    e: Plane, n1: float, edge: _Edge, hit: NDArray[np.bool_], radius_px: float
) -> float:
    """How deep a straight stop could cut into the longest stretch at which nothing is seen, px.

    Nothing is seen where the circle shows no edge, or where the frame is said to cut
    the picture and it is dark.
    """
    step = np.array([-6.0, -5.0, -4.0, -3.0, -2.0])
    near = sample(
        e, edge.x[:, None] + step * edge.nx[:, None], edge.y[:, None] + step * edge.ny[:, None]
    )
    dark = np.log2(1 + near.mean(axis=1) / n1) < 1.0
    lost = ((edge.part == 0) & ~hit) | ((edge.part == -1) & dark)
    # two points that happen to lie on an edge do not end a stretch
    lost = np.asarray(
        cv2.morphologyEx(np.tile(lost.astype(np.uint8), 3)[None], cv2.MORPH_CLOSE,
                         np.ones((1, 5), np.uint8))[0, lost.size : 2 * lost.size] > 0
    )
    deepest = 0.0
    if lost.any() and radius_px > 0:
        for run in _runs(lost):
            length = float(np.hypot(np.diff(edge.x[run]), np.diff(edge.y[run])).sum())
            turn = min(length / radius_px, 2 * math.pi)
            deepest = max(deepest, radius_px * (1 - math.cos(turn / 2)))
    return deepest


def _runs(on: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Unbroken stretches of a closed row of marks, as indices in order."""
    n = on.size
    if on.all():
        return [np.arange(n)]
    start = int(np.flatnonzero(~on)[0])
    order = (np.arange(n) + start) % n
    parts = np.split(order, np.flatnonzero(np.diff(on[order].astype(int))) + 1)
    return [part for part in parts if on[part[0]]]


def _arc_not_line(edge: _Edge, hit: NDArray[np.bool_], h: int, radius_px: float) -> float:
    """Part of the measured arcs, by length, that no straight line explains clearly better.

    Each unbroken arc is compared with its own straight line. A line has more
    freedom than the common circle, so it must beat the circle by a factor and
    by more than the measuring noise.
    """
    if not hit.any() or hit.all():
        return 1.0
    floor = (0.0008 * h) ** 2
    straight = total = 0
    for run in _runs(hit):
        if run.size < 4:
            continue
        x = edge.x[run] + edge.offset[run] * edge.nx[run]
        y = edge.y[run] + edge.offset[run] * edge.ny[run]
        pts = np.stack([x - x.mean(), y - y.mean()], axis=1)
        line2 = float(np.linalg.svd(pts, compute_uv=False)[-1]) ** 2 / run.size
        circle2 = float(np.square(edge.offset[run]).mean())
        total += run.size
        chord = math.hypot(x[-1] - x[0], y[-1] - y[0])
        if chord * chord / (8 * radius_px) < 0.002 * h:
            continue
        if line2 + floor < 0.45 * (circle2 + floor):
            straight += run.size
    return 1.0 - straight / total if total else 0.0


def _straight(
    model: tuple[float, float, float], box: tuple[float, float, float, float], h: int, w: int
) -> tuple[tuple[float, float, float], tuple[float, float, float, float]]:
    """An arc that is nearly straight becomes a side of the box; radius 0 says so."""
    x, y, r = model
    if r < 1.5 * math.hypot(h, w):
        return model, box
    mx, my = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    sides = list(box)
    if abs(x - mx) > abs(y - my):
        near = math.sqrt(max(r * r - (my - y) ** 2, 0))
        k = 0 if x > mx else 2
        at = x - near if x > mx else x + near
    else:
        near = math.sqrt(max(r * r - (mx - x) ** 2, 0))
        k = 1 if y > my else 3
        at = y - near if y > my else y + near
    if k < 2:
        sides[k] = max(sides[k], at)
    else:
        sides[k] = min(sides[k], at)
    if sides[2] - sides[0] < 8 or sides[3] - sides[1] < 8:
        sides = [0.0, 0.0, float(w), float(h)]
    mx, my = (sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2
    return (mx, my, 0.0), (sides[0], sides[1], sides[2], sides[3])


def _disc(
    model: tuple[float, float, float], box: tuple[float, float, float, float], h: int, w: int
) -> NDArray[np.uint8]:
    dy = np.square(np.arange(h, dtype=np.float32) + np.float32(0.5 - model[1]))
    dx = np.square(np.arange(w, dtype=np.float32) + np.float32(0.5 - model[0]))
    # columns and rows outside the box get a distance that no circle reaches
    y, x = np.arange(h) + 0.5, np.arange(w) + 0.5
    dy[(y < box[1]) | (y >= box[3])] = np.inf
    dx[(x < box[0]) | (x >= box[2])] = np.inf
    return np.asarray(dy[:, None] + dx[None, :] <= np.float32(model[2] ** 2)).view(np.uint8)


def _light_area(
    log_e: Plane, outer: NDArray[np.bool_], mask: NDArray[np.uint8], limit: float,
    lost: tuple[Points, Points] | None = None,
) -> float:
    """Part of the frame that is lit outside the model.

    A patch of its own that keeps away from the model and is small beside it is
    a second picture or a logo, and counts a quarter. lost: x and y of the boundary
    points at which no edge was seen; with them, a patch beside a seen edge keeps away.
    """
    lit = ((log_e > limit) & outer).astype(np.uint8)
    total = int(cv2.countNonZero(lit))
    if total == 0:
        return 0.0
    h, w = mask.shape
    if total < 0.005 * h * w:
        return float(total / (h * w))
    _, label, stats, _ = cv2.connectedComponentsWithStats(lit, connectivity=8)
    reach = round(0.03 * h) + 2
    where = mask
    if lost is not None:
        where = np.zeros_like(mask)
        rows = np.clip(lost[1].astype(int), 0, h - 1)
        where[rows, np.clip(lost[0].astype(int), 0, w - 1)] = 1
    zone = cv2.dilate(where, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    touching = np.unique(label[zone & (lit > 0)])
    weight = np.full(stats.shape[0], 0.25)
    weight[touching] = 1.0
    size = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
    weight[size > 0.25 * float(mask.sum())] = 1.0
    if total > 0.5 * float(mask.sum()):
        # more light outside than a second picture has: the model is the patch
        weight[:] = 1.0
    weight[0] = 0.0
    return float((size * weight).sum() / (h * w))


def _dark_joined(log_e: Plane, mask: NDArray[np.uint8], edge: _Edge) -> float:
    """Part of the model's area that is dark and joined to its boundary."""
    dark = ((log_e < 0.8) & (mask > 0)).astype(np.uint8)
    area = float(mask.sum())
    if area < 1:
        return 1.0
    some = float(cv2.countNonZero(dark))
    if some < 0.01 * area:
        return float(some / area)
    rim = mask - cv2.erode(mask, np.ones((3, 3), np.uint8))
    _, label = cv2.connectedComponents(dark, connectivity=4)
    touch = np.unique(label[(rim > 0) & (dark > 0)])
    touch = touch[touch > 0]
    if not touch.size:
        return 0.0
    return float(np.isin(label, touch).sum() / area)


def support_ratio(e: Plane, noise: float, fit: Fit) -> float:
    """Part of a field's boundary inside the frame at which the picture steps down, 0..1."""
    h = e.shape[0]
    n1 = unit_level(e, noise)
    if fit.outline is not None:
        return _on_edge(e, n1, fit.outline)
    edge = _measure(e, n1, (fit.x, fit.y, fit.r), fit.box, 5, n=90)
    own = edge.part >= 0
    hit = np.isfinite(edge.offset) & (np.abs(edge.offset) < 0.015 * h) & (edge.sharp > SHARP_RATIO)
    return float(hit[own].mean()) if own.any() else 0.0


def _with_corners(hull: Points, h: int, w: int) -> Points:
    """A hull whose sides are straight gets its corners back: sides fitted, then crossed.

    Sampling and smoothing cut every corner off. hull: (k, 2) convex. Returned
    unchanged if it is not a polygon of few sides.
    """
    x, y, _, _, _ = _along(hull, h, w, n=360)
    pts = np.stack([x, y], axis=1)
    few = cv2.approxPolyDP(pts.astype(np.float32), 0.008 * h, True)[:, 0]
    k = len(few)
    if not 4 <= k <= 12:
        return hull
    gap = np.hypot(pts[:, None, 0] - few[None, :, 0], pts[:, None, 1] - few[None, :, 1])
    knot = np.sort(gap.argmin(axis=0))
    lines = []
    for a, b in zip(knot, np.roll(knot, -1), strict=True):
        run = np.arange(a, b if b > a else b + len(pts)) % len(pts)
        trim = max(2, run.size // 6)
        inner = pts[run[trim:-trim]]
        if len(inner) < 4:
            # a short side is a corner that was rounded off: its neighbours meet
            continue
        c = inner.mean(axis=0)
        _, value, vt = np.linalg.svd(inner - c)
        if value[1] / math.sqrt(len(inner)) > 0.004 * h:
            return hull
        lines.append((c, vt[0]))
    if len(lines) < 4:
        return hull
    corner = _crossings(lines)
    if corner is None:
        return hull
    if np.hypot(*(corner[:, None] - few[None]).transpose(2, 0, 1)).min(axis=1).max() > 0.06 * h:
        return hull
    corner[:, 0] = np.clip(corner[:, 0], 0, w)
    corner[:, 1] = np.clip(corner[:, 1], 0, h)
    return np.asarray(cv2.convexHull(corner.astype(np.float32))[:, 0].astype(np.float64))


def _straight_sides(e: Plane, n1: float, polygon: Points) -> Points:
    """The polygon with each side fitted anew, robustly, to the edges along it.

    polygon: (k, 2) convex. Lettering across the rim bends a hull outwards; a side
    that was bent in two is joined again. Unchanged where sides do not meet well.
    """
    h, w = e.shape
    for _ in range(2):
        x, y, nx, ny, part = boundary = _along(polygon, h, w, n=240)
        edge = _measure_at(e, n1, boundary, 5)
        good = _stepped(edge)
        px, py = x + edge.offset * nx, y + edge.offset * ny
        start = polygon
        side = np.roll(polygon, -1, axis=0) - start
        length = np.maximum(np.hypot(side[:, 0], side[:, 1]), 1e-9)
        turn = np.unwrap(np.arctan2(side[:, 1], side[:, 0]))
        u = ((x[:, None] - start[None, :, 0]) * side[None, :, 0]
             + (y[:, None] - start[None, :, 1]) * side[None, :, 1]) / length[None] ** 2
        u = np.clip(u, 0, 1)
        away = np.hypot(start[None, :, 0] + u * side[None, :, 0] - x[:, None],
                        start[None, :, 1] + u * side[None, :, 1] - y[:, None])
        of = away.argmin(axis=1)
        groups = [[i] for i in range(len(polygon))]
        lines: list[tuple[Points, Points]] = []
        # sides first, then those that turn out to be one line
        for bend in (math.radians(4), math.radians(9)):
            angles = turn if not lines else np.array([math.atan2(d[1], d[0]) for _, d in lines])
            groups = _joined(groups, angles, bend)
            lines, kept = [], []
            for group in groups:
                on = np.isin(of, group)
                use = on & good
                k = max(group, key=lambda g: length[g])
                ahead = side[k] / length[k]
                framed = on.any() and (part[on] == -1).mean() > 0.5
                if framed or use.sum() < max(5, 0.3 * on.sum()):
                    if not framed and length[group].sum() < 0.15 * h:
                        # a short side that nothing shows: its neighbours meet
                        continue
                    lines.append((start[k], ahead))
                else:
                    at, d = _robust_line(px[use], py[use])
                    lines.append((at, d if d @ ahead > 0 else -d))
                kept.append(group)
            groups = kept
        corner = _crossings(lines) if len(lines) >= 4 else None
        if corner is None or np.hypot(
            *(corner[:, None] - polygon[None]).transpose(2, 0, 1)
        ).min(axis=1).max() > 0.08 * h:
            return polygon
        corner[:, 0] = np.clip(corner[:, 0], 0, w)
        corner[:, 1] = np.clip(corner[:, 1], 0, h)
        polygon = np.asarray(cv2.convexHull(corner.astype(np.float32))[:, 0].astype(np.float64))
        if len(polygon) < 4:
            return corner
    return polygon


def _on_edge(e: Plane, n1: float, polygon: Points) -> float:
    """Part of a polygon inside the frame that lies within 0.4 % of the height of an edge."""
    h, w = e.shape
    edge = _measure_at(e, n1, _along(polygon, h, w), 4)
    own = edge.part >= 0
    hit = np.isfinite(edge.offset) & (np.abs(edge.offset) < 0.004 * h) & (edge.sharp > SHARP_RATIO)
    return float(hit[own].mean()) if own.any() else 0.0


def _stepped(edge: _Edge) -> NDArray[np.bool_]:
    """Where the picture steps down to the surround within a few pixels."""
    return np.asarray(
        np.isfinite(edge.offset) & (edge.sharp > SHARP_RATIO)
        & (edge.outer < OUTER_RATIO * edge.inner)
    )


def _outline_hits(e: Plane, n1: float, polygon: Points) -> tuple[_Edge, NDArray[np.bool_]]:
    """The edges measured along a convex polygon, and which of them lie on it."""
    h, w = e.shape
    edge = _measure_at(e, n1, _along(polygon, h, w), 4)
    return edge, _stepped(edge) & (np.abs(edge.offset) < TOLERANCE_RATIO * h)


def _lost_corners(
    edge: _Edge, hit: NDArray[np.bool_], h: int, w: int
) -> list[tuple[Points, float]]:
    """Corners that may lie in the dark: the sides beside a stretch without an edge, prolonged.

    For each such stretch: its first end, the corner and its last end, (3, 2) x and y, and
    how far the corner lies out, px.
    """
    out = []
    n = edge.x.size
    at = np.stack([edge.x, edge.y], axis=1)
    moved = np.where(np.isfinite(edge.offset) & hit, edge.offset, 0.0)
    at = at + moved[:, None] * np.stack([edge.nx, edge.ny], axis=1)
    sure = hit | (edge.part < 0)
    if sure.all() or not sure.any():
        return []
    for run in _runs(~sure):
        if (edge.part[run] < 0).any():
            continue
        ends = []
        for first, step in ((int(run[0]) - 1, -1), (int(run[-1]) + 1, 1)):
            k = (first + step * np.arange(10)) % n
            known = np.flatnonzero(~sure[k])
            k = k[: int(known[0])] if known.size else k
            if k.size < 4:
                break
            c, d = _robust_line(at[k, 0], at[k, 1])
            # towards the stretch
            ahead = at[k[0]] - at[k[-1]]
            ends.append((at[k[0]], c, d if d @ ahead > 0 else -d))
        if len(ends) < 2:
            continue
        (p1, c1, d1), (p2, c2, d2) = ends
        chord = p2 - p1
        length = float(np.hypot(*chord))
        if length < 0.02 * h:
            continue
        cross = float(d1[0] * d2[1] - d1[1] * d2[0])
        if abs(cross) < 0.05:
            continue
        gap = c2 - c1
        corner = c1 + d1 * float(gap[0] * d2[1] - gap[1] * d2[0]) / cross
        if (corner - p1) @ d1 < 0 or (corner - p2) @ d2 < 0:
            continue
        corner = np.array([np.clip(corner[0], 0, w), np.clip(corner[1], 0, h)])
        away = corner - p1
        deep = abs(float(chord[0] * away[1] - chord[1] * away[0])) / length
        if deep > 0.006 * h:
            out.append((np.stack([p1, corner, p2]), deep))
    return out


def _off_path(x: Points, y: Points, path: Points) -> Points:
    """Distance of points (n,) to a path (k, 2), px."""
    best = np.full(x.size, np.inf)
    for a, b in pairwise(path):
        d = b - a
        u = np.clip(((x - a[0]) * d[0] + (y - a[1]) * d[1]) / max(float(d @ d), 1e-9), 0, 1)
        best = np.minimum(best, np.hypot(x - a[0] - u * d[0], y - a[1] - u * d[1]))
    return best


def _faint_corner(e: Plane, at: Points) -> bool:
    """Is the picture, however faint, seen up to the sides that meet in a corner?

    at: (3, 2), the corner between the ends of what is known of its sides. Along each
    prolonged side the evidence just inside is compared with that just outside; lines
    further out, in the surround, tell how much of it is chance.
    """
    for end, other in ((at[0], at[2]), (at[2], at[0])):
        side = at[1] - end
        length = float(np.hypot(*side))
        if length < 6:
            continue
        along = side / length
        out = np.array([along[1], -along[0]])
        if out @ (other - end) > 0:
            out = -out
        u = np.arange(1.5, length - 1.0, 1.0)
        v = np.array([-4.0, -3.0, -2.0, 2.0, 3.0, 4.0])
        steps = []
        for shift in (0.0, 6.0, 9.0, 12.0, 15.0, 18.0):
            x = end[0] + u[:, None] * along[0] + (v + shift)[None] * out[0]
            y = end[1] + u[:, None] * along[1] + (v + shift)[None] * out[1]
            p = sample(e, x, y).mean(axis=0)
            steps.append(float(p[:3].mean() - p[3:].mean()))
        spread = max(float(np.std(steps[1:])), 0.02)
        if steps[0] < max(steps[1:]) + 4 * spread or steps[0] < 0.15:
            return False
    return True


def _joined(groups: list[list[int]], angles: Points, bend: float) -> list[list[int]]:
    """Neighbouring groups (of a closed row) whose angles differ by less than `bend` made one."""
    def apart(a: float, b: float) -> float:
        return abs((a - b + math.pi) % (2 * math.pi) - math.pi)

    out = [(list(groups[0]), float(angles[0]))] if groups else []
    for group, angle in zip(groups[1:], angles[1:], strict=True):
        if apart(float(angle), out[-1][1]) < bend:
            out[-1][0].extend(group)
        else:
            out.append((list(group), float(angle)))
    if len(out) > 1 and apart(out[0][1], out[-1][1]) < bend:
        out[0][0].extend(out.pop()[0])
    return [group for group, _ in out]


def _robust_line(x: Points, y: Points) -> tuple[Points, Points]:
    """Point and direction of the line that most points lie on (Cauchy weights, 0.5 px)."""
    pts = np.stack([x, y], axis=1)
    few = pts[:: max(1, len(pts) // 9)]
    i, j = np.triu_indices(len(few), 1)
    d = few[j] - few[i]
    d = d / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)[:, None]
    away = (x[None] - few[i, 0, None]) * d[:, 1, None] - (y[None] - few[i, 1, None]) * d[:, 0, None]
    best = int((np.abs(away) < 0.7).sum(axis=1).argmax())
    at, d = few[i[best]], d[best]
    for _ in range(4):
        miss = (pts[:, 0] - at[0]) * d[1] - (pts[:, 1] - at[1]) * d[0]
        weight = 1 / (1 + (miss / 0.5) ** 2)
        at = (pts * weight[:, None]).sum(axis=0) / weight.sum()
        q = pts - at
        xx, yy = (weight * q[:, 0] ** 2).sum(), (weight * q[:, 1] ** 2).sum()
        a = 0.5 * math.atan2(2 * (weight * q[:, 0] * q[:, 1]).sum(), xx - yy)
        d = np.array([math.cos(a), math.sin(a)])
    return at, d


def _crossings(lines: list[tuple[Points, Points]]) -> Points | None:
    """Corners where each line meets the next, (k, 2); None if two are nearly parallel."""
    out = []
    for (c1, d1), (c2, d2) in zip(lines, [*lines[1:], lines[0]], strict=True):
        cross = d1[0] * d2[1] - d1[1] * d2[0]
        if abs(cross) < 0.15:
            return None
        t = ((c2[0] - c1[0]) * d2[1] - (c2[1] - c1[1]) * d2[0]) / cross
        out.append(c1 + t * d1)
    return np.asarray(out)


def _along(
    polygon: Points, h: int, w: int, n: int = 180
) -> tuple[Points, Points, Points, Points, NDArray[np.int8]]:
    """Points along a convex polygon (k, 2), their outward normals, -1 at the frame's edge."""
    q = np.vstack([polygon, polygon[:1]])
    d = np.diff(q, axis=0)
    length = np.hypot(d[:, 0], d[:, 1])
    s = np.concatenate([[0.0], np.cumsum(length)])
    at = (np.arange(n) + 0.5) / n * s[-1]
    x, y = np.interp(at, s, q[:, 0]), np.interp(at, s, q[:, 1])
    # direction over a few neighbours, so that a ragged outline does not turn the normals
    ahead, behind = np.roll(np.arange(n), -2), np.roll(np.arange(n), 2)
    tx, ty = x[ahead] - x[behind], y[ahead] - y[behind]
    size = np.maximum(np.hypot(tx, ty), 1e-9)
    nx, ny = ty / size, -tx / size
    outward = np.sign(np.sum((x - x.mean()) * nx + (y - y.mean()) * ny)) or 1.0
    rim = np.minimum(np.minimum(x, w - x), np.minimum(y, h - y)) < 0.012 * h
    return x, y, nx * outward, ny * outward, np.where(rim, -1, 0).astype(np.int8)


def _still_there(e: Plane, n1: float, log_e: Plane, limit: float, fit: Fit) -> bool:
    """Does an outline found before still lie on sharp edges, with nothing lit outside?"""
    assert fit.outline is not None
    h, w = e.shape
    edge = _measure_at(e, n1, _along(fit.outline, h, w), 3)
    hit = np.isfinite(edge.offset) & (edge.sharp > SHARP_RATIO)
    hit &= (np.abs(edge.offset) < 1.5) & (edge.outer < OUTER_RATIO * edge.inner)
    own = edge.part >= 0
    if not own.any() or hit[own].mean() < 0.97 or abs(np.median(edge.offset[hit])) > 0.5:
        return False
    mask = filled(fit.outline, h, w)
    grow = round(0.015 * h) + 1
    outer = cv2.dilate(mask, np.ones((2 * grow + 1, 2 * grow + 1), np.uint8)) == 0
    return _light_area(log_e, outer, mask, limit + 0.5) < 0.03


def _dim_part(
    e: Plane, n1: float, edge: _Edge, hit: NDArray[np.bool_], mask: NDArray[np.uint8]
) -> float:
    """Level along the dimmest fifth of the boundary seen, over that of the picture within it."""
    if not hit.any():
        return 1.0
    level = n1 * (np.exp2(np.percentile(edge.inner[hit], 20)) - 1)
    return float(level / max(float(np.median(e[mask > 0])), 1.0))


def _judge_other(
    e: Plane, n1: float, log_e: Plane, rays: _Rays, circle: Fit | None, lit: NDArray[np.uint8],
    limit: float,
) -> Fit | None:
    h, w = log_e.shape
    radius, weight = _outline(rays, h)
    at_frame = radius > rays.exit_px - 0.012 * h
    # a spike of a few rays is lettering that touches the rim
    ring = np.concatenate([radius[-6:], radius, radius[:6]])
    local = np.median(np.lib.stride_tricks.sliding_window_view(ring, 13), axis=1)
    spike = radius > local + 0.03 * h
    # a ray without an edge, dark at the frame, saw nothing: the hull bridges it
    ex, ey = (
        rays.x + (rays.exit_px - 5) * np.cos(rays.angle),
        rays.y + (rays.exit_px - 5) * np.sin(rays.angle),
    )
    dark_exit = sample(log_e, ex[None], ey[None])[0] < limit
    blind = (radius > rays.exit_px - 0.75) & dark_exit
    keep = ~spike & ~blind
    if keep.sum() < 20:
        return None
    px = rays.x + radius * np.cos(rays.angle)
    py = rays.y + radius * np.sin(rays.angle)
    raw = np.stack([px, py], axis=1)[keep].astype(np.float32)
    raw_area = float(cv2.contourArea(raw))
    hull = cv2.convexHull(raw)[:, 0].astype(np.float64)
    hull_area = float(cv2.contourArea(hull.astype(np.float32)))
    if hull_area < 0.02 * h * w:
        return None
    convex = raw_area / hull_area
    boundary = _along(hull, h, w)
    edge = _measure_at(e, n1, boundary, 4)
    found = np.isfinite(edge.offset)
    move = np.where(found & (edge.sharp > SHARP_RATIO), edge.offset, 0.0)
    raw = np.stack([edge.x + move * edge.nx, edge.y + move * edge.ny], axis=1).astype(np.float32)
    raw[:, 0] = np.clip(raw[:, 0], 0, w)
    raw[:, 1] = np.clip(raw[:, 1], 0, h)
    polygon = _with_corners(cv2.convexHull(raw)[:, 0].astype(np.float64), h, w)
    few = cv2.approxPolyDP(polygon.astype(np.float32), 0.012 * h, True)[:, 0].astype(np.float64)
    if 4 <= len(few) <= 12:
        straight = _straight_sides(e, n1, few)
        if _on_edge(e, n1, straight) >= _on_edge(e, n1, polygon) - 0.02:
            polygon = straight
    edge, hit = _outline_hits(e, n1, polygon)
    unknown = 0.0
    seen_in_dark = []
    for at, deep in _lost_corners(edge, hit, h, w):
        if _faint_corner(e, at):
            seen_in_dark.append(at)
        else:
            unknown = max(unknown, deep / h)
    if seen_in_dark:
        corners = np.concatenate([polygon, *(at[1:2] for at in seen_in_dark)])
        polygon = cv2.convexHull(corners.astype(np.float32))[:, 0].astype(np.float64)
        edge, hit = _outline_hits(e, n1, polygon)
        for at in seen_in_dark:
            # the whole side was seen, if not each point of it
            hit |= (edge.part >= 0) & (_off_path(edge.x, edge.y, at) < 1.0)
    own = edge.part >= 0
    sharp = float(hit[own].mean()) if own.any() else 0.0
    free = float(own.mean())
    rival = _rival(e, n1, edge, hit)
    mask = filled(polygon, h, w)
    area = float(mask.mean())
    if area < 0.02:
        return None
    grow = round(0.015 * h) + 1
    outer = cv2.dilate(mask, np.ones((2 * grow + 1, 2 * grow + 1), np.uint8)) == 0
    gone = own & ~hit
    light = _light_area(log_e, outer, mask, limit + 0.5, (edge.x[gone], edge.y[gone]))
    full = float((lit & mask).sum() / max(int(mask.sum()), 1))
    # how much rougher than its own smooth version: an outline of tissue is ragged
    seen = radius[keep]
    leap = np.abs(np.diff(np.concatenate([seen, seen[:1]])))
    rough = float((leap > 0.03 * h).mean())
    differs = 1.0
    if circle is not None:
        m = model_radius(circle.x, circle.y, circle.r, circle.box, rays.x, rays.y, rays.angle)
        strong = (weight > 0.8) & ~at_frame
        if strong.any():
            differs = float(np.percentile(np.abs(radius - m)[strong], 85) / h)
    doubt = 0.0
    if circle is not None and circle.parts["stops"] < 3:
        # a circle that most of the boundary lies on, even if something speaks against it
        c = circle.parts
        fits = _ramp(c["raw_cover"], 0.6, 0.85) * _ramp(c["raw_span"], 0.2, 0.4)
        doubt = max(circle.confidence, fits * c["line"] * c["rms"])
    parts = {
        "cover": _ramp(sharp, 0.75, 0.975),
        "free": _ramp(free, 0.1, 0.35),
        "rival": _ramp(rival, 0.16, 0.05),
        "light": _ramp(light, 0.1, 0.03),
        "rough": _ramp(rough, 0.08, 0.02),
        "filled": _ramp(full, 0.4, 0.75),
        "convex": _ramp(convex, 0.92, 0.97),
        "size": _ramp(area, 0.02, 0.04),
        # where a fifth of the outline is next to nothing beside the picture, it is a halo's
        "halo": 0.5 + 0.5 * _ramp(_dim_part(e, n1, edge, hit, mask), 0.08, 0.2),
        "faint": _not_faint(edge, hit, n1),
        # a corner in the dark that the neighbouring sides would have
        "corner": _ramp(unknown, 0.02, 0.008),
        "differs": max(_ramp(differs, 0.008, 0.014), 1.0 - doubt),
    }
    confidence = float(np.prod(list(parts.values())))
    parts["raw_cover"], parts["raw_differs"], parts["raw_rough"] = sharp, differs, rough
    parts["raw_rival"] = rival
    parts["raw_convex"], parts["raw_corner"] = convex, unknown
    moment = cv2.moments(polygon.astype(np.float32))
    size = max(moment["m00"], 1e-6)
    cx, cy = moment["m10"] / size, moment["m01"] / size
    px, py = polygon[:, 0], polygon[:, 1]
    return Fit(
        "other", cx, cy, math.sqrt(area * h * w / math.pi),
        (float(px.min()), float(py.min()), float(px.max()), float(py.max())),
        polygon, confidence, parts,
    )
