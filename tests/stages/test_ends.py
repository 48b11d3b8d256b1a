"""What is said where picture and sound of a recording begin or end apart."""

from __future__ import annotations

import pytest

from pipeline.model.survey import SurveyedRecording
from pipeline.model.time import Span
from pipeline.stages.planning.ends import ends_told


def told(start_s: float | None, stop_s: float | None, *used: tuple[float, float]) -> list[str]:
    recording = SurveyedRecording(
        sha256="a" * 64, duration_s=10.0, frame_rate_hz=25.0, width_px=320, height_px=240,
        sound_start_s=start_s, sound_stop_s=stop_s,
    )  # fmt: skip
    return ends_told(recording, "recording 1", [Span(*s) for s in used or ((0.0, 10.0),)])


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ((0.7, 10.0), "begins 0.70 s late: silence"),
        ((-0.5, 10.0), "begins 0.50 s before the first picture: left out"),
        ((0.0, 9.4), "ends 0.60 s before its picture: silence"),
        ((0.0, 10.6), "goes on for 0.60 s after the last picture: left out"),
        ((0.0, 14.0), "look whether pictures are missing"),
    ],
)
def test_ends_apart_are_said(ends: tuple[float, float], words: str) -> None:
    said = told(*ends)
    assert len(said) == 1 and words in said[0]
    assert ("missing" in said[0]) == (ends[1] > 11)


def test_ends_that_agree_or_are_not_kept_are_not_said() -> None:
    assert told(-0.05, 10.02) == told(None, None) == []
    assert told(0.7, 12.0, (2.0, 8.0)) == []
    assert told(0.7, 9.0, (0.5, 2.0)) == [
        "recording 1: its sound begins 0.20 s late: silence until then"
    ]
