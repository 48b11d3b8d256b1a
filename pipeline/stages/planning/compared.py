"""The comparison card: before and after side by side, the field at one size. Pure.

Its pictures are moments that the clip plays as well: what was cut, held, restored or is blacked
out there is so here. There is one for each side of which both are shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

import numpy as np

from pipeline.model.case import Case, Side
from pipeline.model.field import FieldSpan, field_at
from pipeline.model.plan import Compared, Edit, Piece, PlannedSource, Restoration
from pipeline.model.time import round_s
from pipeline.stages.clear_picture import OUTSIDE, Clearness, in_event
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.picture import has_field

REASON = "before and after"
LENGTH_S = 6.0
_STRIP, _MARGIN = 0.1, 0.03  # of the picture's shorter side
_LEAST_MARGIN_PX = 12  # coding spreads the rim of a field
_STEP_S, _EDGE_S = 0.25, 0.1  # looks at a played part, and what is left out at its ends
_SIDES = {"left": "Left side", "right": "Right side", "midline": "Midline", None: ""}
Phase = Literal["before", "after"]


class _Moment(NamedTuple):
    source: int
    start_s: float
    field: FieldSpan


def comparisons(
    case: Case,
    sources: Sequence[SourceInput],
    planned: Sequence[PlannedSource],
    pieces: Sequence[Piece],
    clearness: Mapping[int, Clearness],
    edits: Sequence[Edit],
    restored: Sequence[Restoration],
    size: tuple[int, int],
    warnings: list[str],
) -> list[list[Compared]]:
    """The two pictures of each card, in the order in which the sides are shown.

    size: (width, height) of the clip.
    """
    cards = []
    of = [case.recording[s.recording_index] for s in sources]
    played = [p for p in pieces if p.kind == "play"]
    for side in dict.fromkeys(of[p.source].side for p in pieces):
        found = []
        for phase in ("before", "after"):
            own = [p for p in played if (of[p.source].side, of[p.source].phase) == (side, phase)]
            moment = _clearest(own, planned, clearness, edits, restored)
            if moment is not None:
                found.append(moment)
            elif own:
                warnings.append(
                    f"{_said(side, phase)}: no clear picture, so there is no comparison of it"
                )
        if len(found) == 2:
            cards.append(_laid(found, planned, side, size))
    return cards


def _clearest(
    pieces: Sequence[Piece],
    planned: Sequence[PlannedSource],
    clearness: Mapping[int, Clearness],
    edits: Sequence[Edit],
    restored: Sequence[Restoration],
) -> _Moment | None:
    """The best of what is played; None where all of it is disturbed."""
    best: tuple[float, ...] = (math.inf,)
    moment = None
    for piece in pieces:
        first_s = piece.start_s + piece.fade_s + _EDGE_S
        for time_s in np.arange(first_s, piece.start_s + piece.length_s - _EDGE_S, _STEP_S):
            at_s = round_s(float(time_s))
            rank, loss, blur = clearness[piece.source].at(at_s)
            outside = rank >= OUTSIDE and has_field(planned[piece.source].fields)
            disturbed = outside or in_event(edits, piece.source, at_s)
            undone = any(
                r.source == piece.source and r.start_s <= at_s < r.stop_s for r in restored
            )
            cost = (rank, blur + (loss if math.isfinite(loss) else 0.3))
            if not (disturbed or undone) and cost < best:
                field = field_at(planned[piece.source].fields, at_s)
                best, moment = cost, _Moment(piece.source, at_s, field)
    return moment


def _laid(
    moments: Sequence[_Moment],
    planned: Sequence[PlannedSource],
    side: Side | None,
    size: tuple[int, int],
) -> list[Compared]:
    """Each field in the middle of its half, both of one radius; the words below."""
    width, height = size
    margin = _even(max(_LEAST_MARGIN_PX, _MARGIN * min(size)))
    strip, half = _even(_STRIP * min(size)), width // 4 * 2
    boxes = [m.field.lit_box for m in moments]
    radii = [m.field.radius_px for m in moments]
    lit = [((b[2] - b[0]) / r, (b[3] - b[1]) / r) for b, r in zip(boxes, radii, strict=True)]
    wide, high = (max(n[k] for n in lit) for k in (0, 1))
    radius_px = min((half - 2 * margin) / wide, (height - strip - 3 * margin) / high, max(radii))
    top = (height - radius_px * high - margin - strip) / 2
    strip_y = _even(top + radius_px * high + margin)
    out = []
    for number, (moment, box, r) in enumerate(zip(moments, boxes, radii, strict=True)):
        scale = radius_px / r
        middle = (half * number + half / 2, top + radius_px * high / 2)
        moved = [
            2.0 * round((at - scale * (low + far) / 2) / 2)
            for at, low, far in zip(middle, box[:2], box[2:], strict=True)
        ]
        words = _said(side, ("before", "after")[number])
        place = (half * number + margin, strip_y, half - 2 * margin, strip)
        out.append(
            Compared(source=moment.source, start_s=moment.start_s,
                     moved=(scale, moved[0], moved[1]), words=words, strip_px=place)
        )  # fmt: skip
    return out


def _said(side: Side | None, phase: str) -> str:
    return f"{_SIDES[side]}, {phase}" if _SIDES[side] else phase.capitalize()


def _even(length_px: float) -> int:
    return 2 * math.floor(length_px / 2)
