"""Plan: decide, from surveys, settings and people's decisions, what will be done.

Pure: no file is read or written. The same inputs give the same plan.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import overlap
from pipeline.analysis.identity.overlays import COVER_PAD_S
from pipeline.errors import InputError
from pipeline.model.case import Case
from pipeline.model.decisions import Decision
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPosition
from pipeline.model.options import Options, SoundOptions
from pipeline.model.plan import (
    Caption,
    Chapter,
    Edit,
    Need,
    Piece,
    Plan,
    PlannedSource,
    Redaction,
    Restoration,
)
from pipeline.model.recording import Recording
from pipeline.model.survey import Event, Face, Lettering, Survey
from pipeline.model.time import Span, format_time, merge_spans, round_s, subtract_spans
from pipeline.model.timeline import Timeline
from pipeline.stages.card import CARD_S, checked_card
from pipeline.stages.clear_picture import CLEAR, Clearness, covered_spans, poster_s
from pipeline.stages.damage import damage_action, damage_needs, damaged_sound
from pipeline.stages.judged import NARRATOR, decision_on, followed
from pipeline.stages.patients import PATIENT_GAP, patient_need, second_patient_spans
from pipeline.stages.restore import plan_restoration
from pipeline.stages.room import Heard, not_followed, room_sound, unmarked

if TYPE_CHECKING:
    from pipeline.analysis.sound.mix import TrackLevels

HOP_S = 0.1
SHORTEST_PIECE_S = 0.04
TAIL_S = 0.5
MARK_REACH_S = 0.5  # two detectors end the same words a little apart
FADE_S = 0.24  # common practice, no source
JOIN_CLEARED_S = 3.0


@dataclass(frozen=True)
class SourceInput:
    """What the plan knows of one source file."""

    recording_index: int
    still: bool
    recording: Recording
    survey: Survey
    series: dict[str, NDArray[Any]]


@dataclass(frozen=True)
class NarrationInput:
    """The narration as measured, on its own axis.

    spans: speech. hop_power: K-weighted power per 100 ms of one channel.
    rest_hop_power: of the room's part of a live microphone, in case time; None if it was
    not split.
    """

    duration_s: float
    spans: list[Span]
    hop_power: NDArray[np.float32]
    offset_s: float
    rest_hop_power: NDArray[np.float32] | None = None
    captions: list[tuple[float, float, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    offset_confidence: float | None = None


class Kept(NamedTuple):
    """A stretch of one source that is used, and where it lies in case time."""

    source: int
    start_s: float
    stop_s: float
    case_start_s: float


@dataclass(frozen=True)
class GlyphInput:
    """One mark as drawn: coverage (row, col) or (2, row, col), float32 0..1.

    x_height_ratio: height of a lower-case x over the width; None for an emblem.
    """

    coverage: NDArray[np.float32]
    x_height_ratio: float | None


def make_plan(
    case: Case,
    sources: Sequence[SourceInput],
    narration: NarrationInput | None,
    options: Options,
    *,
    glyph: GlyphInput,
    revision: int = 1,
    decisions: Sequence[Decision] = (),
    cut_to: Span | None = None,
    narrated: bool = True,
    title: str | None = None,
) -> Plan:
    """The plan of one case for one profile.

    cut_to: only this span of case time (for clips): the plan is as long as that, less what
    is cut out of it; the narration ends with it. narrated: False leaves the
    narration out. Raises InputError when nothing is left to show.
    """
    first = next((s for s in sources if not s.still), sources[0])
    width_px, height_px = _output_size(first.recording, options)
    kept = keep_parts(case, sources)
    if cut_to is not None:
        kept = _restrict(kept, cut_to)
    if not kept:
        raise InputError(
            "Nothing is kept of the recordings",
            "parts that lie outside of them",
            "check keep, --from and --to",
        )
    needs: list[Need] = []
    warnings = [w for s in sources for w in s.survey.warnings]
    sound = _sound_options(options.sound, decisions)
    planned = [
        planned_source(
            n, s.recording, s.survey, s.still, s.recording_index, options, width_px, height_px
        )
        for n, s in enumerate(sources)
    ]
    case_narration = _narration_case_spans(narration, kept) if narration and narrated else []
    heard: Span | None = None
    if cut_to is not None:
        ended_s = kept[-1].case_start_s + kept[-1].stop_s - kept[-1].start_s
        narration, heard = _narration_of_part(narration, cut_to, warnings)
        case_narration = [s for n in case_narration if (s := n.overlap(heard)) is not None]
    edits = _edits(sources, kept, case_narration, options, decisions)
    live = bool(case.narration and case.narration.live and narrated)
    rooms = [
        room_sound(s.survey, n, decisions, options.sound.redact_pad_s, live)
        for n, s in enumerate(sources)
    ]
    redactions = _redactions(sources, planned, case, options, decisions, rooms)
    redactions += [r for n, s in enumerate(sources) for r in damaged_sound(n, s.survey, edits)]
    clearness = {
        n: Clearness(s.survey, s.series, options.lens.event_loss, covered_spans(redactions, n))
        for n, s in enumerate(sources)
    }
    pieces = _pieces(kept, edits, planned, clearness, warnings)
    if narration is not None and narrated:
        _extend_for_narration(
            pieces, case_narration, planned, warnings, cut_to.stop_s if cut_to else None
        )
    if pieces and case.measured is not None and cut_to is None:
        _add_card(pieces)
    if not pieces:
        raise InputError(
            "Nothing is left to show after cutting what lies outside the body",
            "",
            "look at the report of fieldstop survey; give the field in case.toml if it is wrong",
        )
    duration_s = round_s(pieces[-1].out_start_s + pieces[-1].length_s)
    if cut_to is not None and cut_to.stop_s - ended_s > 0.05 and pieces[-1].kind != "card":
        end_s = pieces[-1].case_start_s + pieces[-1].length_s
        if cut_to.stop_s - end_s > 0.05:
            warnings.append(
                f"the case ends at {format_time(ended_s)}: the clip is shorter than asked for"
            )
    timeline = Timeline(pieces)
    out_narration = timeline.clip_of_case(case_narration)
    overruled = [
        r for n, s in enumerate(sources) for r in (*rooms[n].overruled, *_seen(s, n, decisions)[1])
    ]
    warnings += not_followed([] if case.consent.voice else rooms, decisions)
    needs += _field_needs(sources, planned, kept, options)
    needs += _looked_needs(sources, kept, options)
    needs += _patient_needs(sources, kept, options, decisions)
    used = [[Span(k.start_s, k.stop_s) for k in kept if k.source == n] for n in range(len(sources))]
    needs += _sound_needs(sources, kept, case, options, used, overruled, case_narration)
    for number, source in enumerate(sources):
        name = f"recording {source.recording_index + 1}"
        needs += damage_needs(number, name, source.survey, used[number], edits)
    channels = _sound_channels(sources, options)
    mix = None
    if (narration is not None and narrated) or any(planned[p.source].has_sound for p in pieces):
        mix = mix_of(
            sources,
            pieces,
            narration if narrated else None,
            out_narration,
            duration_s,
            sound,
            options,
            redactions,
            channels,
            live,
            warnings,
        )
    mark, mark_warnings = _mark(
        sources, planned, case, options, glyph, revision, height_px, decisions
    )
    warnings += mark_warnings
    if narration is not None:
        warnings += narration.warnings
    return Plan(
        case=case.case,
        title=title if title is not None else case.title,
        profile=options.output.profile,
        audience=options.output.audience,
        width_px=width_px,
        height_px=height_px,
        frame_rate_hz=first.survey.recording.frame_rate_hz,
        matrix=first.recording.video.matrix,
        duration_s=duration_s,
        sources=planned,
        pieces=pieces,
        mark=mark,
        mix=mix,
        sound_channels=channels,
        redactions=redactions,
        overruled=overruled,
        edits=edits,
        restorations=_restorations(sources, edits),
        card=checked_card(case.measured) if pieces[-1].kind == "card" and case.measured else "",
        chapters=_chapters(case, sources, pieces, duration_s, decisions),
        captions=_captions(narration, kept, timeline, heard) if narration and narrated else [],
        poster_s=poster_s(pieces, clearness, duration_s),
        narration=[(round_s(a), round_s(b)) for a, b in out_narration],
        voice_heard=_heard_in_clip(timeline, heard) if narration and narrated else None,
        narration_channel=case.narration.channel if case.narration else None,
        live=live,
        narration_offset_s=round_s(narration.offset_s) if narration and narrated else None,
        narration_offset_confidence=narration.offset_confidence if narration and narrated else None,
        needs=needs,
        warnings=list(dict.fromkeys(warnings)),
    )


def plan_sha256(plan: Plan) -> str:
    return hashlib.sha256(plan.to_json().encode()).hexdigest()


# --- time -------------------------------------------------------------------------------


def keep_parts(case: Case, sources: Sequence[SourceInput]) -> list[Kept]:
    """The kept parts of all recordings, joined in order: the case's own time axis."""
    kept: list[Kept] = []
    case_s = 0.0
    for index, recording in enumerate(case.recording):
        joined_s = 0.0
        wanted = merge_spans(recording.keep) if recording.keep else [Span(0.0, float("inf"))]
        for number, source in enumerate(sources):
            if source.recording_index != index:
                continue
            length_s = recording.show_s if source.still else source.survey.recording.duration_s
            here = Span(joined_s, joined_s + length_s)
            for span in wanted:
                part = here.overlap(span)
                if part is not None and part.length_s >= SHORTEST_PIECE_S:
                    kept.append(
                        Kept(
                            number,
                            round_s(part.start_s - joined_s),
                            round_s(part.stop_s - joined_s),
                            round_s(case_s),
                        )
                    )
                    case_s += part.length_s
            joined_s += length_s
    return kept


