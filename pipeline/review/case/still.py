"""The finished picture at a moment of the case, and how a mark would sit on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from typing import Any

from pipeline.analysis.mark.judge import evaluate
from pipeline.analysis.mark.strokes import two_tone
from pipeline.media.frame import jpeg
from pipeline.model.mark import MarkPosition
from pipeline.model.options import Options
from pipeline.model.plan import DrawnCaptions, Piece, Plan
from pipeline.model.time import round_s
from pipeline.model.timeline import Timeline
from pipeline.review.case.session import Ready
from pipeline.stages.rendering.pictures import compose

HEIGHT_PX = 540


def finished_frame(
    ready: Ready,
    options: Options,
    time_s: float,
    positions: Sequence[Mapping[str, float]] | None,
) -> bytes | None:
    """JPEG of the picture at a case time as it will be; None without a plan or a picture."""
    plan = ready.run.plan
    if plan is None:
        return None
    shown = composed(ready, plan, options, time_s, positions)
    return None if shown is None else jpeg(shown.frame, HEIGHT_PX, plan.matrix)


def mark_measured(
    ready: Ready,
    options: Options,
    positions: Sequence[Mapping[str, float]],
    time_s: float | None,
) -> dict[str, Any]:
    """`crop_loss` and `visibility` of a mark put there: see `backend.Backend.crop_loss`."""
    plan, glyph = ready.run.plan, ready.run.opened.glyph
    if plan is None or plan.mark is None:
        return {"crop_loss": None, "visibility": None}
    tones = two_tone(glyph.coverage)
    grown = tones.shape[-1] / glyph.coverage.shape[-1]
    ratio = glyph.x_height_ratio
    fields = [plan.placement(p.number).field(f) for p in plan.sources for f in p.fields]
    found = evaluate(
        [_position(p) for p in positions],
        [f for f in fields if f.shape != "none"] or fields,
        None,
        tones.shape[-1] / tones.shape[-2],
        options.mark,
        [],
        height_px=plan.height_px,
        x_height_ratio=None if ratio is None else ratio / grown,
        coverage=tones.max(axis=0),
    )
    shown = composed(ready, plan, options, time_s, positions) if time_s is not None else None
    seen = plan.mark.target if shown is None else shown.visibility
    return {
        "crop_loss": round(found.crop_loss, 4),
        "visibility": None if seen is None else round(seen, 2),
    }


def composed(
    ready: Ready,
    plan: Plan,
    options: Options,
    time_s: float,
    positions: Sequence[Mapping[str, float]] | None,
) -> Any:
    """The finished picture at a case time (`render.Shown`), with the mark where it is asked."""
    axis = Timeline(ready.axis.kept, plan.pieces)
    piece = axis.piece_at_case(time_s)
    source, at_s = axis.source_at_case(min(time_s, axis.case.stop_s - 1e-3)) or (0, 0.0)
    if piece is not None:
        source = piece.source
    rate = max(plan.sources[source].frame_rate_hz, 1.0)
    one = Piece(
        kind="black" if piece is None else piece.kind,
        source=source,
        start_s=round_s(max(0.0, at_s - 0.6 / rate))
        if piece is None or piece.kind == "play"
        else piece.start_s,
        length_s=4 / rate,
        case_start_s=time_s,
        out_start_s=0.0,
        scale_bar=None if piece is None else piece.scale_bar,
    )
    mark = plan.mark
    asked = [_position(p) for p in positions or ()]
    if mark is not None and asked and asked != mark.chosen.positions:
        # being moved: exactly where it is put; its way is planned around the place when it is kept
        chosen = mark.chosen.model_copy(update={"positions": asked})
        mark = mark.model_copy(update={"chosen": chosen, "paths": []})
    drawn = _standing(plan.drawn, float(axis.clip_times([time_s])[0]))
    small = plan.model_copy(update={"pieces": [one], "mark": mark, "drawn": drawn})
    coverage = ready.run.opened.glyph.coverage
    with (
        ready.reading,
        closing(compose(small, ready.run.media, coverage, options, None, ready.reel.read)) as made,
    ):
        return next(made, None)


def _standing(drawn: DrawnCaptions | None, clip_s: float) -> DrawnCaptions | None:
    """The caption of that moment, all the time; none where the clip does not show it."""
    if drawn is None:
        return None
    cues = [
        cue.model_copy(update={"start_s": 0.0, "stop_s": 1e3})
        for cue in drawn.cues
        if cue.start_s <= clip_s < cue.stop_s
    ]
    return drawn.model_copy(update={"cues": cues})


def _position(place: Mapping[str, float]) -> MarkPosition:
    return MarkPosition(
        x=place["x"],
        y=place["y"],
        angle_deg=place.get("angle_deg", 0.0),
        width_ratio=place["width_ratio"],
    )
