"""Where things stand in the finished clip: fields, marks, words, in its own time and pixels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan, field_at, whole_picture
from pipeline.model.plan import Piece, Plan
from pipeline.model.time import Span
from pipeline.model.timeline import seen_in_clip
from pipeline.stages.card import card_box, strip_boxes
from pipeline.stages.planning.picture import has_field
from pipeline.stages.restore import words_box

TimedBox = tuple[int, int, int, int, float, float]


def out_fields(plan: Plan) -> list[FieldSpan]:
    """The fields of the finished clip, in its own time and pixels."""
    # Where two are shown at once all of the picture is looked at.
    twice = [whole_picture(plan.width_px, plan.height_px, *p.in_clip, 1.0)
             for p in plan.pieces if p.compared]  # fmt: skip
    return sorted([*_single_fields(plan), *twice], key=lambda f: f.start_s)


def _single_fields(plan: Plan) -> list[FieldSpan]:
    out: list[FieldSpan] = []
    for piece in (p for p in plan.pieces if not p.compared):
        source, place = plan.sources[piece.source], plan.placement(piece.source)
        if piece.kind != "play":
            spans = [(field_at(source.fields, piece.start_s), piece.in_clip)]
        else:
            seen = [(f, seen_in_clip(piece, (f.start_s, f.stop_s))) for f in source.fields]
            spans = [(f, span) for f, span in seen if span is not None]
        out += [
            place.field(f).model_copy(update={"start_s": a, "stop_s": b}) for f, (a, b) in spans
        ]
    return out


def compared_fields(plan: Plan) -> list[FieldSpan]:
    """The fields of cards with two pictures, in pixels of the finished clip."""
    out = []
    for shown in (c for p in plan.pieces for c in p.compared):
        source = plan.sources[shown.source].model_copy(update={"moved": shown.moved})
        span = field_at(source.fields, shown.start_s)
        out.append(source.placement(plan.width_px, plan.height_px).field(span))
    return out


def mark_boxes(plan: Plan, coverage: NDArray[np.float32]) -> list[tuple[int, int, int, int]]:
    """Where the mark may be read as lettering: boxes in pixels of the finished clip, padded.

    Of a mark that wanders, all that it ever reaches: what watches for lettering looks longer than
    the mark is in one place.
    """
    if plan.mark is None:
        return []
    aspect = coverage.shape[-1] / coverage.shape[-2]
    boxes = []
    for span in [*_single_fields(plan), *compared_fields(plan)]:
        for p, (x0, x1, y0, y1) in zip(plan.mark.chosen.positions, plan.mark.reach, strict=True):
            x, y = span.pixel(p.x + (x0 + x1) / 2, p.y + (y0 + y1) / 2)
            far_x, far_y = (x1 - x0) / 2 * span.radius_px, (y1 - y0) / 2 * span.radius_px
            half = 0.5 * p.width_ratio * span.radius_px
            turn = np.deg2rad(p.angle_deg)
            wide = half * abs(np.cos(turn)) + half / aspect * abs(np.sin(turn))
            high = half * abs(np.sin(turn)) + half / aspect * abs(np.cos(turn))
            pad = 0.8 * half / aspect + 4
            boxes.append(
                (
                    round(x - wide - far_x - pad),
                    round(y - high - far_y - pad),
                    round(2 * (wide + far_x + pad)),
                    round(2 * (high + far_y + pad)),
                )
            )
    return list(dict.fromkeys(boxes))


def words_boxes(plan: Plan, marks: Sequence[tuple[int, int, int, int]]) -> list[TimedBox]:
    """Words that are meant to be in the picture: (x, y, width, height, start_s, stop_s).

    Padded as the mark is; of the restored spans and of the card; and the place of captions.
    marks: as from `mark_boxes`.
    """
    out: list[TimedBox] = []
    if plan.drawn is not None:
        out += [(*plan.drawn.box_px, cue.start_s, cue.stop_s) for cue in plan.drawn.cues]
    for piece in plan.pieces:
        if piece.scale_bar is not None:
            out.append((*_padded(piece.scale_bar.box_px), *piece.in_clip))
        for box in strip_boxes(piece.compared):
            out.append((*_padded(box), *piece.in_clip))
        if piece.kind == "card" and not piece.compared:
            box = card_box(piece.words, plan.width_px, plan.height_px)
            out.append((*_padded(box), *piece.in_clip))
        if piece.kind not in ("play", "freeze"):
            continue
        fielded = has_field(plan.sources[piece.source].fields)
        for start_s, end_s in _restored(plan, piece):
            for span in out_fields(plan):
                a, b = max(start_s, span.start_s), min(end_s, span.stop_s)
                if b > a and (span.shape != "none" or not fielded):
                    box = words_box(span, plan.width_px, plan.height_px, marks)
                    out.append((*_padded(box), a, b))
    return out


def _restored(plan: Plan, piece: Piece) -> list[Span]:
    """Spans of the clip in which the piece shows restored pictures."""
    own = [r for r in plan.restorations if r.source == piece.source]
    seen = [seen_in_clip(piece, (r.start_s, r.stop_s)) for r in own]
    return [span for span in seen if span is not None]


def _padded(box: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    pad = max(6, box[3] // 2)
    return box[0] - pad, box[1] - pad, box[2] + 2 * pad, box[3] + 2 * pad