def _restrict(kept: Sequence[Kept], cut_to: Span) -> list[Kept]:
    """Only what lies in `cut_to` of case time. Case time itself stays."""
    out = []
    for part in kept:
        here = Span(part.case_start_s, part.case_start_s + part.stop_s - part.start_s)
        overlap = here.overlap(cut_to)
        if overlap is not None and overlap.length_s >= SHORTEST_PIECE_S:
            shift = part.start_s - part.case_start_s
            out.append(
                Kept(
                    part.source,
                    round_s(overlap.start_s + shift),
                    round_s(overlap.stop_s + shift),
                    round_s(overlap.start_s),
                )
            )
    return out


def _narration_case_spans(narration: NarrationInput, kept: Sequence[Kept]) -> list[Span]:
    """Narrated spans in case time; what lies before the start is lost and said so elsewhere."""
    moved = [
        Span(max(0.0, s.start_s + narration.offset_s), s.stop_s + narration.offset_s)
        for s in narration.spans
    ]
    start_s = kept[0].case_start_s
    return merge_spans(Span(max(start_s, a), b) for a, b in moved if b > start_s)


def _narration_of_part(
    narration: NarrationInput | None, part: Span, warnings: list[str]
) -> tuple[NarrationInput | None, Span]:
    """The narration with nothing outside the part of it that is heard, and that part of case time.

    A word is not heard by half where a pause is near; what is left out is said.
    """
    from pipeline.analysis.sound.voice_cut import heard_part

    if narration is None:
        return None, part
    by_s = narration.offset_s
    spoken = [Span(s.start_s + by_s, s.stop_s + by_s) for s in narration.spans]
    heard = heard_part(part, spoken, narration.hop_power, narration.offset_s, HOP_S)
    hop_s = narration.offset_s + HOP_S * (np.arange(len(narration.hop_power)) + 0.5)
    inside = (hop_s >= heard.start_s) & (hop_s < heard.stop_s)
    for edge_s, at_s, what in ((part.start_s, heard.start_s, "begins"),
                               (part.stop_s, heard.stop_s, "ends")):  # fmt: skip
        if any(s.start_s + 0.02 < edge_s < s.stop_s - 0.02 for s in spoken):
            near = f"it {what} at {format_time(at_s)}" if at_s != edge_s else "a word is cut"
            warnings.append(f"the clip {what} while the narrator speaks: {near}")
    power = np.where(inside, narration.hop_power, 0).astype(np.float32)
    return replace(narration, hop_power=power), heard


