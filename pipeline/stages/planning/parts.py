"""The kept parts of the recordings: the case's own time axis."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from pipeline.model.case import Case
from pipeline.model.time import format_time
from pipeline.model.timeline import Timeline, joined_parts
from pipeline.stages.planning.given import SourceInput


def case_axis(case: Case, sources: Sequence[SourceInput]) -> Timeline:
    """The kept parts of all recordings, joined in order. Without pieces: nothing is planned."""
    return Timeline(
        joined_parts(
            [
                (recording.keep or [], _lengths_s(case, sources, index))
                for index, recording in enumerate(case.recording)
            ]
        )
    )


def _lengths_s(case: Case, sources: Sequence[SourceInput], index: int) -> list[tuple[int, float]]:
    """(source, length) of the files of a recording, in order."""
    show_s = case.recording[index].show_s
    return [
        (n, show_s if s.still else s.survey.recording.duration_s)
        for n, s in enumerate(sources)
        if s.recording_index == index
    ]


def keep_told(case: Case, sources: Sequence[SourceInput]) -> list[str]:
    """Sentences about `keep` that asks for what cannot be: another order, or more than there is."""
    told = []
    for index, recording in enumerate(case.recording):
        if any(after[0] < before[1] for before, after in pairwise(recording.keep)):
            told.append(
                f"recording {index + 1}: the parts of keep overlap, or stand in another order: they"
                " are shown in that of the recording, each moment once"
            )
        length_s = sum(length_s for _, length_s in _lengths_s(case, sources, index))
        last_s = max((stop_s for _, stop_s in recording.keep), default=0.0)
        if last_s > length_s + _ROUNDED_S:
            told.append(
                f"recording {index + 1}: keep asks for what lies at {format_time(last_s)}, the"
                f" recording ends at {format_time(length_s)}"
            )
    return told


_ROUNDED_S = 1.0  # people write the end of a recording in whole seconds
