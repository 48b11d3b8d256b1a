"""A released clip for an editing program: read back with the library, its media opened."""

from __future__ import annotations

import json
import os
from pathlib import Path

import av
import media_zoo
import numpy as np
import opentimelineio as otio
import pytest
import soundfile
from test_beside import CASE as BESIDE
from test_beside import QUICK
from test_make import Shell

from pipeline.media.sound import read_sound
from pipeline.media.timeline_file import Track, faults_of_timeline, write_timeline

CASE = BESIDE.replace("QM-0300", "QM-0320") + '[narration]\nfile = "take_one.wav"\noffset_s = 0.4\n'


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Shell, dict[str, str]]:
    """A case that left, and the installation that it left from."""
    here = Shell(tmp_path_factory.mktemp("timeline"))
    here.config.write_text(here.config.read_text() + QUICK)
    case = here.folder / "case"
    case.mkdir()
    for name, length_s, seed in (("a.mp4", 5.0, 5), ("b.mp4", 3.0, 7)):
        media_zoo.scope_clip(case / name, length_s, size=(320, 240), seed=seed,
                             suction_s=[(0.0, length_s)])  # fmt: skip
    media_zoo.narration_file(case / "take_one.wav", 5.0, [0.5, 3.0])
    (case / "case.toml").write_text(CASE)
    made = here("make", case, "--looked", "AB", "--out", here.folder / "out")
    assert made.code == 0, made.value
    return here, {k: v for k, v in os.environ.items() if k.startswith("XDG_")}


@pytest.fixture
def left(made: tuple[Shell, dict[str, str]], monkeypatch: pytest.MonkeyPatch) -> Shell:
    for name, value in made[1].items():
        monkeypatch.setenv(name, value)
    return made[0]


def _sound(path: Path, channels: int) -> np.ndarray:
    return np.concatenate(list(read_sound(path, channels=channels)), axis=1)


@pytest.mark.slow
def test_the_timeline_is_the_clip(left: Shell) -> None:
    out, to = left.folder / "out", left.folder / "edit"
    done = left("timeline", "QM-0320", "--to", to, "--out", out)
    assert done.code == 0, done.said
    stem = "QM-0320-web-r1"
    assert sorted(p.name for p in to.iterdir()) == [
        f"{stem}-procedure.wav", f"{stem}-voice.wav", f"{stem}.mp4", f"{stem}.otio",
    ]  # fmt: skip
    clip = out / "releases/QM-0320" / f"{stem}.mp4"
    assert (to / clip.name).read_bytes() == clip.read_bytes()

    # Read back with the library, and every reference opened.
    found = otio.adapters.read_from_file(str(to / f"{stem}.otio"))
    plan = json.loads((out / "private/QM-0320/plan.json").read_text())
    kinds = [(t.name, t.kind) for t in found.tracks]
    assert kinds == [("pictures", "Video"), ("procedure", "Audio"), ("voice", "Audio")]
    for track in found.tracks:
        assert track.duration().to_seconds() == pytest.approx(plan["duration_s"], abs=0.05)
        for part in track.find_clips():
            with av.open(str(to / part.media_reference.target_url)) as media:
                end_s = part.source_range.end_time_exclusive().to_seconds()
                assert end_s <= media.duration / av.time_base + 0.06
    assert len(found.tracks[0]) == len(plan["pieces"])
    names = [m.name for m in found.tracks[0].markers]
    assert {"Left side", "Right side"} <= set(names) or len(names) >= 2, names

    # The two tracks are together what is heard, and the voice alone is the voice.
    channels = plan["sound_channels"]
    heard = _sound(clip, channels)
    tracks = [soundfile.read(to / f"{stem}-{w}.wav", dtype="float32", always_2d=True)[0].T
              for w in ("procedure", "voice")]  # fmt: skip
    assert all(t.shape[0] == channels for t in tracks)
    size = min(heard.shape[1], tracks[0].shape[1])
    both = (tracks[0] + tracks[1])[:, :size] * 10 ** (-done.value["lowered_db"] / 20)
    # What coding leaves out is foreign to it, so compare what both hold: below 4 kHz.
    assert np.corrcoef(_low(heard[0, :size]), _low(both[0]))[0, 1] > 0.98
    level = np.std(_low(heard[0, :size])) / np.std(_low(both[0]))
    assert 20 * abs(np.log10(level)) < 1.0
    (start_s, stop_s), *_ = plan["narration"]
    speaking = slice(round(start_s * 48_000), round(stop_s * 48_000))
    before = slice(4_800, round((start_s - 0.4) * 48_000))
    assert np.std(tracks[1][0, speaking]) > 100 * np.std(tracks[1][0, before])
    assert np.std(tracks[0][0, speaking]) < np.std(tracks[0][0, before]), "ducked"

    # Nothing private is in the folder, and take-down knows what was handed on.
    record = json.loads(next((out / "private/QM-0320").glob("*r1.release.json")).read_text())
    for path in to.iterdir():
        data = path.read_bytes()
        for private in (*record["sources"], str(left.folder), "a.mp4", "take_one"):
            assert private.encode() not in data
    listed = json.loads((out / f"private/QM-0320/{stem}.beside.json").read_text())["files"]
    assert {f["file"] for f in listed} == {
        f"{stem}.otio", f"{stem}-voice.wav", f"{stem}-procedure.wav",
    }  # fmt: skip
    assert not list((out / "private/QM-0320").glob(".work*"))


