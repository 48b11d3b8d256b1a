"""Crop loss: what a thief must throw away to be rid of the mark. Exact geometry.

All lengths are relative to the field (centre 0,0; radius 1). A crop may keep at most
5 % of the weight of the strokes (points). Searched are

- half-planes, the limit of both large circles and large rectangles, in every direction;
- rectangles of every shape, place and angle;
- circles of every size and centre, inside or outside the picture.

For a given direction, centre or three sides of a rectangle the best crop is known exactly: it
is opened until the next point would carry it over 5 % (a weighted quantile). What is
left (direction, centre, angle, which sides) is searched on a grid and polished. Areas are
integrals of the lit picture's column lengths, which are known exactly (chords of the
circle cut by the box, or crossings of the outline). The kept area found is a lower bound of the
best one; with the polish it agrees with closed forms to 1e-3 (tests).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan

LEFT_OVER = 0.05
_FAR = 1e3
Floats = NDArray[np.floating[Any]]


class Lit:
    """The lit picture of a field span, relative to the field, seen along columns."""

    def __init__(self, field: FieldSpan, columns: int = 384) -> None:
        self.columns = columns
        self.outline: Floats | None = None
        if field.outline_px is not None and len(field.outline_px) >= 3:
            self.outline = np.array([field.relative(x, y) for x, y in field.outline_px])
            self.reach = float(np.sqrt((self.outline**2).sum(axis=1).max()))
            self.box = (-_FAR, -_FAR, _FAR, _FAR)
        else:
            left, top = field.relative(field.left_px, field.top_px)
            right, bottom = field.relative(field.right_px, field.bottom_px)
            self.box = (left, top, right, bottom)
            self.round = field.shape != "none" and field.shape != "other"
            self.reach = (
                1.0 if self.round else float(np.hypot(max(-left, right), max(-top, bottom)))
            )
        self._key = columns, field.model_dump_json(exclude={"start_s", "stop_s", "confidence"})

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Lit) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)

    def spans(self, angle: float) -> tuple[Floats, Floats, Floats]:
        """Columns of the picture turned by -angle (radians).

        Returns the column centres (c,), and the starts and stops (m, c) of the lit stretches.
        """
        return _turned(self, round(angle, 9))

    def _spans(self, angle: float) -> tuple[Floats, Floats, Floats]:
        step = 2 * self.reach / self.columns
        x = -self.reach + (np.arange(self.columns) + 0.5) * step
        cos, sin = np.cos(angle), np.sin(angle)
        if self.outline is not None:
            px = self.outline[:, 0] * cos + self.outline[:, 1] * sin
            py = -self.outline[:, 0] * sin + self.outline[:, 1] * cos
            qx, qy = np.roll(px, -1), np.roll(py, -1)
            # each side of the outline crosses the columns from its one end to the other
            ends = np.searchsorted(x, np.stack([np.minimum(px, qx), np.maximum(px, qx)]))
            count = ends[1] - ends[0]
            side = np.repeat(np.arange(px.size), count)
            column = np.arange(side.size) - np.repeat(np.cumsum(count) - count - ends[0], count)
            slope = (qy[side] - py[side]) / (qx[side] - px[side])
            crossed = py[side] + (x[column] - px[side]) * slope
            order = np.lexsort((crossed, column))
            crossed, column = crossed[order], column[order]
            row = np.arange(column.size) - np.searchsorted(column, column)
            most = int(row.max(initial=-1)) + 1
            at = np.full((max(most + most % 2, 2), self.columns), _FAR)
            at[row, column] = crossed
            return x, at[0::2], at[1::2]
        half = np.sqrt(np.maximum(1 - x * x, 0)) if self.round else np.full_like(x, _FAR)
        low, high = -half, half.copy()
        # box sides: X = x cos - y sin in [left, right), Y = x sin + y cos in [top, bottom)
        for factor, offset, first, last in (
            (-sin, x * cos, self.box[0], self.box[2]),
            (cos, x * sin, self.box[1], self.box[3]),
        ):
            if abs(factor) < 1e-12:
                outside = (offset < first) | (offset > last)
                high = np.where(outside, low, high)
                continue
            a, b = (first - offset) / factor, (last - offset) / factor
            low, high = np.maximum(low, np.minimum(a, b)), np.minimum(high, np.maximum(a, b))
        return x, low[None], np.maximum(high, low)[None]

    def area(self) -> float:
        x, low, high = self.spans(0.0)
        return float((high - low).sum() * (x[1] - x[0]))

    def corner_areas(self, angle: float, xs: Floats, ys: Floats) -> Floats:
        """Lit area at columns below xs[i] and rows below ys[j]: (len(xs), len(ys))."""
        x, low, high = self.spans(angle)
        step = x[1] - x[0]
        part = (np.minimum(high[..., None], ys) - np.minimum(low[..., None], ys)).sum(axis=0) * step
        total = np.vstack([np.zeros((1, ys.size)), np.cumsum(part, axis=0)])
        place = np.clip((xs + self.reach) / step, 0, self.columns)
        below = np.minimum(place.astype(np.intp), self.columns - 1)
        rest = (place - below)[:, None]
        return np.asarray(total[below] * (1 - rest) + total[below + 1] * rest)

    def disc_areas(self, cx: Floats, cy: Floats, radius: Floats) -> Floats:
        """Lit area inside circles: (k,)."""
        x, low, high = self.spans(0.0)
        step = x[1] - x[0]
        half = np.sqrt(np.maximum(radius[:, None] ** 2 - (x - cx[:, None]) ** 2, 0))
        out = np.zeros(cx.size)
        for a, b in zip(low, high, strict=True):
            top = np.maximum(a, cy[:, None] - half)
            out += np.maximum(np.minimum(b, cy[:, None] + half) - top, 0).sum(axis=1)
        return np.asarray(out * step)


@lru_cache(maxsize=400)
def _turned(lit: Lit, angle: float) -> tuple[Floats, Floats, Floats]:
    return lit._spans(angle)


def _opened(distance: Floats, weight: Floats, limit: float) -> Floats:
    """Largest reach such that the weight nearer than it is at most `limit`.

    distance: (k, n); weight: (n,) or (k, n). Returns (k,); _FAR if everything may stay.
    """
    order = np.argsort(distance, axis=1)
    each = weight[order] if weight.ndim == 1 else np.take_along_axis(weight, order, axis=1)
    over = np.cumsum(each, axis=1) > limit + 1e-12
    first = over.argmax(axis=1)
    index = np.take_along_axis(order, first[:, None], axis=1)
    reach = np.take_along_axis(distance, index, axis=1)[:, 0]
    return np.where(over.any(axis=1), reach, _FAR)


def kept_by_half_planes(
    points: Floats, weight: Floats, lit: Lit, limit: float, steps: int
) -> float:
    def kept(angles: Floats) -> Floats:
        offset = _opened(
            np.cos(angles)[:, None] * points[:, 0] + np.sin(angles)[:, None] * points[:, 1],
            weight,
            limit,
        )
        out = np.empty(angles.size)
        for i, angle in enumerate(angles):
            out[i] = lit.corner_areas(float(angle), offset[i : i + 1], np.array([_FAR]))[0, 0]
        return out

    angles = np.arange(steps) * (2 * np.pi / steps)
    areas = kept(angles)
    best, width = float(angles[areas.argmax()]), 2 * np.pi / steps
    top = float(areas.max())
    while steps >= 48 and width > 1e-3:
        near = best + np.linspace(-width, width, 9)
        areas = kept(near)
        if float(areas.max()) > top:
            top, best = float(areas.max()), float(near[areas.argmax()])
        width /= 4
    return top


def kept_by_circles(points: Floats, weight: Floats, lit: Lit, limit: float, fine: bool) -> float:
    def kept(cx: Floats, cy: Floats) -> Floats:
        distance = np.hypot(cx[:, None] - points[:, 0], cy[:, None] - points[:, 1])
        return lit.disc_areas(cx, cy, _opened(distance, weight, limit))

    far = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.5, 5.0) if fine else (0.0, 0.35, 0.7, 1.2, 2.5)
    turns = np.arange(32 if fine else 12) * (2 * np.pi / (32 if fine else 12))
    cx = np.concatenate([r * np.cos(turns) for r in far])
    cy = np.concatenate([r * np.sin(turns) for r in far])
    areas = kept(cx, cy)
    top = float(areas.max())
    if not fine:
        return top
    ring = np.arange(8) * (np.pi / 4)
    start = np.argsort(-areas)[:8]
    x, y, value, step = cx[start], cy[start], areas[start], np.full(start.size, 0.12)
    for _ in range(40):  # a circle that wants to become a half-plane would walk for ever
        going = np.flatnonzero(step >= 0.004)
        if not going.size:
            break
        near_x = x[going, None] + step[going, None] * np.cos(ring)
        near_y = y[going, None] + step[going, None] * np.sin(ring)
        near = kept(near_x.ravel(), near_y.ravel()).reshape(near_x.shape)
        at = near.argmax(axis=1)[:, None]
        best = np.take_along_axis(near, at, axis=1)[:, 0]
        gained = best > value[going] + 1e-4
        step[going[~gained]] /= 2
        better, at = going[gained], at[gained]
        x[better] = np.take_along_axis(near_x[gained], at, axis=1)[:, 0]
        y[better] = np.take_along_axis(near_y[gained], at, axis=1)[:, 0]
        value[better] = best[gained]
    return max(top, float(value.max()))


def kept_by_rectangles(
    points: Floats, weight: Floats, lit: Lit, limit: float, angles: Floats, lines: int, polish: int
) -> float:
    top, best_angle = 0.0, 0.0
    for angle in angles:
        value = _rectangles_at(float(angle), points, weight, lit, limit, lines, polish)
        if value > top:
            top, best_angle = value, float(angle)
    if polish:
        width = float(angles[1] - angles[0]) / 2 if angles.size > 1 else np.pi / 24
        while width > 0.01:
            for angle in (best_angle - width, best_angle + width):
                value = _rectangles_at(angle, points, weight, lit, limit, lines, polish)
                if value > top:
                    top, best_angle = value, angle
            width /= 2
    return top


def _lines(values: Floats, weight: Floats, most: int) -> Floats:
    """At most `most` lines on which the points lie or nearly lie."""
    unique = np.unique(np.round(values, 6))
    if unique.size <= most:
        return unique
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    share /= share[-1]
    by_weight = np.interp(np.linspace(0, 1, most // 2 + 1), share, values[order])
    evenly = np.linspace(unique[0], unique[-1], most - most // 2)
    return np.unique(np.concatenate([unique[:1], by_weight, evenly, unique[-1:]]))


def _rectangles_at(
    angle: float, points: Floats, weight: Floats, lit: Lit, limit: float, lines: int, polish: int
) -> float:
    cos, sin = np.cos(angle), np.sin(angle)
    x = points[:, 0] * cos + points[:, 1] * sin
    y = -points[:, 0] * sin + points[:, 1] * cos
    xs, ys = _lines(x, weight, lines), _lines(y, weight, lines)
    ix = np.abs(x[:, None] - xs).argmin(axis=1)
    iy = np.abs(y[:, None] - ys).argmin(axis=1)
    grid = np.zeros((xs.size, ys.size))
    np.add.at(grid, (ix, iy), weight)
    # sums[i, j]: weight on lines before i and before j; sides: 0 = -far, k = line k-1, last = far
    sums = np.zeros((xs.size + 1, ys.size + 1))
    sums[1:, 1:] = grid.cumsum(axis=0).cumsum(axis=1)
    sides_x = np.concatenate([[-_FAR], xs, [_FAR]])
    sides_y = np.concatenate([[-_FAR], ys, [_FAR]])
    areas = lit.corner_areas(angle, sides_x, sides_y)
    ax, bx = np.triu_indices(sides_x.size, 1)
    ay, by = np.triu_indices(sides_y.size, 1)
    # open rectangle between sides a and b holds the lines a+1 .. b-1, that is sums[b-1] - sums[a]
    strip = sums[bx - 1] - sums[ax]
    inside = strip[:, by - 1] - strip[:, ay]
    strip_area = areas[bx] - areas[ax]
    area = np.where(inside <= limit + 1e-12, strip_area[:, by] - strip_area[:, ay], 0.0)
    if not polish:
        return float(area.max())
    flat = np.argpartition(-area.ravel(), min(polish, area.size - 1))[:polish]
    i, j = np.divmod(flat, area.shape[1])
    sides = np.stack([sides_x[ax[i]], sides_x[bx[i]], sides_y[ay[j]], sides_y[by[j]]])
    left, right, low, high = _open_sides(sides, x, y, weight, limit)
    areas = lit.corner_areas(angle, np.concatenate([left, right]), np.concatenate([low, high]))
    one = np.arange(flat.size)
    other = one + flat.size
    opened = areas[other, other] - areas[one, other] - areas[other, one] + areas[one, one]
    return float(opened.max())


def _open_sides(sides: Floats, x: Floats, y: Floats, weight: Floats, limit: float) -> Floats:
    """Shrink until the true points allow each rectangle, then open each of its sides fully.

    sides: (4, k) left, right, low, high.
    """
    sides = sides.copy()
    for _ in range(2):
        for side in range(4):
            along, across = (x, y) if side < 2 else (y, x)
            a, b = sides[2:] if side < 2 else sides[:2]
            sign = 1.0 if side % 2 else -1.0
            ahead = sign * (along - sides[side ^ 1][:, None]) > 0
            chosen = (across > a[:, None]) & (across < b[:, None]) & ahead
            # What is not between the other sides weighs nothing here.
            sides[side] = sign * _opened(
                np.where(chosen, sign * along, _FAR), np.where(chosen, weight, 0.0), limit
            )
    return sides


def crop_loss(
    strokes_xy: NDArray[np.float64],
    weights: NDArray[np.float64] | None,
    lit: FieldSpan,
    fine: bool = True,
) -> float:
    """Least share of the lit picture that a crop must lose to keep at most 5 % of the strokes.

    strokes_xy: (n, 2) points of all strokes, relative to the field. weights: (n,), or
    None for equal ones. fine: False for a quick estimate, never below the fine value by
    more than its search error, for the optimiser.
    Returns 0 (a crop removes the mark for nothing) .. 1. Method: see the module.
    Raises ValueError without points or with shapes that do not match.
    """
    points = np.asarray(strokes_xy, np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or points.shape[0] == 0:
        raise ValueError("strokes_xy takes an array (n, 2) with n >= 1")
    weight = np.ones(len(points)) if weights is None else np.asarray(weights, np.float64)
    if weight.shape != (len(points),) or not float(weight.sum()) > 0 or (weight < 0).any():
        raise ValueError("weights takes n values, none below 0, some above")
    return _loss(points, weight, Lit(lit, 384 if fine else 128), fine)


def quick_loss(points: Floats, weight: Floats, lit: Lit, goal: float) -> float:
    """A quick estimate for the optimiser; once it is below `goal` the search stops."""
    return _loss(points, weight, lit, False, goal)


def _loss(points: Floats, weight: Floats, lit: Lit, fine: bool, goal: float = 0.0) -> float:
    return _searched(points.tobytes(), weight.tobytes(), lit, fine, goal)


@lru_cache(maxsize=1024)  # a plan that is made again, after a decision, asks for the same ones
def _searched(points_: bytes, weight_: bytes, lit: Lit, fine: bool, goal: float) -> float:
    points, weight = np.frombuffer(points_).reshape(-1, 2), np.frombuffer(weight_)
    limit = LEFT_OVER * float(weight.sum())
    whole = lit.area()
    if whole <= 0:
        return 0.0
    kept = kept_by_half_planes(points, weight, lit, limit, 72 if fine else 16)
    if 1 - kept / whole >= goal:
        turns = np.arange(12 if fine else 4) * (np.pi / (24 if fine else 8))
        kept = max(
            kept,
            kept_by_circles(points, weight, lit, limit, fine),
            kept_by_rectangles(
                points, weight, lit, limit, turns, 16 if fine else 12, 6 if fine else 0
            ),
        )
    return float(min(1.0, max(0.0, 1.0 - kept / whole)))
