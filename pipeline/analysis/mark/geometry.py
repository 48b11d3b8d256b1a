"""A mark as a shape in the field: its strokes turned and scaled, inside the lit edge or not."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.activity import lit_grid
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPosition

MARGIN = 0.04
"""The mark stays this far, in field radii, inside the lit edge."""


def stroke_points(
    positions: list[MarkPosition], aspect: float, coverage: NDArray[np.float32] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points (n, 2) and weights (n,) of the strokes of a group, relative to the field.

    coverage: (row, col) of one mark; None for an evenly filled box of the aspect (width / height).
    """
    if coverage is None:
        across = max(9, min(41, round(5 * aspect)))
        down = max(3, min(41, round(5 / min(aspect, 5.0))))
        grid = np.ones((down, across))
        x = np.linspace(-0.5, 0.5, across)
        y = np.linspace(-0.5, 0.5, down) / aspect
    else:
        import cv2

        across = 48
        down = max(4, min(48, round(across / aspect)))
        grid = cv2.resize(coverage, (across, down), interpolation=cv2.INTER_AREA).astype(np.float64)
        x = (np.arange(across) + 0.5) / across - 0.5
        y = ((np.arange(down) + 0.5) / down - 0.5) / aspect
    gx, gy = np.meshgrid(x, y)
    inked = grid > 0.02
    base = np.column_stack([gx[inked], gy[inked]])
    points = [turned(base * p.width_ratio, p.angle_deg) + np.array([p.x, p.y]) for p in positions]
    return np.concatenate(points), np.asarray(np.tile(grid[inked], len(positions)))


def turned(points: NDArray[np.float64], angle_deg: float) -> NDArray[np.float64]:
    a = math.radians(angle_deg)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    return np.asarray(points @ turn)


def mark_frame(width_ratio: float, aspect: float, angle_deg: float) -> NDArray[np.float64]:
    """Corners and side middles of a mark at the centre: (8, 2)."""
    half_x, half_y = width_ratio / 2, width_ratio / aspect / 2
    ring = ((-1, -1), (0, -1), (1, -1), (1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0))
    return turned(np.array([[i * half_x, j * half_y] for i, j in ring]), angle_deg)


def is_inside(position: MarkPosition, aspect: float, fields: list[FieldSpan]) -> tuple[bool, bool]:
    """(inside the lit picture with its margin, inside every export crop), for every span.

    The crops 16:9, square and 9:16 are taken to fill the lit box, centred on it: the
    mark survives a crop that wastes no surround.
    """
    frame = mark_frame(position.width_ratio, aspect, position.angle_deg)
    lit, kept = insides(np.array([[position.x, position.y]]), frame, fields)
    return bool(lit[0]), bool(kept[0])


def insides(
    centres: NDArray[np.float64], frame: NDArray[np.float64], fields: list[FieldSpan]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """`is_inside` of a mark of outline `frame` at each of `centres` (n, 2): two (n,)."""
    corners = centres[:, None, :] + frame[None]
    x, y = corners[..., 0], corners[..., 1]
    lit = np.ones(len(centres), bool)
    kept = np.ones(len(centres), bool)
    for field in fields:
        left, top = field.relative(field.left_px, field.top_px)
        right, bottom = field.relative(field.right_px, field.bottom_px)
        if field.shape in ("circle", "circle-clipped"):
            left, top, right, bottom = max(left, -1), max(top, -1), min(right, 1), min(bottom, 1)
            lit &= (np.hypot(x, y) <= 1 - MARGIN).all(axis=1)
        elif field.outline_px is not None:
            grid = lit_grid(field, 200)
            at = np.clip(((corners * (1 + MARGIN) + 1) * 100).astype(int), 0, 199)
            lit &= grid[at[..., 1], at[..., 0]].all(axis=1)
        lit &= ((x >= left + MARGIN) & (x <= right - MARGIN)).all(axis=1)
        lit &= ((y >= top + MARGIN) & (y <= bottom - MARGIN)).all(axis=1)
        half_x, half_y = _kept_by_exports(right - left, bottom - top)
        kept &= (np.abs(x - (left + right) / 2) <= half_x).all(axis=1)
        kept &= (np.abs(y - (top + bottom) / 2) <= half_y).all(axis=1)
    return lit, kept


def _kept_by_exports(wide: float, high: float) -> tuple[float, float]:
    """Half sizes of what the crops 16:9, square and 9:16 of a lit box all keep.

    Each crop is the largest of its shape inside the box.
    """
    half_x = half_y = math.inf
    for shape in (16 / 9, 1.0, 9 / 16):
        half_x = min(half_x, min(wide, high * shape) / 2)
        half_y = min(half_y, min(high, wide / shape) / 2)
    return half_x, half_y


def distinct_fields(fields: list[FieldSpan]) -> list[FieldSpan]:
    """At most six spans that stand for all: those that differ most in what is lit.

    Relative to themselves most spans of a recording are alike. Spans under a second (or under 2 %
    of the whole) are left out. Of many, the longest and the tightest at each side remain.
    """
    out: dict[tuple[float, ...], FieldSpan] = {}
    length_s: dict[tuple[float, ...], float] = {}
    for field in lasting_fields(fields):
        box: tuple[float, ...] = (
            *field.relative(field.left_px, field.top_px),
            *field.relative(field.right_px, field.bottom_px),
        )
        if field.shape in ("circle", "circle-clipped"):
            box = tuple(max(-1.0, min(1.0, v)) for v in box)
        key = (*(round(v * 50) / 50 for v in box), float(len(field.outline_px or [])))
        out.setdefault(key, field)
        length_s[key] = length_s.get(key, 0.0) + field.stop_s - field.start_s
    if len(out) <= 6:
        return list(out.values())
    keys = [max(length_s, key=lambda k: length_s[k])]
    keys += [max(out, key=lambda k: k[0]), max(out, key=lambda k: k[1])]
    keys += [min(out, key=lambda k: k[2]), min(out, key=lambda k: k[3])]
    return [out[k] for k in dict.fromkeys(keys)]


def lasting_fields(fields: list[FieldSpan]) -> list[FieldSpan]:
    """Spans long enough to matter: at least a second, or 2 % of all; all if none is."""
    known = [f for f in fields if f.radius_px > 0]
    least_s = min(1.0, 0.02 * sum(max(0.0, f.stop_s - f.start_s) for f in known))
    return [f for f in known if f.stop_s - f.start_s >= least_s] or known