def _heard_in_clip(timeline: Timeline, heard: Span | None) -> tuple[float, float] | None:
    """`heard` of case time on the clip's axis, from its first moment to its last."""
    if heard is None:
        return None
    shown = timeline.clip_of_case([heard])
    return (round_s(shown[0].start_s), round_s(shown[-1].stop_s)) if shown else (0.0, 0.0)


# --- edits and pieces -------------------------------------------------------------------


def _edits(
    sources: Sequence[SourceInput],
    kept: Sequence[Kept],
    narration: Sequence[Span],
    options: Options,
    decisions: Sequence[Decision],
) -> list[Edit]:
    edits: list[Edit] = []
    for number, source in enumerate(sources):
        for event in source.survey.events:
            edits.append(_edit_of(number, source, event, kept, narration, options, decisions))
    return edits


def _edit_of(
    number: int,
    source: SourceInput,
    event: Event,
    kept: Sequence[Kept],
    narration: Sequence[Span],
    options: Options,
    decisions: Sequence[Decision],
) -> Edit:
    lens = options.lens
    action: str = getattr(lens, event.kind)
    span = Span(event.start_s, event.stop_s)
    origin: Any = "settings"
    reason = f"{event.kind.replace('_', ' ')} found by the survey"
    if event.kind == "out_of_body":
        span = span.padded(lens.out_of_body_margin_s, source.survey.recording.duration_s)
    decision = decision_on(decisions, source.survey.recording.sha256, event.kind, span)
    if decision is not None and event.kind != "damage":
        origin = "decision"
        reason = decision.reason or reason
        if decision.verb == "reject":
            action = "keep"
        elif decision.verb == "change":
            wanted = str(decision.value.get("action", action))
            action = wanted if wanted in ("keep", "cut", "freeze", "clear") else action
            span = Span(
                float(decision.value.get("start_s", span.start_s)),
                float(decision.value.get("stop_s", span.stop_s)),
            )
    narrated = any(
        s.overlap(n) is not None for s in _case_spans(number, span, kept) for n in narration
    )
    if event.kind == "damage":
        action, span, reason = damage_action(span, decision, narrated, lens.damage)
        origin = "decision" if action == "keep" else origin
    elif event.kind == "out_of_body":
        rejected = decision is not None and decision.verb == "reject"
        if action not in ("cut", "freeze") and not rejected:
            action = "cut"
        if action == "cut" and narrated:
            action, reason = "freeze", reason + "; narration speaks over it"
    elif action == "clear":
        if event.kind != "fog":
            action, reason = "keep", reason + "; only fog can be restored"
        elif plan_restoration(number, span, source.series) is None:
            action, reason = "keep", reason + "; the loss is not known well enough to restore"
    elif action == "cut" and narrated:
        action, reason = "keep", reason + "; not cut because narration speaks over it"
    return Edit(
        source=number,
        kind=event.kind,
        start_s=round_s(span.start_s),
        stop_s=round_s(span.stop_s),
        action=action,
        peak_loss=event.peak_loss,
        mean_loss=event.mean_loss,
        narrated=narrated,
        reason=reason,
        origin=origin,
        by=decision.by if decision is not None and origin == "decision" else "",
    )


