"""What a person let through although it was found, and why. Pure.

Speech, lettering, faces and damage are only let through for a reason of a short list. Whatever
way a decision came (the page, a file edited by hand, another machine), the plan asks here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.model.decisions import Decision
from pipeline.model.kinds import KINDS
from pipeline.model.plan import Plan, Redaction
from pipeline.model.release import Check
from pipeline.model.time import Span, merge_spans, subtract_spans

SHOWN_S = 0.25  # measured anew, an end may lie a little elsewhere
REASONS: dict[str, tuple[str, ...]] = {k.kind: k.reasons for k in KINDS if k.reasons}


def decision_on(
    decisions: Sequence[Decision], sha256: str, kind: str, span: Span
) -> Decision | None:
    """The latest decision anchored to this source and kind whose span overlaps by half."""
    for decision in reversed(decisions):
        anchor = decision.anchor
        if anchor is None or anchor.sha256 != sha256 or anchor.kind != kind:
            continue
        overlap = Span(anchor.start_s, anchor.stop_s).overlap(span)
        shorter = min(anchor.stop_s - anchor.start_s, span.length_s)
        if overlap is not None and overlap.length_s >= 0.5 * shorter:
            return decision
    return None


def beyond(decisions: Sequence[Decision], sha256: str, kind: str, span: Span) -> list[Span]:
    """What of a finding lies outside all that people were shown and let through, and a little more.

    Found anew, a short finding may have become part of a long one that nobody has judged. An
    anchor holds what the case keeps of a finding, so one that is cut apart has several.
    """
    shown: list[Span] = []
    for decision in decisions:
        anchor = decision.anchor
        if anchor is None or (anchor.sha256, anchor.kind) != (sha256, kind):
            continue
        if decision.verb in ("reject", "change") and followed(decision):
            wide = (anchor.start_s - SHOWN_S, anchor.stop_s + SHOWN_S)
            shown = merge_spans([*shown, wide])
        else:
            shown = subtract_spans(shown, [(anchor.start_s, anchor.stop_s)])
    return subtract_spans([span], shown)


def outgrown(decision: Decision, span: Span) -> bool:
    """True for a rejection that takes a reason, of a finding that reaches beyond it now."""
    anchor = decision.anchor
    if anchor is None or decision.verb != "reject" or anchor.kind not in REASONS:
        return False
    return bool(beyond([decision], anchor.sha256, anchor.kind, span))


def followed(decision: Decision) -> bool:
    """True for a decision whose reason is one of those for its kind, or whose kind needs none."""
    kind = decision.anchor.kind if decision.anchor is not None else ""
    return kind not in REASONS or decision.reason in REASONS[kind]


def unreasoned(decisions: Sequence[Decision]) -> int:
    """How many rejections count for nothing because they give no reason."""
    return sum(d.verb == "reject" and not followed(d) for d in decisions)


def judged_lines(plan: Plan, *, initials: bool) -> list[str]:
    """'2 spans of sound judged by AB: not speech: instrument', one line a kind and reason."""
    counts: dict[tuple[str, str, str], int] = {}
    words = {"speech": "of sound", "lettering": "of lettering", "face": "with a face"}
    rows = [(words.get(r.what, ""), r.by if initials else "", r.reason) for r in plan.overruled]
    rows += [
        ("of damaged picture", e.by if initials else "", e.reason)
        for e in plan.edits
        if e.kind == "damage" and e.action == "keep"
    ]
    for row in rows:
        counts[row] = counts.get(row, 0) + 1
    return [
        f"{n} {'span' if n == 1 else 'spans'} {what} judged by {by or 'a person'}: {reason}"
        for (what, by, reason), n in counts.items()
    ]


def judged(rows: Sequence[Redaction], what: str) -> str:
    """'2 spans judged by AB, CD' for the checks; empty if nobody judged any."""
    mine = [r for r in rows if r.what == what]
    who = ", ".join(sorted({r.by or "a person" for r in mine}))
    return f"{len(mine)} {'span' if len(mine) == 1 else 'spans'} judged by {who}" if mine else ""


def beside(measured: float, who: str) -> float | str:
    """What was measured, with what a person let through said beside it."""
    return f"{measured:g}, beside {who}" if who else measured


def without_initials(check: Check) -> Check:
    """The check as it may go out: a person judged, not who."""
    if not isinstance(check.measured, str):
        return check
    said = re.sub(r"judged by [A-Za-z, ]+$", "judged by a person", check.measured)
    return check.model_copy(update={"measured": said})
