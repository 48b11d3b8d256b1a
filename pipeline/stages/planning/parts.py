"""The kept parts of the recordings: the case's own time axis."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.case import Case
from pipeline.model.timeline import Timeline, joined_parts
from pipeline.stages.planning.given import SourceInput


def case_axis(case: Case, sources: Sequence[SourceInput]) -> Timeline:
    """The kept parts of all recordings, joined in order. Without pieces: nothing is planned."""
    return Timeline(
        joined_parts(
            [
                (
                    recording.keep or [],
                    [
                        (n, recording.show_s if s.still else s.survey.recording.duration_s)
                        for n, s in enumerate(sources)
                        if s.recording_index == index
                    ],
                )
                for index, recording in enumerate(case.recording)
            ]
        )
    )