def _restorations(sources: Sequence[SourceInput], edits: Sequence[Edit]) -> list[Restoration]:
    """Events near each other are restored as one: between them the picture must not pump."""
    out = []
    for number in sorted({e.source for e in edits if e.action == "clear"}):
        cleared = [e for e in edits if e.source == number and e.action == "clear"]
        spans = merge_spans([(e.start_s, e.stop_s) for e in cleared], JOIN_CLEARED_S)
        edges = [0.0, *(t for span in spans for t in span), float("inf")]
        for n, span in enumerate(spans):
            before, after = edges[2 * n], edges[2 * n + 3]
            within = Span(
                0.5 * (before + span.start_s) if n else 0.0,
                0.5 * (after + span.stop_s) if n + 1 < len(spans) else after,
            )
            planned = plan_restoration(number, span, sources[number].series, within)
            if planned is not None:
                out.append(planned)
    return out


def _add_card(pieces: list[Piece]) -> None:
    """The card after the last picture, without sound of the room."""
    last = pieces[-1]
    pieces.append(
        Piece(
            kind="card",
            source=last.source,
            start_s=round_s(last.start_s + (last.length_s if last.kind == "play" else 0.0)),
            length_s=CARD_S,
            case_start_s=round_s(last.case_start_s + last.length_s),
            out_start_s=round_s(last.out_start_s + last.length_s),
            sound=False,
            reason="the measured value",
            origin="case",
        )
    )


def _case_spans(source: int, span: Span, kept: Sequence[Kept]) -> list[Span]:
    out = []
    for part in kept:
        if part.source != source:
            continue
        overlap = Span(part.start_s, part.stop_s).overlap(span)
        if overlap is not None:
            shift = part.case_start_s - part.start_s
            out.append(Span(overlap.start_s + shift, overlap.stop_s + shift))
    return out


def _rejected(decisions: Sequence[Decision], sha256: str, kind: str, span: Span) -> bool:
    decision = decision_on(decisions, sha256, kind, span)
    return decision is not None and decision.verb == "reject"


def _pieces(
    kept: Sequence[Kept],
    edits: Sequence[Edit],
    planned: Sequence[PlannedSource],
    clearness: dict[int, Clearness],
    warnings: list[str],
) -> list[Piece]:
    pieces: list[Piece] = []
    out_s = 0.0

    def add(kind: Any, source: int, start_s: float, length_s: float, case_s: float,
            sound: bool, reason: str, origin: Any) -> None:  # fmt: skip
        nonlocal out_s
        if length_s < 1e-6:
            return
        pieces.append(
            Piece(
                kind=kind,
                source=source,
                start_s=round_s(start_s),
                length_s=round_s(length_s),
                case_start_s=round_s(case_s),
                out_start_s=round_s(out_s),
                sound=sound,
                reason=reason,
                origin=origin,
            )
        )
        out_s += length_s

    for part in kept:
        here = Span(part.start_s, part.stop_s)
        shift = part.case_start_s - part.start_s
        if planned[part.source].still:
            add(
                "freeze", part.source, 0.0, here.length_s, part.case_start_s, False, "still", "case"
            )
            continue
        cuts = [
            Span(e.start_s, e.stop_s)
            for e in edits
            if e.source == part.source and e.action == "cut"
        ]
        holds = [e for e in edits if e.source == part.source and e.action in ("freeze", "black")]
        taken = cuts + [Span(e.start_s, e.stop_s) for e in holds]
        for span in subtract_spans([here], cuts):
            at_s = span.start_s
            for hold in sorted(holds, key=lambda e: e.start_s):
                overlap = Span(hold.start_s, hold.stop_s).overlap(Span(at_s, span.stop_s))
                if overlap is None:
                    continue
                add(
                    "play",
                    part.source,
                    at_s,
                    overlap.start_s - at_s,
                    at_s + shift,
                    True,
                    "",
                    "case",
                )
                inside_s = None
                if hold.action == "freeze":
                    inside_s = _hold(planned[part.source], clearness[part.source], overlap, here,
                                     taken, warnings)  # fmt: skip
                kind = "freeze" if inside_s is not None else "black"
                room = hold.kind == "out_of_body"
                add(kind, part.source, inside_s or 0.0, overlap.length_s, overlap.start_s + shift,
                    not room, hold.reason, hold.origin)  # fmt: skip
                at_s = overlap.stop_s
            add("play", part.source, at_s, span.stop_s - at_s, at_s + shift, True, "", "case")
    return [_faded(pieces[n - 1] if n else None, piece) for n, piece in enumerate(pieces)]


def _faded(previous: Piece | None, piece: Piece) -> Piece:
    """A cut inside one source fades: the picture before it goes out over the one after it."""
    joined = previous is None or goes_on(previous, piece)
    same = previous is not None and previous.source == piece.source
    if joined or not same or piece.kind != "play" or previous is None or previous.kind == "black":
        return piece
    return piece.model_copy(update={"fade_s": round_s(min(FADE_S, 0.5 * piece.length_s))})


