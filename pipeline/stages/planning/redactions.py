"""What is blanked in the picture and replaced in the sound."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pipeline.analysis.boxes import overlap
from pipeline.analysis.identity.overlays import COVER_PAD_S
from pipeline.model.case import Case
from pipeline.model.cover import Cover
from pipeline.model.decisions import Decision
from pipeline.model.options import Options
from pipeline.model.plan import PlannedSource, Redaction
from pipeline.model.survey import Face, Lettering
from pipeline.model.time import Span, round_s, subtract_spans
from pipeline.stages.judged import beyond, decision_on, followed
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.picture import has_field
from pipeline.stages.room import Heard


def redactions_of(
    sources: Sequence[SourceInput],
    planned: Sequence[PlannedSource],
    case: Case,
    options: Options,
    decisions: Sequence[Decision],
    rooms: Sequence[Heard],
) -> list[Redaction]:
    out: list[Redaction] = []
    replace = options.sound.redact_speech and not case.consent.voice
    for number, source in enumerate(sources):
        length_s = source.survey.recording.duration_s
        sha256 = source.survey.recording.sha256
        if has_field(source.survey.field):
            out.append(
                Redaction(
                    what="surround",
                    source=number,
                    start_s=0.0,
                    stop_s=length_s,
                    reason="everything outside the field is black",
                    origin="settings",
                )
            )
        out += seen_in_picture(source, number, decisions)[0]
        if replace:
            out += rooms[number].replaced
        for decision in decisions:
            anchor = decision.anchor
            if decision.verb != "add" or anchor is None or anchor.sha256 != sha256:
                continue
            if anchor.kind in ("speech", "lettering", "face"):
                box = decision.value.get("box_px")
                asked = Span(anchor.start_s, anchor.stop_s)
                wide = asked.padded(_picture_s(source), length_s) if box else asked
                out.append(
                    Redaction(
                        what=anchor.kind,
                        source=number,
                        start_s=round_s(wide.start_s),
                        stop_s=round_s(wide.stop_s),
                        box_px=tuple(int(v) for v in box) if box else None,
                        reason=decision.reason or "added by a person",
                        origin="decision",
                    )
                )
    return out


def _picture_s(source: SourceInput) -> float:
    """How long a picture is shown, and a little more: who stops a film for a box sees one picture,
    and what is to be covered may begin in the one before and end in the one after."""
    return 1 / max(source.survey.recording.frame_rate_hz, 1.0) + 1e-3


def seen_in_picture(
    source: SourceInput, number: int, decisions: Sequence[Decision]
) -> tuple[list[Redaction], list[Redaction]]:
    """(to be filled, overruled by a person): lettering and faces in the picture of a source."""
    rows: list[tuple[Literal["lettering", "face"], Lettering | Face, str]] = []
    for letters in source.survey.lettering:
        if letters.where == "field":
            rows.append(("lettering", letters, "lettering in the field"))
    rows += [("face", face, "a face") for face in source.survey.faces]
    filled: list[Redaction] = []
    overruled: list[Redaction] = []
    for kind, item, reason in rows:
        seen, length_s = Span(item.start_s, item.stop_s), source.survey.recording.duration_s
        wide = seen.padded(COVER_PAD_S, length_s)
        made = Redaction(
            what=kind,
            source=number,
            start_s=round_s(wide.start_s),
            stop_s=round_s(wide.stop_s),
            box_px=item.box_px,
            parts=parts_of(item, source.survey.recording.duration_s),
            reason=reason,
            origin="survey",
        )
        # Two boxes may share a span: a rejection counts for the box that it names only.
        about = [
            d
            for d in decisions
            if d.value.get("box_px") is None or _same_box(d.value["box_px"], item.box_px)
        ]
        sha256, span = source.survey.recording.sha256, Span(item.start_s, item.stop_s)
        decision = decision_on(about, sha256, kind, span)
        named = decision is not None and decision.value.get("box_px") is not None
        if decision is not None and decision.verb == "reject" and named and followed(decision):
            update = {"reason": decision.reason, "origin": "decision", "by": decision.by}
            more = [s.padded(COVER_PAD_S, length_s) for s in beyond(about, sha256, kind, span)]
            filled += [_during(made, part) for part in more]
            judged = subtract_spans([wide], more)
            overruled += [_during(made.model_copy(update=update), part) for part in judged]
        else:
            filled.append(made)
    return filled, overruled


def _during(made: Redaction, span: Span) -> Redaction:
    times = {"start_s": round_s(span.start_s), "stop_s": round_s(span.stop_s)}
    return made.model_copy(update=times)


def parts_of(item: Lettering | Face, limit_s: float) -> list[Cover]:
    """What of a box is filled, where that is not all of it all the time."""
    parts = item.parts if isinstance(item, Lettering) else []
    return [part.padded(COVER_PAD_S, limit_s) for part in parts]


def _same_box(one: Sequence[float], other: Sequence[float]) -> bool:
    """True if two boxes (x, y, width, height) share more than half of both."""
    return overlap(one, other) > 0.5 * max(one[2] * one[3], other[2] * other[3])
