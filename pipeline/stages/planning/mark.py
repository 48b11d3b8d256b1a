"""Where the mark lies: the fields, the activity and the lettering that its place is chosen from."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.planning import plan_mark
from pipeline.analysis.mark.wander import Stretch
from pipeline.model.case import Case
from pipeline.model.decisions import Decision
from pipeline.model.mark import MarkPosition
from pipeline.model.options import Options
from pipeline.model.plan import Piece, PlannedSource
from pipeline.stages.planning.given import GlyphInput, SourceInput


def placed_mark(
    sources: Sequence[SourceInput],
    planned: Sequence[PlannedSource],
    case: Case,
    options: Options,
    glyph: GlyphInput,
    revision: int,
    width_px: int,
    height_px: int,
    decisions: Sequence[Decision],
    pieces: Sequence[Piece],
) -> tuple[Any, list[str]]:
    places = [p.placement(width_px, height_px) for p in planned]
    every = [place.field(f) for p, place in zip(planned, places, strict=True) for f in p.fields]
    fields = [f for f in every if f.shape != "none"] or every
    grids: dict[str, list[NDArray[Any]]] = {}
    for source in sources:
        for key, value in source.series.items():
            if key.startswith("activity_"):
                grids.setdefault(key.removeprefix("activity_"), []).append(value)
    activity = {
        key: _mean_known(values)
        for key, values in grids.items()
        if len({v.shape for v in values}) == 1
    }
    seed_text = "|".join([*(p.sha256 for p in planned), options.output.profile, str(revision)])
    seed = int.from_bytes(hashlib.sha256(seed_text.encode()).digest()[:6], "big")
    boxes = [
        place.box(cover.box_px)
        for place, s in zip(places, sources, strict=True)
        for letters in s.survey.lettering
        if letters.where == "field"
        for cover in letters.covers
    ]
    chosen = next((d for d in reversed(decisions) if d.verb == "mark"), None)
    positions = None
    if chosen is not None:
        positions = [MarkPosition.model_validate(p) for p in chosen.value.get("positions", [])]
    mark = plan_mark(
        fields,
        activity or None,
        options.mark,
        glyph.coverage,
        glyph.x_height_ratio,
        boxes,
        seed,
        height_px=height_px,
        positions=positions or None,
        shown=_shown(planned, pieces),
    )
    return mark, list(mark.warnings)


def _shown(planned: Sequence[PlannedSource], pieces: Sequence[Piece]) -> list[Stretch]:
    """What the clip shows of each recording, from the first second of it to the last."""
    out = []
    for source in planned:
        own = [p for p in pieces if p.source == source.number and p.kind in ("play", "freeze")]
        if own:
            starts = [p.start_s for p in own]
            stops = [p.start_s + (p.length_s if p.kind == "play" else 0.0) for p in own]
            out.append(Stretch(source.number, source.sha256, min(starts), max(stops)))
    return out


def _mean_known(grids: Sequence[NDArray[Any]]) -> NDArray[np.float64]:
    """Mean over grids of one shape, leaving out NaN; NaN where nothing is known."""
    stack = np.stack([g.astype(np.float64) for g in grids])
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
