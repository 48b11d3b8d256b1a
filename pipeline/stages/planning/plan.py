"""Plan: decide, from surveys, settings and people's decisions, what will be done.

Pure: no file is read or written. The same inputs give the same plan.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from pipeline.errors import InputError, UsageError
from pipeline.model.case import Case
from pipeline.model.decisions import Decision
from pipeline.model.options import Options
from pipeline.model.plan import Caption, DrawnCaptions, Need, Plan, PlannedSource
from pipeline.model.release_code import CodePlan
from pipeline.model.time import Span, format_time, round_s
from pipeline.model.timeline import Timeline
from pipeline.stages.clear_picture import Clearness, covered_spans, posters_s
from pipeline.stages.damage import damage_needs, damaged_sound
from pipeline.stages.planning.captioned import drawn_captions
from pipeline.stages.planning.cards import MEASURED, altered_words, with_cards
from pipeline.stages.planning.chapters import chapters_of, shown_sides
from pipeline.stages.planning.compared import comparisons
from pipeline.stages.planning.covered import covered_told, doubted_told
from pipeline.stages.planning.edits import decided_edits, restorations
from pipeline.stages.planning.ends import ends_told
from pipeline.stages.planning.given import GlyphInput, NarrationInput, SourceInput
from pipeline.stages.planning.levels import mix_of, sound_channels, sound_options
from pipeline.stages.planning.mark import placed_mark
from pipeline.stages.planning.matched import matched_sources
from pipeline.stages.planning.narrated import (
    caption_warnings,
    captions_of,
    heard_in_clip,
    narration_case_spans,
    narration_damage_needs,
    narration_of_part,
)
from pipeline.stages.planning.needs import (
    UNASKED,
    field_needs,
    looked_needs,
    patient_needs,
    sound_needs,
)
from pipeline.stages.planning.parts import case_axis, keep_told
from pipeline.stages.planning.picture import (
    Size,
    field_box,
    output_size,
    placed,
    planned_source,
)
from pipeline.stages.planning.pieces import extend_for_narration, pieces_of
from pipeline.stages.planning.redactions import redactions_of, seen_in_picture
from pipeline.stages.planning.scaled import with_bars, with_spacing
from pipeline.stages.room import not_followed, room_sound


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
    code: CodePlan | None = None,
) -> Plan:
    """The plan of one case for one profile.

    cut_to: only this span of case time (for clips): the plan is as long as that, less what
    is cut out of it; the narration ends with it. narrated: False leaves the
    narration out. code: the invisible one of this release. Raises InputError when nothing is left
    to show, UsageError when that is longer than the profile's form allows.
    """
    first = next((s for s in sources if not s.still), sources[0])
    captioned = bool(
        options.captions.drawn != "no" and narrated and narration and narration.captions
    )
    size = output_size(first.recording, first.survey, options, captioned)
    width_px, height_px = size
    axis = case_axis(case, sources)
    if cut_to is not None:
        axis = axis.cut_to(cut_to)
    if not axis.kept:
        raise InputError(
            "Nothing is kept of the recordings",
            "parts that lie outside of them",
            "check keep, --from and --to",
        )
    needs: list[Need] = []
    warnings = [w for s in sources for w in s.survey.warnings] + keep_told(case, sources)
    sound = sound_options(options.sound, decisions)
    planned = [
        planned_source(
            n, s.recording, s.survey, s.still, s.recording_index, options,
            placed(s.recording, s.survey, options, size, captioned),
        )
        for n, s in enumerate(sources)
    ]  # fmt: skip
    planned = with_spacing(case, sources, planned)
    case_narration: list[Span] = []
    if narration is not None and narrated:
        case_narration = narration_case_spans(narration, axis.case.start_s)
    heard: Span | None = None
    if cut_to is not None:
        narration, heard = narration_of_part(narration, cut_to, warnings)
        case_narration = [s for n in case_narration if (s := n.overlap(heard)) is not None]
    edits = decided_edits(sources, axis, case_narration, options, decisions)
    live = bool(case.narration and case.narration.live and narrated)
    rooms = [
        room_sound(s.survey, s.findings, n, decisions, options.sound.redact_pad_s, live)
        for n, s in enumerate(sources)
    ]
    redactions = redactions_of(sources, planned, case, options, decisions, rooms)
    redactions += [r for n, s in enumerate(sources) for r in damaged_sound(n, s.survey, edits)]
    clearness = {
        n: Clearness(
            s.survey, s.findings, s.series, options.lens.event_loss, covered_spans(redactions, n)
        )
        for n, s in enumerate(sources)
    }
    pieces = pieces_of(axis, edits, planned, clearness, warnings)
    if narration is not None and narrated:
        extend_for_narration(pieces, case_narration, warnings, cut_to.stop_s if cut_to else None)
    if not pieces:
        raise InputError(
            "Nothing is left to show after cutting what lies outside the body",
            "",
            "look at the report of fieldstop survey; give the field in case.toml if it is wrong",
        )
    pieces = with_bars(pieces, planned, size)
    ended_s = pieces[-1].in_case.stop_s
    undone = restorations(sources, edits)
    if options.colour.matched:
        planned = matched_sources(sources, planned, pieces, clearness, edits, warnings)
    compared = []
    if options.cards.compared:
        compared = comparisons(
            case, sources, planned, pieces, clearness, edits, undone, size, warnings
        )
    pieces = with_cards(
        pieces, case, sources, options, title=title if title is not None else case.title,
        whole=cut_to is None, narration=case_narration,
        altered=altered_words(edits, redactions, planned), warnings=warnings, compared=compared,
    )  # fmt: skip
    measured = case.measured if any(p.reason == MEASURED for p in pieces) else None
    duration_s = round_s(pieces[-1].in_clip.stop_s)
    _refuse_long(duration_s, options)
    if cut_to is not None:
        shown_s = max(axis.case.stop_s, ended_s)  # a narration may go on
        if cut_to.stop_s - shown_s > 0.05:
            end = format_time(axis.case.stop_s)
            warnings.append(f"the case ends at {end}: the clip is shorter than asked for")
    timeline = Timeline(axis.kept, pieces)
    out_narration = timeline.clip_of_case(case_narration)
    overruled = [
        r
        for n, s in enumerate(sources)
        for r in (*rooms[n].overruled, *seen_in_picture(s, n, decisions)[1])
    ]
    if case.consent.voice and not case.consent.staff:
        warnings.append(UNASKED)
    warnings += not_followed([] if case.consent.voice else rooms, decisions)
    needs += field_needs(sources, planned, axis, options)
    needs += looked_needs(sources, axis, options)
    needs += patient_needs(sources, axis, options, decisions)
    needs += sound_needs(sources, axis, case, options, overruled, case_narration)
    for number, source in enumerate(sources):
        name = f"recording {source.recording_index + 1}"
        warnings += ends_told(source.survey.recording, name, axis.used(number))
        needs += damage_needs(number, name, source.survey, axis.used(number), edits)
    if narrated:
        needs += narration_damage_needs(narration, heard)
    channels = sound_channels(sources, options)
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
    mark, mark_warnings = placed_mark(
        sources,
        planned,
        case,
        options,
        glyph,
        revision,
        width_px,
        height_px,
        decisions,
        pieces,
    )
    warnings += mark_warnings
    if narration is not None and narrated:
        warnings += narration.warnings
    posters = posters_s(pieces, clearness, duration_s)
    captions = captions_of(narration, timeline, heard) if narration and narrated else []
    warnings += caption_warnings(captions) + covered_told(sources, redactions, axis)
    warnings += doubted_told(sources, axis)
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
        code=code,
        mix=mix,
        sound_channels=channels,
        redactions=redactions,
        overruled=overruled,
        edits=edits,
        restorations=undone,
        card=measured.card if measured else "",
        measured=measured,
        teaching=case.teaching,
        sides=shown_sides(case, sources, pieces),
        chapters=chapters_of(case, sources, pieces, duration_s, decisions),
        captions=captions,
        text_track=options.output.text_track and bool(captions),
        drawn=_drawn(captions, planned, size, options) if captioned else None,
        poster_s=posters[0],
        more_posters_s=posters[1:],
        narration=[(round_s(a), round_s(b)) for a, b in out_narration],
        voice_heard=heard_in_clip(timeline, heard) if narration and narrated else None,
        narration_channel=case.narration.channel if case.narration else None,
        live=live,
        narration_offset_s=round_s(narration.offset_s) if narration and narrated else None,
        narration_rate_ppm=round(narration.rate_ppm, 2) if narration and narrated else 0.0,
        narration_offset_confidence=narration.offset_confidence if narration and narrated else None,
        needs=needs,
        warnings=list(dict.fromkeys(warnings)),
    )


def _refuse_long(duration_s: float, options: Options) -> None:
    most_s = options.form.most_s
    if most_s and duration_s > most_s + 0.05:
        profile = options.output.profile
        raise UsageError(
            f"A clip of the profile {profile} is at most {format_time(most_s)} long",
            format_time(duration_s),
            f"choose a part: fieldstop clip CASE --profile {profile} --from T --to T",
        )


def _drawn(
    captions: Sequence[Caption], planned: Sequence[PlannedSource], size: Size, options: Options
) -> DrawnCaptions:
    shown = [p.placement(*size).box(field_box(p, p.fields)) for p in planned]
    return drawn_captions(captions, shown, size, options)


def plan_sha256(plan: Plan) -> str:
    """Of what a person can see and hear of it: the invisible code is left out."""
    text = plan.model_dump_json(by_alias=True, indent=1, exclude={"code"})
    return hashlib.sha256(text.encode()).hexdigest()
