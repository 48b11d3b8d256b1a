"""The kept parts of the recordings: the case's own time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from pipeline.model.case import Case
from pipeline.model.time import Span, merge_spans, round_s
from pipeline.stages.planning.given import SourceInput

SHORTEST_PIECE_S = 0.04


class Kept(NamedTuple):
    """A stretch of one source that is used, and where it lies in case time."""

    source: int
    start_s: float
    stop_s: float
    case_start_s: float


def keep_parts(case: Case, sources: Sequence[SourceInput]) -> list[Kept]:
    """The kept parts of all recordings, joined in order: the case's own time axis."""
    kept: list[Kept] = []
    case_s = 0.0
    for index, recording in enumerate(case.recording):
        joined_s = 0.0
        wanted = merge_spans(recording.keep) if recording.keep else [Span(0.0, float("inf"))]
        for number, source in enumerate(sources):
            if source.recording_index != index:
                continue
            length_s = recording.show_s if source.still else source.survey.recording.duration_s
            here = Span(joined_s, joined_s + length_s)
            for span in wanted:
                part = here.overlap(span)
                if part is not None and part.length_s >= SHORTEST_PIECE_S:
                    kept.append(
                        Kept(
                            number,
                            round_s(part.start_s - joined_s),
                            round_s(part.stop_s - joined_s),
                            round_s(case_s),
                        )
                    )
                    case_s += part.length_s
            joined_s += length_s
    return kept


def restrict(kept: Sequence[Kept], cut_to: Span) -> list[Kept]:
    """Only what lies in `cut_to` of case time. Case time itself stays."""
    out = []
    for part in kept:
        here = Span(part.case_start_s, part.case_start_s + part.stop_s - part.start_s)
        overlap = here.overlap(cut_to)
        if overlap is not None and overlap.length_s >= SHORTEST_PIECE_S:
            shift = part.start_s - part.case_start_s
            out.append(
                Kept(
                    part.source,
                    round_s(overlap.start_s + shift),
                    round_s(overlap.stop_s + shift),
                    round_s(overlap.start_s),
                )
            )
    return out


def case_spans(source: int, span: Span, kept: Sequence[Kept]) -> list[Span]:
    out = []
    for part in kept:
        if part.source != source:
            continue
        overlap = Span(part.start_s, part.stop_s).overlap(span)
        if overlap is not None:
            shift = part.case_start_s - part.start_s
            out.append(Span(overlap.start_s + shift, overlap.stop_s + shift))
    return out
