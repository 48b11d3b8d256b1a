"""What a place of the marks costs: crop loss, work covered, lettering covered, legibility."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.activity import GRID, cost_map
from pipeline.analysis.mark.crop import crop_loss
from pipeline.analysis.mark.geometry import (
    distinct_fields,
    is_inside,
    lasting_fields,
    mark_frame,
    stroke_points,
)
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkCandidate, MarkPosition
from pipeline.model.options import MarkOptions

LEGIBLE_PX = 9.0
"""Least x-height at 360 rows of output."""


def work_covered(cost: NDArray[np.float64], position: MarkPosition, aspect: float) -> float:
    points, _ = stroke_points([position], aspect)
    at = np.clip(((points + 1) * GRID / 2).astype(int), 0, GRID - 1)
    # tilted or off the axis, a mark catches the eye a little more: common practice, no source
    unrest = 0.001 * abs(position.angle_deg) + 0.1 * abs(position.x)
    return float(cost[at[:, 1], at[:, 0]].mean()) + unrest


def evaluate(
    positions: list[MarkPosition],
    fields: list[FieldSpan],
    activity: dict[str, NDArray[np.float64]] | None,
    glyph_aspect: float,
    options: MarkOptions,
    lettering_boxes: list[tuple[float, float, float, float]],
    *,
    height_px: int | None = None,
    x_height_ratio: float | None = None,
    coverage: NDArray[np.float32] | None = None,
) -> MarkCandidate:
    """Numbers of one placement, for example a dragged one. Arguments as in `place`."""
    spans = distinct_fields(fields)
    cost = cost_map(spans, activity, lettering_boxes)
    points, weight = stroke_points(positions, glyph_aspect, coverage)
    loss = _least_loss(points, weight, spans)
    checks = [is_inside(p, glyph_aspect, spans) for p in positions]
    intrusion = sum(work_covered(cost, p, glyph_aspect) for p in positions)
    x_px = None
    if x_height_ratio is not None:
        radius = min(field.radius_px for field in lasting_fields(fields))
        rows = height_px or max(round(span.bottom_px) for span in spans)
        width_ratio = min(p.width_ratio for p in positions)
        x_px = x_height_ratio * width_ratio * radius * 360 / rows
    reasons = [
        f"any crop that removes it loses {100 * loss:.0f} % of the lit picture"
        + (
            ""
            if loss >= options.crop_loss_goal
            else f", less than the goal of {100 * options.crop_loss_goal:.0f} %"
        )
    ]
    near = min(math.hypot(p.x, p.y) for p in positions)
    reasons.append(f"nearest mark is {near:.2f} radii from the centre")
    if activity is None:
        reasons.append("activity unknown: only the centre was kept free")
    if any(over_lettering(p, glyph_aspect, spans, lettering_boxes) for p in positions):
        reasons.append("lies over lettering")
    if not all(lit for lit, _ in checks):
        reasons.append("reaches over the edge of the lit picture")
    if not all(kept for _, kept in checks):
        reasons.append("a 16:9, square or 9:16 export would cut it")
    if x_px is not None and x_px < LEGIBLE_PX:
        reasons.append(f"x-height {x_px:.1f} px at 360 rows, below {LEGIBLE_PX:.0f}")
    return MarkCandidate(
        positions=positions,
        crop_loss=round(loss, 4),
        intrusion=round(intrusion, 4),
        x_height_px=None if x_px is None else round(x_px, 2),
        legible=x_px is None or x_px >= LEGIBLE_PX,
        inside=all(lit and kept for lit, kept in checks),
        reasons=reasons,
    )


def _least_loss(
    points: NDArray[np.float64], weight: NDArray[np.float64], spans: list[FieldSpan]
) -> float:
    """Crop loss in the span where it is least; only spans near the least are searched finely."""
    if len(spans) == 1:
        return crop_loss(points, weight, spans[0])
    quick = [crop_loss(points, weight, span, fine=False) for span in spans]
    near = min(quick) + 0.06  # more than the quick estimate was ever seen to be off
    return min(
        crop_loss(points, weight, span)
        for span, loss in zip(spans, quick, strict=True)
        if loss <= near
    )


def over_lettering(
    position: MarkPosition,
    aspect: float,
    spans: list[FieldSpan],
    boxes: list[tuple[float, float, float, float]],
) -> bool:
    corners = mark_frame(position.width_ratio, aspect, position.angle_deg)
    corners = corners + np.array([position.x, position.y])
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    for box in boxes:
        for span in spans:
            bx0, by0 = span.relative(box[0], box[1])
            bx1, by1 = span.relative(box[0] + box[2], box[1] + box[3])
            if bx0 < x1 and x0 < bx1 and by0 < y1 and y0 < by1:
                return True
    return False
