"""The plan of the marks: where they go, how large, and how visible they shall be."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.judge import LEGIBLE_PX, evaluate
from pipeline.analysis.mark.place import place, wanted_width
from pipeline.analysis.mark.strokes import two_tone
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPlan, MarkPosition
from pipeline.model.options import MarkOptions

TARGET_IN_BAND = 0.57
"""Where in the band the painter aims: 0 its low end, 1 its high end. Above the middle, because
x264 at CRF 20 takes 0.3 to 0.8 L* of a mark of 9 (measured on tissue, tests/benchmarks/mark.py)."""


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
) -> MarkPlan:
    """Choose the placement and fix all that the painter needs.

    coverage, x_height_ratio: of one mark, from `media.glyphs.load_glyph`.
    positions: a person's choice; None for the best candidate.
    seed: of the release; private.
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
    warnings = []
    if chosen.crop_loss < options.crop_loss_goal:
        warnings.append(
            f"Crop loss of the mark is {chosen.crop_loss:.2f},"
            f" below the goal of {options.crop_loss_goal:.2f}"
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
        candidates=candidates,
        warnings=warnings,
    )
