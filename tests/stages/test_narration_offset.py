"""Where a narration file is placed: as given, by the sound of the room, or at 0 and said."""

from __future__ import annotations

import sys
from pathlib import Path

import media_zoo
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "analysis"))

from sound_makers import RATE_HZ, at_level, coloured, rms_db, suction

from pipeline.errors import InputError
from pipeline.media.probe import probe
from pipeline.model.options import Options
from pipeline.model.survey import Survey, SurveyedRecording
from pipeline.stages.intake import open_case
from pipeline.stages.narration import Narration, measure_narration
from pipeline.stages.progress import no_progress
from pipeline.stages.survey import Surveyed

LENGTH_S, KEPT_FROM_S, STARTS_S = 16.0, 2.0, 3.37


@pytest.fixture(scope="module")
def room() -> np.ndarray:
    return at_level(suction(np.random.default_rng(8), round(LENGTH_S * RATE_HZ)), -24.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, room: np.ndarray) -> Path:
    folder = tmp_path_factory.mktemp("offset")
    write_recording(folder, room, LENGTH_S)
    return folder


def write_recording(folder: Path, room: np.ndarray, length_s: float) -> None:
    media_zoo.write_wav(folder / "room.wav", np.stack([room]), RATE_HZ)
    media_zoo.run_ffmpeg(
        "-f", "lavfi", "-i", f"testsrc=size=160x120:rate=10:duration={length_s}",
        "-i", folder / "room.wav", "-c:v", "libx264", "-pix_fmt", "yuv420p", "-c:a", "aac",
        "-shortest", folder / "recording.mp4",
    )  # fmt: skip


def prepared(folder: Path, lines: str, take: np.ndarray, length_s: float = LENGTH_S) -> Narration:
    """The narration `take` in a case that keeps a part of the recording."""
    media_zoo.write_wav(folder / "voice.wav", np.stack([take]), RATE_HZ)
    (folder / "case.toml").write_text(
        'case = "QM-0001"\n[[recording]]\nfiles = ["recording.mp4"]\n'
        f"keep = [[{KEPT_FROM_S}, {length_s}]]\n[narration]\nfile = 'voice.wav'\n{lines}\n"
    )
    opened = open_case(folder)
    out = folder / "work"
    out.mkdir(exist_ok=True)
    recording = probe(folder / "recording.mp4", sha256="0" * 64)
    survey = Survey(
        recording=SurveyedRecording(
            sha256="0" * 64, duration_s=length_s, frame_rate_hz=10, width_px=160, height_px=120
        )
    )
    found = measure_narration(
        opened, [Surveyed(recording, survey, {})], Options().sound.speech_threshold, out,
        no_progress,
    )  # fmt: skip
    assert found is not None
    return found


def measured(folder: Path, offset: str, take: np.ndarray) -> tuple[float, float | None, str]:
    """(offset, confidence, warnings) of the narration `take`."""
    found = prepared(folder, offset, take)
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


def test_a_given_rate_is_taken_as_it_is(folder: Path, room: np.ndarray) -> None:
    take = take_in_the_room(room)
    (folder / "voice.vtt").write_text("WEBVTT\n\n00:00:01.000 --> 00:00:08.000\nsuction\n")
    lines = "offset_s = 1.0\nrate_ppm = 900\ncaptions = 'voice.vtt'"
    found = prepared(folder, lines, take)
    assert (found.measured.offset_s, found.measured.rate_ppm) == (1.0, 900.0)
    assert found.measured.duration_s == pytest.approx(9 / 1.0009, abs=1e-4)
    assert found.measured.captions[0][1] == pytest.approx(8 / 1.0009, abs=1e-4)
    plain = prepared(folder, "offset_s = 1.0", take)
    assert plain.measured.duration_s == 9.0 and plain.measured.rate_ppm == 0.0


@pytest.mark.slow
@pytest.mark.parametrize("offset", ["", f"offset_s = {STARTS_S}"])
def test_a_take_of_another_clock_is_brought_into_step(tmp_path: Path, offset: str) -> None:
    """Six minutes at 150 ppm: the take is 54 ms too long, the room says so."""
    import soxr

    length_s, ppm = 380.0, 150.0
    room = at_level(suction(np.random.default_rng(9), round(length_s * RATE_HZ)), -24.0)
    write_recording(tmp_path, room, length_s)
    start = round((KEPT_FROM_S + STARTS_S) * RATE_HZ)
    heard = soxr.resample(room[start : start + 370 * RATE_HZ], 1e6, 1e6 + ppm)
    rng = np.random.default_rng(80)
    near = coloured(rng, heard.size, -6) * (np.sin(np.arange(heard.size) / RATE_HZ * 20) > 0)
    take = heard * np.float32(0.15)
    take += at_level(near.astype(np.float32), rms_db(take))
    found = prepared(tmp_path, offset, take.astype(np.float32), length_s)
    assert found.measured.rate_ppm == pytest.approx(ppm, abs=20)
    assert found.measured.duration_s == pytest.approx(370, abs=0.008)
    assert found.measured.offset_s == pytest.approx(STARTS_S, abs=0.03)
    assert "too long by" in " ".join(found.measured.warnings)


@pytest.mark.parametrize("offset_s", [140.0, -60.0])
def test_a_narration_that_meets_no_recording_is_refused(folder: Path, offset_s: float) -> None:
    """A mistyped offset made a clip of minutes of one held picture."""
    with pytest.raises(InputError, match="at no moment") as refused:
        measured(folder, f"offset_s = {offset_s}", np.zeros(3 * RATE_HZ))
    assert "offset_s" in refused.value.do
