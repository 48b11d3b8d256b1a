"""Kept parts of the sources on the case's axis, with names for people."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.model.case import Case, CaseRecording
from pipeline.model.plan import Plan
from pipeline.model.survey import Survey
from pipeline.model.time import round_s
from pipeline.stages.planning.chapters import chapter_title
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.parts import Kept, keep_parts


def kept_parts(
    document: Case | None, plan: Plan | None, surveys: Sequence[tuple[Survey, Path]]
) -> list[Kept]:
    """Kept parts on the case's axis, from the documents alone."""
    indices = [s.recording for s in plan.sources] if plan else list(range(len(surveys)))
    stills = [s.still for s in plan.sources] if plan else [False] * len(surveys)
    if document is None or len(document.recording) <= max(indices):
        document = Case(
            case="x", recording=[CaseRecording(files=["x"]) for _ in range(max(indices) + 1)]
        )
    inputs = [
        SourceInput(index, still, None, survey, {})  # type: ignore[arg-type]
        for index, still, (survey, _) in zip(indices, stills, surveys, strict=True)
    ]
    return keep_parts(document, inputs)


def source_names(document: Case | None, plan: Plan | None, count: int) -> list[str]:
    indices = [s.recording for s in plan.sources] if plan else list(range(count))
    out = []
    for number, index in enumerate(indices):
        name = f"recording {index + 1}"
        title = ""
        if document is not None and index < len(document.recording):
            title = chapter_title(document, index)
        parts = [n for n, i in enumerate(indices) if i == index]
        name += f", {title}" if title else ""
        name += f", part {parts.index(number) + 1}" if len(parts) > 1 else ""
        out.append(name)
    return out


def spans_in_case(
    kept: Sequence[Kept], source: int, start_s: float, stop_s: float
) -> list[tuple[float, float, float, float]]:
    """(case start, case stop, source start, source stop) of what the case shows of a span."""
    out = []
    for k in kept:
        a, b = max(start_s, k.start_s), min(stop_s, k.stop_s)
        if k.source == source and b > a:
            shift = k.case_start_s - k.start_s
            out.append((round_s(a + shift), round_s(b + shift), a, b))
    return out


def case_time(plan: Plan, out_s: float) -> float:
    for piece in reversed(plan.pieces):
        if piece.out_start_s <= out_s + 1e-6:
            return round_s(piece.case_start_s + out_s - piece.out_start_s)
    return out_s


def case_spans(plan: Plan, spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans of the finished clip on the case's axis."""
    out = []
    for start, stop in spans:
        for p in plan.pieces:
            a, b = max(start, p.out_start_s), min(stop, p.out_start_s + p.length_s)
            if b > a:
                shift = p.case_start_s - p.out_start_s
                out.append((a + shift, b + shift))
    return out
