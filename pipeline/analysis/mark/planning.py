"""The plan of the marks: where they go, how large, and how visible they shall be."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.activity import cost_map
from pipeline.analysis.mark.geometry import distinct_fields
from pipeline.analysis.mark.judge import LEGIBLE_PX, evaluate
from pipeline.analysis.mark.place import place, wanted_width
from pipeline.analysis.mark.strokes import two_tone
from pipeline.analysis.mark.wander import Stretch, least_on_way, paths, rooms
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPlan, MarkPosition
from pipeline.model.options import MarkOptions

TARGET_IN_BAND = 0.57
"""Where in the band the painter aims: 0 its low end, 1 its high end. Above the middle, because
x264 at CRF 20 takes 0.3 to 0.8 L* of a mark of 9 (measured on tissue, tests/benchmarks/mark.py)."""

LITTLE_ROOM = 0.04
"""Field radii; in less, the median over the clip finds half of the pattern (same place)."""


def plan_mark(
    fields: list[FieldSpan],
    activity: dict[str, NDArray[np.float64]] | None,
    options: MarkOptions,
    coverage: NDArray[np.float32],
    x_height_ratio: float | None,
    lettering_boxes: list[tuple[float, float, float, float]],
    seed: int,
    *,
    height_px: int | None = None,
    positions: list[MarkPosition] | None = None,
    shown: Sequence[Stretch] = (),
) -> MarkPlan:
    """Choose the placement and fix all that the painter needs.

    coverage, x_height_ratio: of one mark, from `media.glyphs.load_glyph`.
    positions: a person's choice; None for the best candidate.
    seed: of the release; private.
    shown: the stretches of the recordings over which the mark wanders; none: it stands still.
    Raises ValueError without a field, or if the band is empty.
    """
    if options.visibility_high <= options.visibility_low:
        raise ValueError("visibility_high must be above visibility_low")
    tones = two_tone(coverage)
    # the edge makes the drawn mark larger than its ink
    grown = tones.shape[-1] / coverage.shape[-1]
    aspect = tones.shape[-1] / tones.shape[-2]
    ratio = None if x_height_ratio is None else x_height_ratio / grown
    ink = tones.max(axis=0)
    candidates = place(
        fields,
        activity,
        aspect,
        options,
        lettering_boxes,
        height_px=height_px,
        x_height_ratio=ratio,
        coverage=ink,
    )
    chosen = candidates[0]
    if positions is not None:
        chosen = evaluate(
            positions,
            fields,
            activity,
            aspect,
            options,
            lettering_boxes,
            height_px=height_px,
            x_height_ratio=ratio,
            coverage=ink,
        )
    ways, least, warnings = [], None, []
    if shown and options.motion == "drift":
        spans = distinct_fields(fields)
        cost = cost_map(spans, activity, lettering_boxes)
        room = rooms(chosen.positions, spans, aspect, cost, lettering_boxes, options.crop_loss_goal)
        ways = paths(room, shown, options.speed_ratio)
        least = round(least_on_way(chosen.positions, ways, spans, aspect, ink), 4)
        if min(min(r.wide, r.high) for r in room) < LITTLE_ROOM:
            warnings.append(
                "The mark has little room to wander and is easier to take off;"
                " make it smaller (size_ratio in [mark]) or put it in another place"
            )
    loss = chosen.crop_loss if least is None else least
    if loss < options.crop_loss_goal:
        warnings.append(
            f"Crop loss of the mark is {loss:.2f}, below the goal of {options.crop_loss_goal:.2f}"
        )
    if not chosen.legible and chosen.x_height_px is not None:
        width = min(p.width_ratio for p in chosen.positions)
        needed = math.ceil(100 * width * LEGIBLE_PX / chosen.x_height_px) / 100
        warnings.append(
            f"The mark's x-height is {chosen.x_height_px:.1f} px at 360 rows,"
            f" below {LEGIBLE_PX:.0f}; a size_ratio of {needed:.2f} or a shorter text helps"
        )
    if not chosen.inside:
        warnings.append("The mark leaves the lit picture or an export crop (16:9, square, 9:16)")
    width = min(p.width_ratio for p in chosen.positions)
    wanted = wanted_width(options, aspect)
    if positions is None and width < wanted - 1e-6:
        warnings.append(
            f"The mark was made smaller, {width:.2f} instead of {wanted:.2f} radii,"
            " to fit the export crops"
        )
    low, high = options.visibility_low, options.visibility_high
    return MarkPlan(
        chosen=chosen,
        text="" if options.emblem else options.text,
        emblem=options.emblem,
        font=options.font,
        band_low=low,
        band_high=high,
        target=round(low + TARGET_IN_BAND * (high - low), 3),
        warp_px=options.warp_px,
        seed=seed,
        paths=ways,
        least_crop_loss=least,
        candidates=candidates,
        warnings=warnings,
    )
