"""What was found in a case, each with what the plan does about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.model.decisions import Anchor
from pipeline.model.findings import Event
from pipeline.model.kinds import BY_NAME
from pipeline.model.plan import Plan
from pipeline.model.time import Span, round_s
from pipeline.model.timeline import Timeline
from pipeline.review.backend import CaseFinding
from pipeline.review.case.documents import KeptSurvey
from pipeline.review.report.checklist import one_surround
from pipeline.stages.room import SURE

# Why something cannot be rejected, and what to do instead: the page says it.
BLACK_ANYWAY = (
    "It lies outside the field, and all of that is blacked out: nothing is left to reject. Accept"
    " it."
)
SOUND_REPLACED = "The sound is damaged here, and is replaced whatever is said: accept it."
LOOKED_AT = (
    "It asks for a look: accept it once you looked, or mend what it names and make the case again."
)


def case_findings(
    surveys: Sequence[KeptSurvey],
    plan: Plan | None,
    axis: Timeline,
    names: Sequence[str],
) -> list[CaseFinding]:
    out: list[CaseFinding] = []
    damaged, letter, mien = BY_NAME["damage"], BY_NAME["lettering"], BY_NAME["face"]
    spoken, untold = BY_NAME["speech"], BY_NAME["undecided"]

    def add(
        tag: str, source: int, kind: str, start_s: float, stop_s: float, *,
        lost_s: float | None = None, **more: Any,
    ) -> None:  # fmt: skip
        sha256 = surveys[source][0].recording.sha256
        shown = axis.shown_of_source(source, (start_s, stop_s))
        for part, (in_case, (first, last)) in enumerate(shown):
            out.append(
                CaseFinding(
                    id=f"{tag}{'' if part == 0 else f'-{part}'}",
                    kind=kind,
                    where=names[source],
                    start_s=round_s(in_case.start_s),
                    stop_s=round_s(in_case.stop_s),
                    anchor=Anchor(sha256=sha256, start_s=first, stop_s=last, kind=kind),
                    lost_s=None
                    if lost_s is None
                    else round(lost_s * (last - first) / (stop_s - start_s), 3),
                    **more,
                )
            )

    for source, (survey, _, found) in enumerate(surveys):
        for n, event in enumerate(found.events):
            kind = BY_NAME[event.kind]
            if event.kind == "damage":
                continue  # below, with its sign
            add(
                f"e{source}-{n}", source, event.kind, event.start_s, event.stop_s,
                severity=kind.severity.words(event.peak_loss), level=event.peak_loss,
                lost_s=event.lost_s,
                action=_action(plan, source, event) or kind.action, actions=kind.actions,
            )  # fmt: skip
        for n, damage in enumerate(survey.damage):
            seen = damage.what == "picture"
            planned = Event(
                kind="damage", start_s=damage.start_s, stop_s=damage.stop_s, confidence=1.0
            )
            add(
                f"d{source}-{n}", source, "damage", damage.start_s, damage.stop_s,
                severity=f"{damage.what}: {damage.sign}", level=None,
                lost_s=planned.lost_s if seen else None,
                action=(_action(plan, source, planned) or damaged.action) if seen else "replace",
                actions=damaged.actions if seen else (), rejectable=seen,
                kept="" if seen else SOUND_REPLACED,
            )  # fmt: skip
        for n, letters in enumerate(one_surround(survey).lettering):
            inside = letters.where == "field"
            add(
                f"l{source}-{n}", source, "lettering", letters.start_s, letters.stop_s,
                severity=letter.severity.words(letters.where), level=None,
                action=letter.action, actions=letter.actions, rejectable=inside,
                kept="" if inside else BLACK_ANYWAY,
                box_px=letters.box_px if inside else None,
            )  # fmt: skip
        for n, face in enumerate(survey.faces):
            add(
                f"f{source}-{n}", source, "face", face.start_s, face.stop_s,
                severity=mien.severity.words(None), level=None,
                action=mien.action, actions=mien.actions, box_px=face.box_px,
            )  # fmt: skip
        heard = found.speech
        why = heard.undecided_why or ["no answer"] * len(heard.undecided)
        for tag, of, pairs, hows in (
            ("s", spoken, heard.procedure, [None] * len(heard.procedure)),
            ("u", untold, heard.undecided, why),
        ):
            for n, ((a, b), how) in enumerate(zip(pairs, hows, strict=True)):
                add(
                    f"{tag}{source}-{n}", source, of.kind, a, b, severity=of.severity.words(how),
                    level=None, action=of.action, actions=of.actions,
                    stays=_stays(plan, source, Span(a, b)),
                )  # fmt: skip
    for n, need in enumerate(plan.needs if plan else []):
        if not need.approvable:
            continue
        source = need.source or 0
        length_s = surveys[source][0].recording.duration_s
        start_s = min(need.start_s or 0.0, max(0.0, length_s - 1.0))
        add(
            f"n{n}", source, need.code, start_s, max(start_s + 0.5, length_s),
            severity=need.message, level=None, action="look at it", actions=(), rejectable=False,
            kept=LOOKED_AT, needs_person=True,
        )  # fmt: skip
    return out


def _stays(plan: Plan | None, source: int, span: Span) -> bool:
    """True if sound that was rejected as speech is replaced all the same."""
    return any(
        r.source == source and r.reason == SURE and span.overlap(Span(r.start_s, r.stop_s))
        for r in (plan.redactions if plan else [])
    )


def _action(plan: Plan | None, source: int, event: Event) -> str | None:
    """What the plan does about an event; its span may be padded or changed."""
    best, most = None, 0.0
    for edit in plan.edits if plan else []:
        overlap = min(edit.stop_s, event.stop_s) - max(edit.start_s, event.start_s)
        if edit.source == source and edit.kind == event.kind and overlap > most:
            best, most = edit.action, overlap
    return best
