"""Every kind of source goes all the way, through `make` to a finished file measured here."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import media_zoo
import numpy as np
import pytest
from test_make import Shell

from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.sound import read_sound

ONE_STEP_S = 0.03  # a click against its flash: half a picture at 25 Hz, and the coder's onset


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


def made(fieldstop: Shell, source: Path, out: Path, *more: str | Path) -> Path:
    """The finished file of a bare recording."""
    done = fieldstop(
        "make", source, "--consent", "public", "--approve", "AB", "--out", out, *more,
    )  # fmt: skip
    assert done.code == 0, done.value["withheld"] or done.said
    return Path(done.value["release"] or done.value["ready"])


def shown(path: Path) -> tuple[list[float], list[Any]]:
    """Times and luma planes of every picture."""
    pictures = [(p.time_s, p.planes()[0].copy()) for p in read_pictures(path, probe(path))]
    return [t for t, _ in pictures], [y for _, y in pictures]


def loudest_s(path: Path) -> float:
    """Time of the loudest sample, on the picture's axis."""
    sound = np.concatenate(list(read_sound(path, origin_s=probe(path).video.start_s)), axis=1)
    level = np.abs(sound).max(axis=0)
    return float(np.flatnonzero(level >= 0.7 * level.max())[0]) / 48_000


@pytest.mark.parametrize("narrated", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_a_recording_without_sound_comes_out(
    fieldstop: Shell, sample_media: Path, tmp_path: Path, narrated: bool
) -> None:
    source = tmp_path / "silent.mp4"
    media_zoo.scope_clip(source, 3.0, size=(320, 240), seed=8, audio="none")
    voice = ("--narration", sample_media / "voice.flac") if narrated else ()
    path = made(fieldstop, source, tmp_path / "out", *voice)
    found = probe(path)
    assert len(found.audio) == (1 if narrated else 0)
    assert found.duration_s > 3.2 if narrated else found.duration_s == pytest.approx(3.0, abs=0.04)


@pytest.mark.slow
def test_a_quiet_room_with_loud_clicks_comes_out_and_is_verified_alike(
    fieldstop: Shell, tmp_path: Path
) -> None:
    source = tmp_path / "clicks.mp4"
    media_zoo.scope_clip(source, 4.0, size=(320, 240), seed=8, audio="clicks")
    path = made(fieldstop, source, tmp_path / "out", "--looked", "AB")
    loud = [c for c in fieldstop("verify", path).value["checks"] if c["check"] == "loudness"]
    assert loud[0]["passed"] and loud[0]["limit"] < -15
    # Without its sheet and its plan nothing tells how loud it is meant to be.
    alone = tmp_path / "alone.mp4"
    alone.write_bytes(path.read_bytes())
    told = fieldstop("verify", alone).value
    assert "loudness" in [c["check"] for c in told["could_not"]]
    assert "loudness" not in [c["check"] for c in told["checks"]] and told["passed"]
    told = fieldstop("verify", alone, "--profile", "web").value
    loud = [c for c in told["checks"] if c["check"] == "loudness"]
    assert not loud[0]["passed"] and loud[0]["limit"] == -14


_BASE = ("-c:v", "libx264", "-preset", "ultrafast", "-crf", "16")
_APART: dict[str, tuple[str, tuple[str, ...], float]] = {
    # name: (ending, what ffmpeg is told, time of the first click on the picture's axis)
    "cut by stream copy": ("mp4", ("-t", "5", "-c", "copy"), 0.5),
    "cut from the middle by stream copy": ("mkv", ("-ss", "2", "-t", "4", "-c", "copy"), 0.5),
    "sound ends early": ("mp4", (*_BASE, "-af", "atrim=0:4.2", "-c:a", "aac"), 0.5),
    "sound ends late": ("mp4", (*_BASE, "-af", "apad=pad_dur=2", "-c:a", "aac"), 0.5),
    "sound begins late": ("mkv", (*_BASE, "-af", "adelay=700:all=1", "-c:a", "aac"), 1.2),
    "odd size, 4:4:4, lossless sound": (
        "mkv", ("-vf", "crop=317:237:0:0", "-pix_fmt", "yuv444p", *_BASE, "-c:a", "flac"), 0.5,
    ),
    "variable rate": (
        "mkv", ("-vf", "select='not(mod(n,3))+gt(random(3),0.5)'", "-fps_mode", "vfr", *_BASE,
                "-c:a", "libopus"), 0.5,
    ),
    "eight kilohertz": ("mp4", (*_BASE, "-ac", "1", "-ar", "8000", "-c:a", "aac"), 0.5),
    "two sound streams": ("mkv", ("-map", "0:v", "-map", "0:a", "-map", "0:a", *_BASE), 0.5),
    "a day of time stamps": (
        "ts", (*_BASE, "-c:a", "aac", "-output_ts_offset", "95000"), 0.5,
    ),
    "five pictures a second": ("mp4", ("-vf", "fps=5", *_BASE, "-c:a", "aac"), 0.5),
    "square": ("mp4", ("-vf", "crop=240:240", *_BASE, "-c:a", "aac"), 0.5),
    "full range": (
        "mp4", ("-vf", "scale=out_range=pc", "-color_range", "pc", *_BASE, "-c:a", "aac"), 0.5,
    ),
    "4:2:2 at 50": ("mov", ("-vf", "fps=50", "-pix_fmt", "yuv422p", *_BASE, "-c:a", "pcm_s16le"),
                    0.5),
    "two seconds": ("mp4", ("-t", "2", *_BASE, "-c:a", "aac"), 0.5),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", _APART)
def test_streams_that_do_not_begin_or_end_together(
    name: str, fieldstop: Shell, tmp_path: Path
) -> None:
    whole, source = tmp_path / "whole.mp4", tmp_path / f"source.{_APART[name][0]}"
    coding = media_zoo.Coding(options={"preset": "ultrafast", "crf": "16", "g": "25"})
    media_zoo.scope_clip(whole, 6.0, 25, (320, 240), seed=5, audio="clicks", coding=coding)
    media_zoo.run_ffmpeg("-i", whole, *_APART[name][1], source)
    wanted = [p.time_s for p in read_pictures(source, probe(source))]
    path = made(fieldstop, source, tmp_path / "out")
    times, _ = shown(path)
    assert len(times) == len(wanted)
    assert times == pytest.approx([t - wanted[0] for t in wanted], abs=0.021)
    if "middle" not in name:  # a stream copy begins at a key frame, wherever that is
        first = loudest_s(path)
        assert (first - _APART[name][2]) % 1.0 == pytest.approx(0.0, abs=ONE_STEP_S) or (
            (_APART[name][2] - first) % 1.0 == pytest.approx(0.0, abs=ONE_STEP_S)
        )
    ends = probe(path)
    assert ends.audio and ends.audio[0].duration_s == pytest.approx(ends.duration_s, abs=0.06)
