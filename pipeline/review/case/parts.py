"""The case's axis from documents alone, and names of its sources for people."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.case import Case, CaseRecording
from pipeline.model.plan import Plan
from pipeline.model.timeline import Timeline
from pipeline.review.case.documents import KeptSurvey
from pipeline.stages.planning.chapters import chapter_title
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.parts import case_axis


def axis_of(document: Case | None, plan: Plan | None, surveys: Sequence[KeptSurvey]) -> Timeline:
    """The kept parts in case time and, if there is a plan, its pieces."""
    indices = [s.recording for s in plan.sources] if plan else list(range(len(surveys)))
    stills = [s.still for s in plan.sources] if plan else [False] * len(surveys)
    if document is None or len(document.recording) <= max(indices):
        document = Case(
            case="x", recording=[CaseRecording(files=["x"]) for _ in range(max(indices) + 1)]
        )
    inputs = [
        SourceInput(index, still, None, survey, {})  # type: ignore[arg-type]
        for index, still, (survey, _, _) in zip(indices, stills, surveys, strict=True)
    ]
    return Timeline(case_axis(document, inputs).kept, plan.pieces if plan else ())


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