def _hold(
    source: PlannedSource,
    clearness: Clearness,
    hole: Span,
    part: Span,
    taken: Sequence[Span],
    warnings: list[str],
) -> float | None:
    """Time of the picture to hold in `hole`, None if there is none: then it is black."""
    found = clearness.to_hold(hole, part, taken)
    where = (
        f"recording {source.recording + 1}, {format_time(hole.start_s)} to "
        f"{format_time(hole.stop_s)}"
    )
    if found is None:
        warnings.append(f"{where}: there is no picture to hold, it is black")
        return None
    if found[1] != CLEAR:
        warnings.append(f"{where}: no picture is known to be clear; look at the one that is held")
    return found[0]


def _extend_for_narration(
    pieces: list[Piece],
    narration: Sequence[Span],
    planned: Sequence[PlannedSource],
    warnings: list[str],
    until_s: float | None = None,
) -> None:
    """Hold the last picture while the narration goes on after the end, not beyond `until_s`."""
    if not pieces or not narration:
        return
    last = pieces[-1]
    end_s = last.case_start_s + last.length_s
    over_s = narration[-1].stop_s - end_s
    tail_s = TAIL_S
    if until_s is not None:
        over_s = min(over_s, until_s - end_s)
        tail_s = min(tail_s, until_s - end_s - over_s)
    if over_s <= 0.02:
        return
    source = planned[last.source]
    step_s = 1 / max(source.frame_rate_hz, 1.0)
    held = (
        last.start_s
        if last.kind != "play"
        else max(last.start_s, last.start_s + last.length_s - 2 * step_s)
    )
    warnings.append(
        f"the narration is {over_s:.1f} s longer than the picture: the last picture is held"
    )
    pieces.append(
        Piece(
            kind="black" if last.kind == "black" else "freeze",
            source=last.source,
            start_s=round_s(held),
            length_s=round_s(over_s + tail_s),
            case_start_s=round_s(end_s),
            out_start_s=round_s(last.out_start_s + last.length_s),
            sound=False,
            reason="the narration is longer than the picture",
            origin="case",
        )
    )


def _captions(
    narration: NarrationInput, kept: Sequence[Kept], timeline: Timeline, heard: Span | None
) -> list[Caption]:
    """The narrator's words on the clip's axis.

    A cue of which less than half is heard is left out: most of its words were cut.
    """
    out = []
    for start_s, stop_s, text in narration.captions:
        a, b = start_s + narration.offset_s, stop_s + narration.offset_s
        cue: Span | None = Span(max(0.0, a), b)
        if heard is not None and cue is not None:
            cue = cue.overlap(heard)
        told = cue is not None and b > kept[0].case_start_s
        shown = timeline.clip_of_case([cue]) if cue is not None and told else []
        if sum(span.length_s for span in shown) < 0.5 * (stop_s - start_s):
            continue
        for span in shown:
            out.append(Caption(start_s=round_s(span.start_s), stop_s=round_s(span.stop_s),
                               text=text))  # fmt: skip
    return sorted(out, key=lambda c: (c.start_s, c.stop_s))


def _chapters(
    case: Case,
    sources: Sequence[SourceInput],
    pieces: Sequence[Piece],
    duration_s: float,
    decisions: Sequence[Decision],
) -> list[Chapter]:
    """One chapter a recording, or those a person named (in case time)."""
    named = named_chapters(decisions)
    starts: list[tuple[float, str]] = []
    if named is not None:
        for case_s, title in named:
            out = Timeline(pieces).clip_of_case([(case_s, float("inf"))])
            if not out:
                continue
            if starts and out[0].start_s <= starts[-1][0] + 1e-3:
                starts.pop()  # it ends before the clip begins, or was cut
            starts.append((out[0].start_s, title))
        if starts:
            starts[0] = (0.0, starts[0][1])
    seen: set[int] = set()
    for piece in pieces if named is None else ():
        index = sources[piece.source].recording_index
        if index not in seen:
            seen.add(index)
            starts.append((piece.out_start_s, chapter_title(case, index)))
    if len(starts) < 2:
        return []
    stops = [s for s, _ in starts[1:]] + [duration_s]
    return [Chapter(start_s=a, stop_s=b, title=t) for (a, t), b in zip(starts, stops, strict=True)]


def named_chapters(decisions: Sequence[Decision]) -> list[tuple[float, str]] | None:
    """(start in case time, title) of the chapters that a person named; None if nobody did."""
    named = next((d for d in reversed(decisions) if d.verb == "chapter"), None)
    if named is None:
        return None
    return sorted((float(case_s), str(title)) for case_s, title in named.value.get("chapters", []))


def chapter_title(case: Case, index: int) -> str:
    recording = case.recording[index]
    if recording.title:
        return recording.title
    words = {"left": "Left side", "right": "Right side", "midline": "Midline", None: ""}
    phases = {"before": "before", "procedure": "procedure", "after": "after", "still": "picture"}
    side, phase = words[recording.side], phases[recording.phase]
    alone = sum(r.side == recording.side for r in case.recording) == 1
    if side and (alone and recording.phase == "procedure"):
        return side
    return f"{side}, {phase}" if side else phase.capitalize()


# --- picture ----------------------------------------------------------------------------


def _output_size(recording: Recording, options: Options) -> tuple[int, int]:
    width, height = recording.width_px, recording.height_px
    limit = options.output.max_height_px
    if height > limit:
        width, height = max(2, round(width * limit / height / 2) * 2), limit // 2 * 2
    return width, height


