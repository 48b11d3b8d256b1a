"""Decisions in force laid over what the machine found, so that a page shows them at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from pipeline.model.decisions import Anchor, Decision, Decisions
from pipeline.model.time import Span, round_s
from pipeline.model.timeline import Stretch
from pipeline.review.backend import CaseFinding, CaseView
from pipeline.review.decision_values import MIX_SETTINGS
from pipeline.review.decisions import effective
from pipeline.stages.judged import outgrown


def case_span(view: CaseView, anchor: Anchor) -> tuple[float, float] | None:
    """The part of case time that shows an anchor; None if no part is kept."""
    span = (anchor.start_s, anchor.stop_s)
    found = [
        part
        for s in view.segments
        if s.sha256 == anchor.sha256 and (part := s.to_case.part(span)) is not None
    ]
    return (min(a for a, _ in found), max(b for _, b in found)) if found else None


def source_spans(view: CaseView, start_s: float, stop_s: float, kind: str) -> list[Anchor]:
    """Anchors in the sources that [start_s, stop_s) of case time shows."""
    out = []
    for s in view.segments:
        part = s.to_case.back.part((start_s, stop_s))
        if part is not None:
            a, b = round_s(part.start_s), round_s(part.stop_s)
            out.append(Anchor(sha256=s.sha256, start_s=a, stop_s=b, kind=kind))
    return out


def same_finding(finding: CaseFinding, anchor: Anchor, box: Any = None) -> bool:
    """Same source, kind and box, and the spans overlap by half of the shorter one."""
    own = finding.anchor
    if (own.sha256, own.kind) != (anchor.sha256, anchor.kind):
        return False
    if box is not None and finding.box_px is not None and list(box) != list(finding.box_px):
        return False
    overlap = min(own.stop_s, anchor.stop_s) - max(own.start_s, anchor.start_s)
    return overlap >= 0.5 * min(own.stop_s - own.start_s, anchor.stop_s - anchor.start_s) > 0


def moved(finding: CaseFinding, start_s: float, stop_s: float) -> dict[str, float]:
    """A finding's new span, given in case time, on its source's axis."""
    to_source = _to_case(finding).back
    return {
        "start_s": round_s(max(0.0, to_source.at(start_s))),
        "stop_s": round_s(max(0.0, to_source.at(stop_s))),
    }


def _to_case(finding: CaseFinding) -> Stretch:
    return Stretch(finding.anchor.start_s, finding.anchor.stop_s, finding.start_s)


@dataclass
class Laid:
    """A view with the decisions in force laid over it, so that a page shows them at once."""

    view: CaseView
    findings: list[tuple[CaseFinding, Decision | None]]
    positions: list[dict[str, Any]]
    sound_settings: dict[str, float]
    chapters: list[tuple[float, str]]


def lay_over(view: CaseView, decisions: Decisions) -> Laid:
    entries = effective(decisions)
    rows: list[tuple[CaseFinding, Decision | None]] = []
    for finding in view.findings:
        chosen = next(
            (
                e
                for e in reversed(entries)
                if e.anchor is not None
                and e.verb in ("accept", "reject", "change")
                and same_finding(finding, e.anchor, e.value.get("box_px"))
            ),
            None,
        )
        if chosen and outgrown(chosen, Span(finding.anchor.start_s, finding.anchor.stop_s)):
            chosen = None
        if chosen is not None:
            finding = replace(finding, needs_person=False)
            if chosen.verb == "change":
                to_case, value = _to_case(finding), chosen.value
                finding = replace(
                    finding,
                    action=str(value.get("action", finding.action)),
                    start_s=to_case.at(float(value["start_s"]))
                    if "start_s" in value
                    else finding.start_s,
                    stop_s=to_case.at(float(value["stop_s"]))
                    if "stop_s" in value
                    else finding.stop_s,
                )
        rows.append((finding, chosen))
    for entry in entries:
        if entry.verb != "add" or entry.anchor is None:
            continue
        if any(f.id == f"added-{entry.number}" for f in view.findings):
            continue
        span = case_span(view, entry.anchor)
        if span is None:
            continue
        box = entry.value.get("box_px")
        rows.append(
            (
                CaseFinding(
                    id=f"added-{entry.number}",
                    kind=entry.anchor.kind,
                    where="added by a person",
                    start_s=span[0],
                    stop_s=span[1],
                    severity="redaction",
                    level=None,
                    action="replace" if entry.anchor.kind == "speech" else "blank",
                    actions=(),
                    anchor=entry.anchor,
                    box_px=tuple(box) if box else None,
                ),
                entry,
            )
        )
    positions: list[dict[str, Any]] = [dict(p) for p in view.mark.get("places") or ()]
    settings = {k: float(view.sound_settings[k]) for k in MIX_SETTINGS if k in view.sound_settings}
    chapters = list(view.chapters)
    for entry in entries:
        if entry.verb == "mark":
            heights = [
                float(p.get("height_ratio", 0)) / float(p.get("width_ratio", 1)) for p in positions
            ]
            ratio = max(heights, default=0.0)  # unknown: as tall as the page's letters
            positions = [
                {**p, "height_ratio": p["width_ratio"] * ratio} for p in entry.value["positions"]
            ]
        elif entry.verb == "mix":
            settings.update(entry.value)
        elif entry.verb == "chapter":
            chapters = [(float(a), str(b)) for a, b in entry.value["chapters"]]
    rows.sort(key=lambda r: (not r[0].needs_person, r[0].start_s, r[0].id))
    return Laid(view, rows, positions, settings, chapters)


def plan_is_current(view: CaseView, decisions: Decisions) -> bool:
    """True if the plan has seen every entry that could change it."""
    if view.decided < 0:
        return False
    return all(e.verb == "sign" for e in decisions.entries if e.number > view.decided)
