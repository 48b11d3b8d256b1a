"""May it leave? Pure: plan, consent, decisions, look, date and checks in, reasons out."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.analysis.identity.texts import Judged
from pipeline.model.consent import KnownConsent
from pipeline.model.options import Look
from pipeline.model.plan import Need, Plan
from pipeline.model.release import Check, Looked, Withheld
from pipeline.stages.remedies import remedy

TEXT = "text"  # the code of a text that nobody confirmed


@dataclass(frozen=True)
class Verdict:
    """withheld: `reasons` say why. ready: a person has to look first. release: it may leave."""

    state: Literal["withheld", "ready", "release"]
    reasons: tuple[Withheld, ...] = ()


def text_reasons(texts: Sequence[Judged]) -> list[Withheld]:
    """Texts that would leave and that nobody has confirmed. The text itself is never repeated."""
    return [Withheld(code=TEXT, message=_why(found)) for found in texts]


def _why(found: Judged) -> str:
    where = found.where[0].upper() + found.where[1:]
    if found.unseen:
        return f"{where}: it holds a character that nobody can see, {found.unseen}: take it out"
    count = len(found.words)
    return (
        f"{where}: {count} of its words or numbers {'is' if count == 1 else 'are'} not of the"
        " vocabulary: read it, then change it, or confirm it with --approve INITIALS or at the"
        " sign-off of the page"
    )


def consent_reasons(consent: KnownConsent, audience: str, today: datetime.date) -> list[Withheld]:
    """Why consent does not cover the audience today; empty if it does."""
    if consent.covers(audience, today):
        return []
    return [Withheld(code="consent", message=consent.refusal(audience, today))]


def open_needs(
    plan: Plan, approve: str | None, case_time: Callable[[Need], float | None]
) -> list[Withheld]:
    """What a person must resolve first. approve: initials of who answers for what may be."""
    return [
        Withheld(code=n.code, message=n.message, start_s=case_time(n))
        for n in plan.needs
        if approve is None or not n.approvable
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


def verdict(reasons: Sequence[Withheld], look: Look, looked: Looked | None) -> Verdict:
    """What becomes of a finished, verified file.

    Nothing that is withheld is ready: a look resolves neither consent nor a failed check.
    """
    if reasons:
        return Verdict("withheld", tuple(reasons))
    if look == "before-release" and looked is None:
        return Verdict("ready")
    return Verdict("release")
