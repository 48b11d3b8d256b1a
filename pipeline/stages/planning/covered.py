"""What a person has to know of boxes before looking: whether they leave anything to be seen, and
where there is none although something might be."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from pipeline.model.field import FieldSpan, field_at
from pipeline.model.plan import Redaction
from pipeline.model.time import Span, format_time, merge_spans, times, total_s
from pipeline.model.timeline import Timeline
from pipeline.stages.planning.given import SourceInput

MOST_RATIO = 0.5
"""Of the field. Lettering and faces are seldom so large; tissue that was taken for them may be."""
LEAST_S = 1.0
_GRID = 48


def covered_told(
    sources: Sequence[SourceInput], redactions: Sequence[Redaction], axis: Timeline
) -> list[str]:
    """A sentence where boxes cover most of the field for a second or more, in case time."""
    spans = merge_spans(
        in_case
        for number, source in enumerate(sources)
        for span in mostly_covered(
            source.survey.field, [r for r in redactions if r.source == number and r.box_px]
        )
        for in_case in axis.case_of_source(number, span)
    )
    if total_s(spans) < LEAST_S:
        return []
    return [
        f"boxes cover most of the field for {total_s(spans):.1f} s, the first time at"
        f" {format_time(spans[0].start_s)}: look on the review page whether there is anything to"
        " be covered, and reject what is not"
    ]


def doubted_told(sources: Sequence[SourceInput], axis: Timeline) -> list[str]:
    """A sentence about places that a look took for lettering and nothing bore out, in case time."""
    spans = merge_spans(
        in_case
        for number, source in enumerate(sources)
        for d in source.survey.doubted
        for in_case in axis.case_of_source(number, Span(d.start_s, d.stop_s))
    )
    if not spans:
        return []
    return [
        f"something looks a little like lettering at {times(spans)}: nothing is covered there;"
        " look, and cover the place on the review page if it is lettering"
    ]


def mostly_covered(fields: Sequence[FieldSpan], boxes: Sequence[Redaction]) -> list[Span]:
    """Spans of the source in which boxes cover at least half of the field."""
    covers = [c for r in boxes for c in r.covers]
    edges = sorted({t for c in covers for t in (c.start_s, c.stop_s)})
    return merge_spans(
        Span(a, b)
        for a, b in pairwise(edges)
        if _covered(
            field_at(fields, (a + b) / 2),
            [c.box_px for c in covers if c.start_s <= a and c.stop_s >= b],
        )
        >= MOST_RATIO
    )


def _covered(field: FieldSpan, boxes: Sequence[tuple[int, int, int, int]]) -> float:
    """The share of the field's circle, as far as it is lit, under boxes (x, y, width, height)."""
    left, top, right, bottom = field.lit_box
    steps = (np.arange(_GRID) + 0.5) / _GRID
    x = left + (right - left) * steps
    y = (top + (bottom - top) * steps)[:, None]
    inside = np.ones((_GRID, _GRID), bool)
    if field.shape != "none":
        far = np.hypot(x - field.center_x_px, y - field.center_y_px)
        inside = far <= max(field.radius_px, 1.0)
    under = np.zeros_like(inside)
    for box_x, box_y, width, height in boxes:
        under |= (x >= box_x) & (x < box_x + width) & (y >= box_y) & (y < box_y + height)
    return float((under & inside).sum() / max(1, inside.sum()))
