"""Where a narration file is placed: as given, by the sound of the room, or at 0 and said."""

from __future__ import annotations

import sys
from pathlib import Path

import media_zoo
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "analysis"))

from sound_makers import RATE_HZ, at_level, coloured, rms_db, suction

from pipeline.media.probe import probe
from pipeline.model.options import Options
from pipeline.model.survey import Survey, SurveyedRecording
from pipeline.stages.intake import open_case
from pipeline.stages.narration import measure_narration
from pipeline.stages.progress import no_progress
from pipeline.stages.survey import Surveyed

LENGTH_S, KEPT_FROM_S, STARTS_S = 16.0, 2.0, 3.37


@pytest.fixture(scope="module")
def room() -> np.ndarray:
    return at_level(suction(np.random.default_rng(8), round(LENGTH_S * RATE_HZ)), -24.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, room: np.ndarray) -> Path:
    folder = tmp_path_factory.mktemp("offset")
    media_zoo.write_wav(folder / "room.wav", np.stack([room]), RATE_HZ)
    media_zoo.run_ffmpeg(
        "-f", "lavfi", "-i", f"testsrc=size=160x120:rate=10:duration={LENGTH_S}",
        "-i", folder / "room.wav", "-c:v", "libx264", "-pix_fmt", "yuv420p", "-c:a", "aac",
        "-shortest", folder / "recording.mp4",
    )  # fmt: skip
    return folder


def measured(folder: Path, offset: str, take: np.ndarray) -> tuple[float, float | None, str]:
    """(offset, confidence, warnings) of the narration `take` in a case that keeps a part."""
    media_zoo.write_wav(folder / "voice.wav", np.stack([take]), RATE_HZ)
    (folder / "case.toml").write_text(
        'case = "QM-0001"\n[[recording]]\nfiles = ["recording.mp4"]\n'
        f"keep = [[{KEPT_FROM_S}, {LENGTH_S}]]\n[narration]\nfile = 'voice.wav'\n{offset}\n"
    )
    opened = open_case(folder)
    out = folder / "work"
    out.mkdir(exist_ok=True)
    recording = probe(folder / "recording.mp4", sha256="0" * 64)
    survey = Survey(
        recording=SurveyedRecording(
            sha256="0" * 64, duration_s=LENGTH_S, frame_rate_hz=10, width_px=160, height_px=120
        )
    )
    found = measure_narration(
        opened, [Surveyed(recording, survey, {})], Options().sound.speech_threshold, out,
        no_progress,
    )  # fmt: skip
    assert found is not None
    heard = found.measured
    assert found.media.offset_s == heard.offset_s
    return heard.offset_s, heard.offset_confidence, " ".join(heard.warnings)


def take_in_the_room(room: np.ndarray) -> np.ndarray:
    """9 s recorded beside the procedure, far from the microphone, with a voice-like band."""
    rng = np.random.default_rng(80)
    start = round((KEPT_FROM_S + STARTS_S) * RATE_HZ)
    heard = room[start : start + 9 * RATE_HZ] * np.float32(0.15)
    near = coloured(rng, heard.size, -6) * (np.sin(np.arange(heard.size) / RATE_HZ * 20) > 0)
    return heard + at_level(near.astype(np.float32), rms_db(heard))


@pytest.mark.parametrize("offset", ["", 'offset_s = "auto"'])
def test_a_take_that_heard_the_room_is_placed_by_it(
    folder: Path, room: np.ndarray, offset: str
) -> None:
    at_s, confidence, said = measured(folder, offset, take_in_the_room(room))
    assert at_s == pytest.approx(STARTS_S, abs=0.03)  # AAC brings up to a frame, 21 ms
    assert confidence is not None and confidence >= 0.5
    assert "placed at 3." in said and f"confidence {confidence}" in said


def test_a_given_offset_is_taken_as_it_is(folder: Path, room: np.ndarray) -> None:
    assert measured(folder, "offset_s = 1.25", take_in_the_room(room))[:2] == (1.25, None)
    at_s, confidence, said = measured(folder, "offset_s = 0", take_in_the_room(room))
    assert (at_s, confidence) == (0.0, None)
    assert "offset" not in said and "placed" not in said


def test_a_take_from_elsewhere_starts_at_0_and_it_is_said(folder: Path) -> None:
    other = at_level(suction(np.random.default_rng(81), 9 * RATE_HZ), -26.0)
    at_s, confidence, said = measured(folder, "", other)
    assert at_s == 0.0
    assert confidence is not None and confidence < 0.5
    assert "no offset of the narration is given" in said and "starts at 0" in said