def planned_source(
    number: int,
    recording: Recording,
    survey: Survey,
    still: bool,
    recording_index: int,
    options: Options,
    width_px: int,
    height_px: int,
) -> PlannedSource:
    """A source as it will be blanked and placed in a picture of width_px x height_px.

    A field that is not sure is replaced by the safest one.
    """
    from pipeline.analysis.field.track import safest_span

    believed: list[FieldSpan] = []
    for span in survey.field:
        if span.confidence >= options.field.sure or span.shape == "none":
            believed.append(span)
        else:
            safe = safest_span([span])
            believed.append(
                safe.model_copy(update={"start_s": span.start_s, "stop_s": span.stop_s})
            )
    scale = min(width_px / recording.width_px, height_px / recording.height_px)
    x_px = (width_px - recording.width_px * scale) / 2
    y_px = (height_px - recording.height_px * scale) / 2
    return PlannedSource(
        number=number,
        sha256=survey.recording.sha256,
        recording=recording_index,
        still=still,
        duration_s=survey.recording.duration_s,
        width_px=recording.width_px,
        height_px=recording.height_px,
        frame_rate_hz=survey.recording.frame_rate_hz,
        has_sound=bool(recording.audio) and not still,
        fields=believed,
        moved=(scale, x_px // 2 * 2, y_px // 2 * 2),
    )


def has_field(fields: Sequence[FieldSpan]) -> bool:
    """True if the recording shows a scope field at any time."""
    return any(f.shape != "none" for f in fields)


def _field_needs(
    sources: Sequence[SourceInput],
    planned: Sequence[PlannedSource],
    kept: Sequence[Kept],
    options: Options,
) -> list[Need]:
    needs = []
    for number, source in enumerate(sources):
        used = [Span(k.start_s, k.stop_s) for k in kept if k.source == number]
        fields = source.survey.field
        if not used:
            continue
        if not has_field(fields):
            needs.append(
                Need(
                    code="no-field",
                    message=f"recording {source.recording_index + 1}: no scope field was found, so "
                    "nothing is blanked; a person must look for lettering and faces",
                    source=number,
                    start_s=used[0].start_s,
                )
            )
            continue
        # A zoom that runs leaves a row of short spans: a person looks at it once.
        unsure: list[list[FieldSpan]] = []
        for span in fields:
            seen = any(Span(span.start_s, span.stop_s).overlap(u) for u in used)
            if seen and span.shape != "none" and span.confidence < options.field.sure:
                if unsure and unsure[-1][-1].stop_s == span.start_s:
                    unsure[-1].append(span)
                else:
                    unsure.append([span])
        for row in unsure:
            needs.append(
                Need(
                    code="field-unsure",
                    message=f"recording {source.recording_index + 1}: the scope field is not "
                    f"sure (confidence {min(s.confidence for s in row):.2f}) from "
                    f"{format_time(row[0].start_s)} to {format_time(row[-1].stop_s)}; look at it, "
                    "or give field in case.toml",
                    source=number,
                    start_s=row[0].start_s,
                )
            )
    return needs


def _looked_needs(
    sources: Sequence[SourceInput], kept: Sequence[Kept], options: Options
) -> list[Need]:
    """A search for lettering or faces that was asked for and could not be made."""
    needs = []
    for what in ("lettering", "faces"):
        missed = [
            n
            for n, s in enumerate(sources)
            if s.survey.measured.get(what) == "off" and any(k.source == n for k in kept)
        ]
        if missed and getattr(options.anonymity, what):
            needs.append(
                Need(
                    code=f"{what}-not-searched",
                    message=f"{what} could not be looked for: a person must look",
                    source=missed[0],
                    start_s=0.0,
                )
            )
    return needs


def _patient_needs(
    sources: Sequence[SourceInput],
    kept: Sequence[Kept],
    options: Options,
    decisions: Sequence[Decision],
) -> list[Need]:
    """Gaps after which a recording may show another patient, unless a person said no."""
    needs = []
    for number, source in enumerate(sources):
        sha256 = source.survey.recording.sha256
        for part in kept:
            if part.source != number:
                continue
            used = Span(part.start_s, part.stop_s)
            gaps = second_patient_spans(source.survey.field, used, options.anonymity)
            needs += [
                patient_need(number, source.recording_index, gap, why)
                for gap, why in gaps
                if not _rejected(decisions, sha256, PATIENT_GAP, gap)
            ]
    return needs


def _redactions(
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
        out += _seen(source, number, decisions)[0]
        if replace:
            out += rooms[number].replaced
        for decision in decisions:
            anchor = decision.anchor
            if decision.verb != "add" or anchor is None or anchor.sha256 != sha256:
                continue
            if anchor.kind in ("speech", "lettering", "face"):
                box = decision.value.get("box_px")
                out.append(
                    Redaction(
                        what=anchor.kind,
                        source=number,
                        start_s=anchor.start_s,
                        stop_s=anchor.stop_s,
                        box_px=tuple(int(v) for v in box) if box else None,
                        reason=decision.reason or "added by a person",
                        origin="decision",
                    )
                )
    return out


def _seen(
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
        seen = Span(item.start_s, item.stop_s)
        wide = seen.padded(COVER_PAD_S, source.survey.recording.duration_s)
        made = Redaction(
            what=kind,
            source=number,
            start_s=round_s(wide.start_s),
            stop_s=round_s(wide.stop_s),
            box_px=item.box_px,
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
            overruled.append(made.model_copy(update=update))
        else:
            filled.append(made)
    return filled, overruled


def _same_box(one: Sequence[float], other: Sequence[float]) -> bool:
    """True if two boxes (x, y, width, height) share more than half of both."""
    return overlap(one, other) > 0.5 * max(one[2] * one[3], other[2] * other[3])


def _mark(
    sources: Sequence[SourceInput],
    planned: Sequence[PlannedSource],
    case: Case,
    options: Options,
    glyph: GlyphInput,
    revision: int,
    height_px: int,
    decisions: Sequence[Decision],
) -> tuple[Any, list[str]]:
    from pipeline.analysis.mark.painter import plan_mark

    fields = [moved_field(f, p.moved) for p in planned for f in p.fields if f.shape != "none"] or [
        moved_field(f, p.moved) for p in planned for f in p.fields
    ]
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
        _moved_box(letters.box_px, p.moved)
        for p, s in zip(planned, sources, strict=True)
        for letters in s.survey.lettering
        if letters.where == "field"
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
    )
    return mark, list(mark.warnings)


def _mean_known(grids: Sequence[NDArray[Any]]) -> NDArray[np.float64]:
    """Mean over grids of one shape, leaving out NaN; NaN where nothing is known."""
    stack = np.stack([g.astype(np.float64) for g in grids])
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def moved_field(span: FieldSpan, moved: tuple[float, float, float]) -> FieldSpan:
    """The field in pixels of the output picture."""
    scale, dx, dy = moved
    if moved == (1.0, 0.0, 0.0):
        return span
    return span.model_copy(
        update={
            "center_x_px": span.center_x_px * scale + dx,
            "center_y_px": span.center_y_px * scale + dy,
            "radius_px": span.radius_px * scale,
            "left_px": span.left_px * scale + dx,
            "right_px": span.right_px * scale + dx,
            "top_px": span.top_px * scale + dy,
            "bottom_px": span.bottom_px * scale + dy,
            "outline_px": None
            if span.outline_px is None
            else [(x * scale + dx, y * scale + dy) for x, y in span.outline_px],
        }
    )


def _moved_box(
    box: tuple[int, int, int, int], moved: tuple[float, float, float]
) -> tuple[float, float, float, float]:
    scale, dx, dy = moved
    x, y, w, h = box
    return x * scale + dx, y * scale + dy, w * scale, h * scale


# --- sound ------------------------------------------------------------------------------


def _sound_channels(sources: Sequence[SourceInput], options: Options) -> int:
    widest = max((a.channels for s in sources for a in s.recording.audio[:1]), default=1)
    return 1 if widest == 1 and options.sound.mono == "mono" else 2


def _sound_options(sound: SoundOptions, decisions: Sequence[Decision]) -> SoundOptions:
    for decision in decisions:
        if decision.verb == "mix":
            known = {k: v for k, v in decision.value.items() if k in SoundOptions.model_fields}
            sound = SoundOptions.model_validate(sound.model_dump() | known)
    return sound


def _sound_needs(
    sources: Sequence[SourceInput],
    kept: Sequence[Kept],
    case: Case,
    options: Options,
    used: Sequence[Sequence[Span]],
    overruled: Sequence[Redaction],
    narration: Sequence[Span],
) -> list[Need]:
    needs = []
    live = case.narration is not None and case.narration.live
    shared = live or (case.narration is not None and case.narration.channel)
    left: list[tuple[int, Span]] = []
    if live:
        left = unmarked([s.survey for s in sources], used, overruled)
        marked = [
            s.padded(MARK_REACH_S)
            for r in overruled
            if r.reason == NARRATOR
            for s in _case_spans(r.source, Span(r.start_s, r.stop_s), kept)
        ]
        # Heard as the narrator, and no finding: nobody could mark it.
        left += [(kept[0].source, s) for s in subtract_spans(narration, marked)]
    if shared and not case.consent.voice and (left or not live):
        marks = f", or be marked as the narrator's, as {len(left)} spans are not" if live else ""
        needs.append(
            Need(
                code="narration-shares-room",
                message="the narration shares its microphone with the room: consent must cover "
                f"voices (voice = true){marks}",
                source=left[0][0] if left else None,
                start_s=left[0][1].start_s if left else None,
                approvable=False,
            )
        )
    if not options.sound.redact_speech and not case.consent.voice:
        kept_in = next(
            (k for k in kept if sources[k.source].recording.audio and not sources[k.source].still),
            None,
        )
        if kept_in is not None:
            needs.append(
                Need(
                    code="speech-kept",
                    message="the setting redact_speech leaves room speech in: consent must cover "
                    "voices",
                    source=kept_in.source,
                    start_s=kept_in.start_s,
                    approvable=False,
                )
            )
    return needs


def _hops(pieces: Sequence[Piece], duration_s: float, power_of: Any) -> NDArray[np.float64]:
    """Power per 100 ms on the axis of the clip, gathered piece by piece."""
    out = np.zeros(int(np.ceil(duration_s / HOP_S)))
    for piece in pieces:
        first = round(piece.out_start_s / HOP_S)
        count = round((piece.out_start_s + piece.length_s) / HOP_S) - first
        if count > 0:
            out[first : first + count] = power_of(piece, count)[: max(0, len(out) - first)]
    return out


def _take(power: NDArray[Any], start_s: float, count: int) -> NDArray[np.float64]:
    """`count` hops from `start_s` on; zero outside."""
    index = round(start_s / HOP_S) + np.arange(count)
    inside = (index >= 0) & (index < len(power))
    out = np.zeros(count)
    out[inside] = power[index[inside]]
    return out


def mix_of(
    sources: Sequence[SourceInput],
    pieces: Sequence[Piece],
    narration: NarrationInput | None,
    spans: list[Span],
    duration_s: float,
    sound: SoundOptions,
    options: Options,
    redactions: Sequence[Redaction],
    channels: int,
    live: bool,
    warnings: list[str],
) -> Any:
    from pipeline.analysis.sound.mix import plan_mix

    background, voice = levels_of(
        sources, pieces, narration, duration_s, redactions, channels, live
    )
    if narration is not None:
        lost_s = sum(
            max(0.0, min(s.stop_s, -narration.offset_s) - s.start_s)
            for s in narration.spans
            if s.start_s + narration.offset_s < 0
        )
        if lost_s > 0.05:
            warnings.append(f"{lost_s:.1f} s of narration lie before the start and are not heard")
    return plan_mix(
        voice,
        background,
        spans,
        duration_s,
        sound,
        options.output.loudness_lufs,
        options.output.true_peak_dbtp,
    )


def levels_of(
    sources: Sequence[SourceInput],
    pieces: Sequence[Piece],
    narration: NarrationInput | None,
    duration_s: float,
    redactions: Sequence[Redaction],
    channels: int,
    live: bool,
) -> tuple[TrackLevels, TrackLevels | None]:
    """Background and narration on the clip's axis before their gains, from what was measured.

    Where speech is replaced the background has the level of the sound around it.
    """
    from pipeline.analysis.sound.mix import TrackLevels

    def procedure(piece: Piece, count: int) -> NDArray[np.float64]:
        power = sources[piece.source].series.get("sound_hop_power")
        if power is None or not piece.sound or sources[piece.source].still:
            return np.zeros(count)
        # A frozen picture holds start_s; its sound goes on with the case.
        return _take(power, sound_start_s(piece, pieces), count)

    if live:
        rest = narration.rest_hop_power if narration is not None else None

        def room(piece: Piece, count: int) -> NDArray[np.float64]:
            if rest is None or not piece.sound:
                return np.zeros(count)
            return _take(rest, piece.case_start_s, count) * (2.0 if channels == 2 else 1.0)

        background = TrackLevels(_hops(pieces, duration_s, room))
    else:
        background = TrackLevels(_hops(pieces, duration_s, procedure)).without(
            replaced_spans(pieces, redactions)
        )
    voice = None
    if narration is not None:
        heard = narration

        def narrated(piece: Piece, count: int) -> NDArray[np.float64]:
            # A mono voice played by two channels counts twice (BS.1770-5, equation 2).
            power = _take(heard.hop_power, piece.case_start_s - heard.offset_s, count)
            return power * (2.0 if channels == 2 else 1.0)

        voice = TrackLevels(_hops(pieces, duration_s, narrated))
    return background, voice


def replaced_spans(pieces: Sequence[Piece], redactions: Sequence[Redaction]) -> list[Span]:
    """Spans of the clip in which the procedure sound is replaced."""
    out = []
    for piece in pieces:
        start_s = sound_start_s(piece, pieces)
        here = Span(start_s, start_s + piece.length_s)
        for r in redactions:
            if r.of_sound and r.source == piece.source:
                overlap = here.overlap(Span(r.start_s, r.stop_s))
                if overlap is not None:
                    shift = piece.out_start_s - start_s
                    out.append(Span(overlap.start_s + shift, overlap.stop_s + shift))
    return merge_spans(out)


def goes_on(previous: Piece | None, piece: Piece) -> bool:
    """True if `piece` plays on where `previous` stopped: the same shot, no cut."""
    return (
        previous is not None
        and previous.kind == piece.kind == "play"
        and previous.source == piece.source
        and abs(previous.start_s + previous.length_s - piece.start_s) < 1e-3
    )


def sound_start_s(piece: Piece, pieces: Sequence[Piece]) -> float:
    """Where in the source the sound of a piece starts.

    For a played piece it is the picture's start; under a frozen or black picture the
    sound goes on from where the last played piece of that source left case time.
    """
    if piece.kind == "play":
        return piece.start_s
    near = [p for p in pieces if p.source == piece.source and p.kind == "play"]
    if not near:
        return piece.start_s
    anchor = min(near, key=lambda p: abs(p.case_start_s - piece.case_start_s))
    return max(0.0, anchor.start_s + piece.case_start_s - anchor.case_start_s)
