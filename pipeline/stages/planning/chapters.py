"""The chapters of a clip: one a recording, or those a person named."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.case import Case, Side
from pipeline.model.decisions import Decision
from pipeline.model.plan import Chapter, Piece
from pipeline.model.timeline import Timeline
from pipeline.stages.planning.given import SourceInput


def chapters_of(
    case: Case,
    sources: Sequence[SourceInput],
    pieces: Sequence[Piece],
    duration_s: float,
    decisions: Sequence[Decision],
) -> list[Chapter]:
    """One chapter a recording, or those a person named (in case time)."""
    named = named_chapters(decisions)
    starts: list[tuple[float, str]] = []
    if named is not None:
        for case_s, title in named:
            out = Timeline(pieces=pieces).clip_of_case([(case_s, float("inf"))])
            if not out:
                continue
            if starts and out[0].start_s <= starts[-1][0] + 1e-3:
                starts.pop()  # it ends before the clip begins, or was cut
            starts.append((out[0].start_s, title))
        if starts:
            starts[0] = (0.0, starts[0][1])
    seen: set[int] = set()
    for piece in pieces if named is None else ():
        index = sources[piece.source].recording_index
        if index not in seen:
            seen.add(index)
            starts.append((piece.out_start_s, chapter_title(case, index)))
    if len(starts) < 2:
        return []
    stops = [s for s, _ in starts[1:]] + [duration_s]
    return [Chapter(start_s=a, stop_s=b, title=t) for (a, t), b in zip(starts, stops, strict=True)]


def named_chapters(decisions: Sequence[Decision]) -> list[tuple[float, str]] | None:
    """(start in case time, title) of the chapters that a person named; None if nobody did."""
    named = next((d for d in reversed(decisions) if d.verb == "chapter"), None)
    if named is None:
        return None
    return sorted((float(case_s), str(title)) for case_s, title in named.value.get("chapters", []))


def chapter_title(case: Case, index: int) -> str:
    recording = case.recording[index]
    if recording.title:
        return recording.title
    words = {"left": "Left side", "right": "Right side", "midline": "Midline", None: ""}
    phases = {"before": "before", "procedure": "procedure", "after": "after", "still": "picture"}
    side, phase = words[recording.side], phases[recording.phase]
    alone = sum(r.side == recording.side for r in case.recording) == 1
    if side and (alone and recording.phase == "procedure"):
        return side
    return f"{side}, {phase}" if side else phase.capitalize()


def shown_sides(case: Case, sources: Sequence[SourceInput], pieces: Sequence[Piece]) -> list[Side]:
    """The sides of which something is shown, in the order of the clip."""
    shown = [
        case.recording[sources[p.source].recording_index].side
        for p in pieces
        if p.kind in ("play", "freeze")
    ]
    return [side for side in dict.fromkeys(shown) if side is not None]
