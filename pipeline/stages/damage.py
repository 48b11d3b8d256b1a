"""What is done about damage: never shown, unless a person said why. Pure but for `ShownDamage`.

The survey says where a recording was not read as it was written (`analysis.damage`). Its pictures
are held black or cut out, its sound is replaced by the texture around it, and a person looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from pipeline.analysis.damage import DamageFold, on_axis
from pipeline.media.time_stamps import shift_at
from pipeline.model.decisions import Decision
from pipeline.model.kinds import BY_NAME
from pipeline.model.plan import Edit, Need, Piece, Plan, Redaction
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.model.survey import Survey
from pipeline.model.time import Span, format_time, merge_spans, subtract_spans
from pipeline.model.timeline import pictures
from pipeline.stages.judged import followed

SHOWN_LIMIT_S = 0.0
REASON = "damaged in the recording"


def damage_action(
    span: Span, decision: Decision | None, narrated: bool, wanted: str
) -> tuple[str, Span, str]:
    """(action, span, reason) for a damaged stretch.

    A person may let it be shown with a reason, choose cut or black, or widen it; never narrow it.
    """
    action = wanted
    if decision is not None and decision.verb == "reject" and followed(decision):
        return "keep", span, decision.reason
    if decision is not None and decision.verb == "change":
        chosen = str(decision.value.get("action", action))
        action = chosen if chosen in BY_NAME["damage"].actions else action
        span = Span(
            min(span.start_s, float(decision.value.get("start_s", span.start_s))),
            max(span.stop_s, float(decision.value.get("stop_s", span.stop_s))),
        )
    if action == "cut" and narrated:
        return "black", span, REASON + "; not cut because narration speaks over it"
    return action, span, REASON


def damage_needs(
    number: int, name: str, survey: Survey, used: Sequence[Span], edits: Sequence[Edit]
) -> list[Need]:
    """A person looks at every damaged stretch that is used."""
    needs = []
    for damage in survey.damage:
        span = Span(damage.start_s, damage.stop_s)
        if not any(span.overlap(u) for u in used):
            continue
        done = "its sound is replaced"
        if damage.what == "picture":
            actions = {
                e.action
                for e in edits
                if e.source == number
                and e.kind == "damage"
                and Span(e.start_s, e.stop_s).overlap(span)
            }
            if actions == {"keep"}:
                continue  # decided
            done = "it is cut out" if actions == {"cut"} else "it is held black"
        needs.append(
            Need(
                code="damage",
                message=f"{name}: the {damage.what} is damaged from {format_time(span.start_s)} to "
                f"{format_time(span.stop_s)} ({damage.sign}); {done}: look at what is around it",
                source=number,
                start_s=span.start_s,
            )
        )
    return needs


def damaged_sound(number: int, survey: Survey, edits: Sequence[Edit]) -> list[Redaction]:
    """Sound that is replaced: damaged itself, or under damaged pictures that are not shown."""
    spans = [(d.start_s, d.stop_s) for d in survey.damage if d.what == "sound"]
    spans += [
        (e.start_s, e.stop_s)
        for e in edits
        if e.source == number and e.kind == "damage" and e.action != "keep"
    ]
    return [
        Redaction(
            what="damage",
            source=number,
            start_s=span.start_s,
            stop_s=span.stop_s,
            reason=REASON,
            origin="survey",
        )
        for span in merge_spans(Span(*s) for s in spans)
    ]


class ShownDamage:
    """Damaged pictures of the sources that the finished clip shows, by verify's own reading."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._shown: list[Span] = []

    def read(
        self,
        watch: DamageFold,
        recording: Recording,
        piece: Piece,
        played: Span,
    ) -> None:
        """After reading `played` of a piece's source."""
        found = on_axis(watch.finish(), partial(shift_at, recording.jumps), played.stop_s)
        let_through = [
            Span(e.start_s, e.stop_s)
            for e in self._plan.edits
            if e.kind == "damage" and e.source == piece.source and e.action == "keep"
        ]
        left = subtract_spans([Span(d.start_s, d.stop_s) for d in found], let_through)
        for span in left:
            overlap = span.overlap(played)
            shown = pictures(piece).part(overlap) if overlap is not None else None
            if shown is not None:
                self._shown.append(shown)

    def check(self) -> Check:
        spans = merge_spans(self._shown)
        total_s = round(sum(s.length_s for s in spans), 3)
        kept = sum(e.kind == "damage" and e.action == "keep" for e in self._plan.edits)
        unit = "s" + (f", first at {spans[0].start_s:.1f} s" if spans else "")
        if kept and not spans:
            said = f"{kept} damaged stretches judged by a person"
            return Check(check="damaged pictures shown", measured=said, limit="", unit="",
                         passed=True)  # fmt: skip
        return Check(
            check="damaged pictures shown", measured=total_s, limit=SHOWN_LIMIT_S, unit=unit,
            passed=total_s <= SHOWN_LIMIT_S,
        )  # fmt: skip