def _low(sound: np.ndarray) -> np.ndarray:
    from scipy.signal import butter, sosfilt

    return np.asarray(sosfilt(butter(4, 4000, fs=48_000, output="sos"), sound))


@pytest.mark.slow
def test_another_voice_and_lost_recordings_are_refused(left: Shell, tmp_path: Path) -> None:
    out, case = left.folder / "out", left.folder / "case"
    voice, first = case / "take_one.wav", case / "a.mp4"
    kept = voice.read_bytes()
    media_zoo.narration_file(voice, 5.0, [1.5])
    other = left("timeline", "QM-0320", "--to", tmp_path / "e", "--out", out)
    assert other.code == 4 and other.value["withheld"], other.value
    voice.write_bytes(kept)
    first.rename(case / "gone.mp4")
    lost = left("timeline", "QM-0320", "--to", tmp_path / "e", "--out", out)
    (case / "gone.mp4").rename(first)
    assert lost.code == 3 and not list((tmp_path / "e").glob("*"))
    for place in ("private/QM-0320/x", "releases/QM-0320"):
        before = sorted((out / "releases").rglob("*"))
        assert left("timeline", "QM-0320", "--to", out / place, "--out", out).code == 2
        assert sorted((out / "releases").rglob("*")) == before
    assert left("timeline", "QM-0321", "--to", tmp_path / "e", "--out", out).code == 3


def test_a_spoiled_timeline_is_found(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").write_bytes(b"x")
    good = Track("pictures", "Video", "a.mp4", 4.0, [(0.0, 1.52, "a"), (1.52, 2.48, "b")])
    write_timeline(tmp_path / "t.otio", "t", 25.0, [good])
    assert faults_of_timeline(tmp_path / "t.otio", {"a.mp4": 4.0}) == []
    for parts in ([(0.0, 1.0, "a")], [(0.0, 2.0, "a"), (3.0, 2.0, "b")]):
        write_timeline(tmp_path / "t.otio", "t", 25.0,
                       [Track("pictures", "Video", "a.mp4", 4.0, parts)])  # fmt: skip
        assert faults_of_timeline(tmp_path / "t.otio", {"a.mp4": 4.0})
    write_timeline(tmp_path / "t.otio", "t", 25.0,
                   [Track("pictures", "Video", "b.mp4", 4.0, [(0.0, 4.0, "a")])])  # fmt: skip
    assert faults_of_timeline(tmp_path / "t.otio", {"a.mp4": 4.0})
