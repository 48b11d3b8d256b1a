"""Uniform cubic B-splines over time: where a mark is along its planned way."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.model.mark import MarkPath, MarkPosition


def basis(part: float) -> tuple[float, float, float, float]:
    """Uniform cubic B-spline: weights of four control points, `part` (0..1) past the second."""
    rest = 1 - part
    return (
        rest**3 / 6,
        (3 * part**3 - 6 * part**2 + 4) / 6,
        (3 * rest**3 - 6 * rest**2 + 4) / 6,
        part**3 / 6,
    )


def moved(position: MarkPosition, x: float, y: float, turn_deg: float = 0.0) -> MarkPosition:
    return MarkPosition(
        x=position.x + x,
        y=position.y + y,
        angle_deg=position.angle_deg + turn_deg,
        width_ratio=position.width_ratio,
    )


def placed_at(
    positions: Sequence[MarkPosition], ways: Sequence[MarkPath], source: int, time_s: float
) -> list[MarkPosition]:
    """Where the marks are in the picture of a recording at `time_s` of it."""
    way = next((w for w in ways if w.source == source), None)
    if way is None:
        return list(positions)
    past = (time_s - way.start_s) / way.step_s
    first = math.floor(past)
    weights = basis(past - first)
    out = []
    for position, points in zip(positions, way.marks, strict=True):
        near = [points[min(max(0, first + k), len(points) - 1)] for k in (-1, 0, 1, 2)]
        x, y, turn = (
            sum(w * p[axis] for w, p in zip(weights, near, strict=True)) for axis in range(3)
        )
        out.append(moved(position, x, y, turn))
    return out
