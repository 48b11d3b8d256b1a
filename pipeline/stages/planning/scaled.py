"""A scale bar on photographs whose pixel spacing is known: a round length, low in the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.model.case import Case
from pipeline.model.field import field_at
from pipeline.model.plan import Piece, PlannedSource, ScaleBar
from pipeline.stages.planning.given import SourceInput

_LONGEST = 0.3  # of the width of what is shown
_HIGH = 0.09  # words and bar, of the clip's shorter side
_UP = 0.08  # from its lower edge, of the height of what is shown
_SHORTEST_PX = 24


def with_spacing(
    case: Case, sources: Sequence[SourceInput], planned: Sequence[PlannedSource]
) -> list[PlannedSource]:
    """The sources with the pixel spacing that the case gives."""
    return [
        p.model_copy(
            update={"pixel_spacing_mm": case.recording[s.recording_index].pixel_spacing_mm}
        )
        for s, p in zip(sources, planned, strict=True)
    ]


def with_bars(
    pieces: Sequence[Piece], planned: Sequence[PlannedSource], size: tuple[int, int]
) -> list[Piece]:
    """The pieces, those of photographs with a scale with its bar. size: of the clip."""
    out = []
    for piece in pieces:
        source = planned[piece.source]
        bar = None
        if piece.kind == "freeze" and source.still and source.pixel_spacing_mm:
            bar = _bar(source, piece.start_s, source.pixel_spacing_mm, size)
        out.append(piece.model_copy(update={"scale_bar": bar}) if bar else piece)
    return out


def _bar(
    source: PlannedSource, time_s: float, spacing_mm: float, size: tuple[int, int]
) -> ScaleBar | None:
    """None where no bar that can be read is short enough."""
    place = source.placement(*size)
    left, top, right, bottom = place.field(field_at(source.fields, time_s)).lit_box
    left, right = max(0.0, left), min(float(size[0]), right)
    top, bottom = max(0.0, top), min(float(size[1]), bottom)
    px_per_mm = place.scale / spacing_mm
    most_mm = _LONGEST * (right - left) / px_per_mm
    decade = 10.0 ** math.floor(math.log10(most_mm))
    mm = max(n * decade for n in (1, 2, 5) if n * decade <= most_mm * (1 + 1e-9))
    length = round(mm * px_per_mm)
    if length < _SHORTEST_PX:
        return None
    high = 2 * round(_HIGH * min(size) / 2)
    wide = 2 * math.ceil((length + 2 * high) / 2)
    x = 2 * round(((left + right) / 2 - wide / 2) / 2)
    y = 2 * round((bottom - _UP * (bottom - top) - high) / 2)
    return ScaleBar(mm=round(mm, 9), length_px=length, box_px=(x, y, wide, high))
