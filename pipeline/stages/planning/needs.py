"""What a person must look at before a clip may leave."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.case import Case
from pipeline.model.decisions import Decision
from pipeline.model.field import FieldSpan
from pipeline.model.kinds.identity import NARRATOR
from pipeline.model.options import Options
from pipeline.model.plan import Need, PlannedSource, Redaction
from pipeline.model.time import Span, format_time, subtract_spans
from pipeline.model.timeline import Timeline
from pipeline.stages.judged import decision_on
from pipeline.stages.patients import PATIENT_GAP, patient_need, second_patient_spans
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.picture import has_field
from pipeline.stages.room import unmarked

MARK_REACH_S = 0.5  # two detectors end the same words a little apart
UNASKED = (
    "consent covers voices, but case.toml does not say that others who are heard or seen have"
    " agreed (`staff = true` in [consent])"
)


def field_needs(
    sources: Sequence[SourceInput],
    planned: Sequence[PlannedSource],
    axis: Timeline,
    options: Options,
) -> list[Need]:
    needs = []
    for number, source in enumerate(sources):
        used = axis.used(number)
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
            # Also where it is not sure that there is none: nothing is blanked there.
            if seen and span.confidence < options.field.sure:
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


def looked_needs(sources: Sequence[SourceInput], axis: Timeline, options: Options) -> list[Need]:
    """A search for lettering or faces that was asked for and could not be made."""
    needs = []
    for what in ("lettering", "faces"):
        missed = [
            n
            for n, s in enumerate(sources)
            if s.survey.measured.get(what) == "off" and axis.used(n)
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


def patient_needs(
    sources: Sequence[SourceInput],
    axis: Timeline,
    options: Options,
    decisions: Sequence[Decision],
) -> list[Need]:
    """Gaps after which a recording may show another patient, unless a person said no."""
    needs = []
    for number, source in enumerate(sources):
        sha256 = source.survey.recording.sha256
        for used in axis.used(number):
            gaps = second_patient_spans(source.survey.field, used, options.anonymity)
            needs += [
                patient_need(number, source.recording_index, gap, why)
                for gap, why in gaps
                if not _rejected(decisions, sha256, PATIENT_GAP, gap)
            ]
    return needs


def _rejected(decisions: Sequence[Decision], sha256: str, kind: str, span: Span) -> bool:
    decision = decision_on(decisions, sha256, kind, span)
    return decision is not None and decision.verb == "reject"


def sound_needs(
    sources: Sequence[SourceInput],
    axis: Timeline,
    case: Case,
    options: Options,
    overruled: Sequence[Redaction],
    narration: Sequence[Span],
) -> list[Need]:
    needs = []
    live = case.narration is not None and case.narration.live
    shared = live or (case.narration is not None and case.narration.channel)
    left: list[tuple[int, Span]] = []
    if live:
        used = [axis.used(n) for n in range(len(sources))]
        left = unmarked([s.findings for s in sources], used, overruled)
        marked = [
            s.padded(MARK_REACH_S)
            for r in overruled
            if r.reason == NARRATOR
            for s in axis.case_of_source(r.source, (r.start_s, r.stop_s))
        ]
        # Heard as the narrator, and no finding: nobody could mark it.
        for span in subtract_spans(narration, marked):
            left += axis.source_of_case(span)
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
            (
                k
                for k in axis.kept
                if sources[k.source].recording.audio and not sources[k.source].still
            ),
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
