"""May it leave? Pure: plan, consent, decisions, look, date and checks in, reasons out.

Three questions, in the order of the recipe: may anything at all be made (`forbidden_reasons`),
may this plan become a clip (`may_be_made`), may this finished clip leave (`may_leave`).
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.analysis.identity.texts import Judged
from pipeline.model.consent import KnownConsent
from pipeline.model.decisions import Decisions, sign_off_holds
from pipeline.model.options import Look, OutputOptions
from pipeline.model.plan import Need, Plan
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Check, Looked, Withheld
from pipeline.stages.planning.plan import plan_sha256
from pipeline.stages.remedies import remedy

TEXT = "text"  # the code of a text that nobody confirmed
LIKENESS = "likeness"  # of what looks or sounds like a recording whose consent is narrower


@dataclass(frozen=True)
class Verdict:
    """withheld: `reasons` say why. ready: a person has to look first. release: it may leave.

    looked: who looked at this very clip.
    """

    state: Literal["withheld", "ready", "release"]
    reasons: tuple[Withheld, ...] = ()
    looked: Looked | None = None


def forbidden_reasons(consent: KnownConsent, audience: str, today: datetime.date) -> list[Withheld]:
    """Why nothing at all may be made, not even a draft; empty if something may."""
    return consent_reasons(consent, audience, today) if consent.forbidden else []


def may_be_made(
    plan: Plan,
    consent: KnownConsent,
    unread: Sequence[Judged],
    approved_by: str | None,
    today: datetime.date,
    audience: str,
    case_time: Callable[[Need], float | None],
    *,
    another: bool = False,
) -> list[Withheld]:
    """Why no clip that leaves may be made of a plan; empty if one may.

    unread: texts that nobody confirmed. approved_by: who answers for what a person may resolve.
    another: that person says, too, that what looks like a bound recording is another one.
    case_time: where a need lies in the case, in seconds.
    """
    return [
        *text_reasons(unread),
        *consent_reasons(consent, audience, today),
        *open_needs(plan, approved_by, case_time, another),
    ]


def may_leave(
    clip: ReadyClip,
    consent: KnownConsent,
    decisions: Decisions | None,
    looked: Looked | None,
    output: OutputOptions,
    today: datetime.date,
    *,
    overtaken: Sequence[Withheld] = (),
    alike: Sequence[Withheld] = (),
) -> Verdict:
    """What becomes of a finished, verified clip.

    looked: who says to have looked; None lets a sign-off that was given for this very clip
    stand for it. overtaken: what changed since it was made. alike: recordings that it looks
    like; told where nothing else withholds it.
    """
    reasons = [*overtaken, *consent_reasons(consent, output.audience, today)]
    if clip.voice and not consent.voice and not reasons:
        reasons = [Withheld(code="consent", message="consent does not cover voices any more")]
    reasons = [*(reasons or alike), *failed_checks(clip.checks)]
    return verdict(reasons, output.look, looked or signed(clip, decisions))


def verdict(reasons: Sequence[Withheld], look: Look, looked: Looked | None) -> Verdict:
    """Nothing that is withheld is ready: a look resolves neither consent nor a failed check."""
    if reasons:
        return Verdict("withheld", tuple(reasons), looked)
    if look == "before-release" and looked is None:
        return Verdict("ready")
    return Verdict("release", (), looked)


def signed(clip: ReadyClip, decisions: Decisions | None) -> Looked | None:
    """The sign-off of the case, if it was given for what this clip is."""
    if decisions is None or decisions.sign_off is None:
        return None
    holds = sign_off_holds(
        decisions,
        sources=[s.sha256 for s in clip.plan.sources],
        surveys=clip.survey_sha256,
        settings=clip.settings_sha256,
        plan=plan_sha256(clip.plan),
        narration=clip.narration_sha256,
    )
    given = decisions.sign_off
    return Looked(by=given.by, at=given.at, how="page") if holds else None


def text_reasons(texts: Sequence[Judged]) -> list[Withheld]:
    """Texts that would leave and that nobody has confirmed. The text itself is never repeated."""
    return [Withheld(code=TEXT, message=_why(found)) for found in texts]


def _why(found: Judged) -> str:
    where = found.where[0].upper() + found.where[1:]
    if found.unseen:
        return f"{where}: it holds a character that nobody can see, {found.unseen}: take it out"
    count = len(found.words)
    if found.drafted:
        return (
            f"{where}: a machine wrote them: read all of them, then correct the file, or confirm"
            " them with --approve INITIALS or at the sign-off of the page"
        )
    return (
        f"{where}: {count} of its words or numbers {'is' if count == 1 else 'are'} not of the"
        " vocabulary: read it, then change it, or confirm it with --approve INITIALS or at the"
        " sign-off of the page"
    )


def consent_reasons(consent: KnownConsent, audience: str, today: datetime.date) -> list[Withheld]:
    """Why consent does not cover the audience today; empty if it does."""
    if consent.covers(audience, today):
        return []
    return [Withheld(code="consent", message=consent.why_not(audience, today))]


def open_needs(
    plan: Plan,
    approve: str | None,
    case_time: Callable[[Need], float | None],
    another: bool,
) -> list[Withheld]:
    """What a person must resolve first. approve: initials of who answers for what may be."""
    return [
        Withheld(code=n.code, message=n.message, start_s=case_time(n))
        for n in plan.needs
        if approve is None or not n.approvable or (n.code == LIKENESS and not another)
    ]


def failed_checks(checks: Sequence[Check]) -> list[Withheld]:
    """Checks of the finished file that did not pass."""
    return [
        Withheld(code="check", message=f"{_measured(c)}; {remedy(c.check)}")
        for c in checks
        if not c.passed
    ]


def _measured(check: Check) -> str:
    unit = f" {check.unit}" if check.unit else ""
    limit = f", limit {check.limit}" if check.limit not in ("", None) else ""
    return f"{check.check}: measured {check.measured}{unit}{limit}"
