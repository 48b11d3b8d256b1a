"""Speech in the procedure sound: what is replaced, what a person may let through. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from pipeline.analysis.sound.speech_spans import ROOM_PAD_S
from pipeline.model.decisions import Decision
from pipeline.model.findings import Findings
from pipeline.model.kinds.identity import NARRATOR, UNDECIDED
from pipeline.model.plan import Origin, Redaction
from pipeline.model.survey import Survey
from pipeline.model.time import Span, round_s, subtract_spans
from pipeline.stages.judged import beyond, decision_on, followed, unreasoned

NOT_TOLD = UNDECIDED.severity.told
SURE = "the detectors are sure of speech: only consent for voices keeps it"


class Heard(NamedTuple):
    """In the sound of one source. held: spans that were rejected, and stay replaced."""

    replaced: list[Redaction]
    overruled: list[Redaction]
    held: list[Span]


def room_sound(
    survey: Survey,
    findings: Findings,
    number: int,
    decisions: Sequence[Decision],
    pad_s: float,
    live: bool,
) -> Heard:
    """What is replaced and what a person overruled in the sound of a source.

    pad_s: on both sides of speech that nobody decided about; `decide` has padded by ROOM_PAD_S.
    A person may reject a span, or move its ends: what a smaller one leaves out is overruled.
    What reaches beyond what that person was shown is replaced all the same.
    Both take a reason (`stages.judged`), and neither reaches what the detectors are sure of,
    but for the narrator's own voice where the narration is live.
    """
    found = findings.speech
    sha256, length_s = survey.recording.sha256, survey.recording.duration_s
    spans = [(Span(*s), "speech", "speech in the procedure sound") for s in found.procedure]
    why = found.undecided_why or ["no answer"] * len(found.undecided)
    spans += [
        (Span(*s), "undecided", NOT_TOLD[w]) for s, w in zip(found.undecided, why, strict=True)
    ]
    sure = [Span(*s) for s in found.sure]
    replaced: list[Redaction] = []
    let_through: list[tuple[Span, Decision]] = []
    held: list[Span] = []

    def made(span: Span, reason: str, origin: Origin, by: str = "") -> Redaction:
        return Redaction(
            what="speech",
            source=number,
            start_s=round_s(span.start_s),
            stop_s=round_s(span.stop_s),
            reason=reason,
            origin=origin,
            by=by,
        )

    for span, kind, reason in sorted(spans):
        decision = decision_on(decisions, sha256, kind, span)
        left = [span]
        if decision is not None and decision.verb == "change":
            start_s = float(decision.value.get("start_s", span.start_s))
            moved = Span(start_s, float(decision.value.get("stop_s", span.stop_s)))
            replaced.append(made(moved, reason, "decision"))
            left = subtract_spans([span], [moved])
        elif decision is None or decision.verb != "reject":
            decision = None
        if decision is None or (left and not followed(decision)):
            wide = span.padded(pad_s - ROOM_PAD_S, length_s)
            replaced.append(made(wide, reason, "survey"))
            continue
        more = beyond(decisions, sha256, kind, span)
        replaced += [made(part.padded(pad_s, length_s), reason, "survey") for part in more]
        left = subtract_spans(left, more)
        if not (live and decision.reason == NARRATOR):
            spoken = [s for s in sure if any(s.overlap(part) for part in left)]
            held += spoken
            replaced += [made(s.padded(ROOM_PAD_S, length_s), SURE, "survey") for s in spoken]
        let_through += [(part, decision) for part in left]
    # Where another span replaces the sound all the same, nothing is overruled.
    taken = [(r.start_s, r.stop_s) for r in replaced]
    overruled = [
        made(part, decision.reason, "decision", decision.by)
        for span, decision in let_through
        for part in subtract_spans([span], taken)
    ]
    return Heard(replaced, overruled, held)


def not_followed(rows: Sequence[Heard], decisions: Sequence[Decision]) -> list[str]:
    """Sentences about rejections that are not followed, or not wholly."""
    told = []
    count = unreasoned(decisions)
    if count:
        told.append(f"rejections without a reason of the list are not followed: {count} of them")
    held = sum(len(row.held) for row in rows)
    if held:
        told.append(
            f"sound that was rejected as speech stays replaced in {held} "
            f"{'span' if held == 1 else 'spans'}: every detector is "
            "sure of speech there; to keep it, consent must cover voices (voice = true)"
        )
    return told


def unmarked(
    found: Sequence[Findings], used: Sequence[Sequence[Span]], overruled: Sequence[Redaction]
) -> list[tuple[int, Span]]:
    """(source, span) of live sound that may hold speech and is not marked as the narrator's.

    found: in each source. used: the parts of it that are kept.
    """
    left = []
    for number, findings in enumerate(found):
        marked = [
            (r.start_s, r.stop_s)
            for r in overruled
            if r.source == number and r.what == "speech" and r.reason == NARRATOR
        ]
        heard = findings.speech
        spans = [Span(*s) for s in (*heard.procedure, *heard.undecided)]
        for span in subtract_spans(spans, marked):
            if span.length_s > 1e-3 and any(span.overlap(part) for part in used[number]):
                left.append((number, span))
    return left
