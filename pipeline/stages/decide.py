"""Decide: events and speech spans from what a survey kept. Pure, nothing is decoded.

Run at every run, so that a changed threshold or a new rule needs no new measurement.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from numpy.typing import NDArray

from pipeline.analysis.lens.events import find_events
from pipeline.analysis.sound.speech import SpeechSeries
from pipeline.analysis.sound.speech_spans import (
    ROOM_JOIN_S,
    room_speech_spans,
    sure_speech_spans,
    why_undecided,
)
from pipeline.model.findings import Findings, Speech
from pipeline.model.options import Options
from pipeline.model.survey import Survey
from pipeline.model.time import merge_spans


def decide(survey: Survey, series: Mapping[str, NDArray[Any]], options: Options) -> Findings:
    """What was found in one source file. series: as in its `series.npz`."""
    damaged = [(d.start_s, d.stop_s) for d in survey.damage if d.what == "picture"]
    return Findings(
        sha256=survey.recording.sha256,
        events=find_events(
            series, survey.field, survey.recording.duration_s, options.lens.model_dump(), damaged
        ),
        speech=_speech(series),
    )


def with_voices(findings: Findings, survey: Survey) -> Findings:
    """With the speech that only the check of a finished clip heard."""
    if not survey.voices:
        return findings
    heard = [(v.start_s, v.stop_s) for v in survey.voices]
    spans = merge_spans([*findings.speech.procedure, *heard], ROOM_JOIN_S)
    speech = findings.speech.model_copy(
        update={"procedure": [(s.start_s, s.stop_s) for s in spans]}
    )
    return findings.model_copy(update={"speech": speech})


def _speech(series: Mapping[str, NDArray[Any]]) -> Speech:
    """Speech in the file's own sound; none where it has no sound."""
    if "speech_level_dbfs" not in series:
        return Speech()
    heard = SpeechSeries.from_arrays(series)
    spans, undecided = room_speech_spans(heard)
    return Speech(
        procedure=[(s.start_s, s.stop_s) for s in spans],
        sure=[(s.start_s, s.stop_s) for s in sure_speech_spans(heard)],
        undecided=[(s.start_s, s.stop_s) for s in undecided],
        undecided_why=[why_undecided(heard, (s.start_s, s.stop_s)) for s in undecided],
    )
