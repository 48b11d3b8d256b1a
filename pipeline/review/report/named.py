"""How a clip and its recordings are called for people."""

from __future__ import annotations

from pipeline.model.case import Case
from pipeline.stages.planning.chapters import chapter_title
from pipeline.stages.values import CaseResult


def clip_name(run: CaseResult) -> str:
    """`HL-0142-web`: what a ready clip is called."""
    return run.opened.name


def recording_name(case: Case, run: CaseResult, number: int) -> str:
    """'recording 1, Left side', with the part where a recorder split it."""
    source = run.opened.sources[number]
    name = f"recording {source.recording + 1}"
    title = chapter_title(case, source.recording)
    parts = [s.number for s in run.opened.sources if s.recording == source.recording]
    if title and not run.opened.found.bare:
        name += f", {title}"
    if len(parts) > 1:
        name += f", part {parts.index(number) + 1}"
    return name
