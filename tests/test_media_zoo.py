"""The media makers write what they say. Read back with PyAV, not with the program's own reader."""

from __future__ import annotations

import os
import subprocess
import tomllib
import wave
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import cv2
import media_zoo
import numpy as np
import pytest
from media_zoo import CLIPS, Clip, FogTruth

from pipeline.model.case import Case

Zoo = Callable[[str], Clip]

# One of each kind by default; the whole zoo in slow runs.
QUICK = {
    "h264_mp4",
    "h264_ts",
    "hevc_mp4",
    "mjpeg_avi",
    "mpeg2_ts",
    "dv_avi",
    "vfr_mp4",
    "gap_mkv",
    "late_start_mp4",
    "late_sound_mkv",
    "anamorphic",
    "rotated_90",
    "odd_444",
    "ten_bit_hevc",
    "full_range",
    "bt601",
    "surround_51",
    "no_audio",
}
NAMES = [n if n in QUICK else pytest.param(n, marks=pytest.mark.slow) for n in CLIPS]


FOLLOWED = {
    "playlist": ["-f", "hls", "-extension_picky", "0", "-allowed_extensions", "ALL"],
    "dash": ["-f", "dash", "-allowed_extensions", "ALL"],
    "concat": ["-f", "concat"],
}


def decoded(clip: Clip) -> tuple[Any, list[tuple[float, Any]]]:
    """Facts of the picture stream, and (time stamp, frame) of all frames."""
    with av.open(str(clip.path)) as file:
        stream = file.streams.video[0]
        frames = [(float(f.pts * f.time_base), f) for f in file.decode(stream)]
        context = stream.codec_context
        facts = {
            "codec": context.name,
            "size": (context.width, context.height),
            "aspect": stream.sample_aspect_ratio or Fraction(1),
            "format": context.pix_fmt,
            "matrix": int(context.colorspace),
            "range": int(context.color_range),
        }
    return facts, frames


def heard(clip: Clip) -> tuple[np.ndarray, int, float]:
    """(channel, sample) float, rate, time stamp of the first sample."""
    with av.open(str(clip.path)) as file:
        frames = list(file.decode(audio=0))
        resampler = av.AudioResampler(
            format="fltp", layout=frames[0].layout, rate=frames[0].sample_rate
        )
        first = float(frames[0].pts * frames[0].time_base)
        blocks = [g.to_ndarray() for f in frames for g in resampler.resample(f)]
    return np.concatenate(blocks, axis=1), frames[0].sample_rate, first


def planes(frame: Any) -> list[np.ndarray]:
    """Y, Cb, Cr as 8-bit levels, (row, col) float."""
    deep = "10" in frame.format.name
    out = []
    for plane in frame.planes[:3]:
        data = np.frombuffer(plane, np.uint16 if deep else np.uint8)
        data = data.reshape(plane.height, plane.line_size // data.itemsize)[:, : plane.width]
        out.append(data.astype(float) / (4 if deep else 1))
    return out


def upright(plane: np.ndarray, clip: Clip) -> np.ndarray:
    turn = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}
    plane = plane.astype(np.float32)
    if clip.rotation_deg:
        plane = cv2.rotate(plane, turn[clip.rotation_deg])
    return cv2.resize(plane, (clip.width_px, clip.height_px), interpolation=cv2.INTER_LINEAR)


@pytest.mark.parametrize("name", NAMES)
def test_zoo_file_is_what_it_says(name: str, zoo: Zoo) -> None:
    clip = zoo(name)
    facts, frames = decoded(clip)
    assert facts["codec"] == clip.codec
    assert facts["size"] == (clip.coded_width_px, clip.coded_height_px)
    assert facts["aspect"] == clip.pixel_aspect
    assert ("10" in facts["format"]) == (clip.bit_depth == 10)
    if clip.codec not in ("mjpeg", "dvvideo"):
        assert facts["matrix"] == ({"bt709": 1, "bt601": 6}[clip.matrix] if clip.tagged else 2)
        assert (facts["range"] == 2) == clip.full_range

    assert len(frames) == clip.frames
    times = np.array([t for t, _ in frames])
    assert times[0] == pytest.approx(clip.start_s, abs=0.05 if clip.path.suffix != ".ts" else 2)
    assert times - times[0] == pytest.approx(np.array(clip.pts_s), abs=1e-3)
    steps = np.diff(times)
    assert (steps.max() - steps.min() > 0.0021) == clip.variable_rate
    assert all(f.interlaced_frame == clip.interlaced for _, f in frames)
    assert frames[0][1].rotation % 360 == -clip.rotation_deg % 360

    flashes = [clip.pts_s.index(t) for t in clip.flashes_s]
    for k, (_, frame) in enumerate(frames):
        y = upright(planes(frame)[0], clip)
        assert media_zoo.read_number(y, clip) == (None if k in flashes else k)

    y, cb, cr = (upright(p, clip) for p in planes(frames[2][1]))
    for patch in clip.patches:
        inset = 0.25 * patch.side_px
        rows = slice(round(patch.y_px + inset), round(patch.y_px + patch.side_px - inset))
        cols = slice(round(patch.x_px + inset), round(patch.x_px + patch.side_px - inset))
        wanted = media_zoo.to_yuv(
            np.array(patch.rgb, float)[None, None], clip.matrix, clip.full_range, 8
        )
        got = [float(p[rows, cols].mean()) for p in (y, cb, cr)]
        assert got == pytest.approx([float(p[0, 0]) for p in wanted], abs=2.5), patch.name

    with av.open(str(clip.path)) as file:
        assert len(file.streams.audio) == (clip.channels > 0)
    if clip.channels:
        sound, rate, first = heard(clip)
        assert (sound.shape[0], rate) == (clip.channels, clip.audio_rate_hz)
        if name != "gap_mkv":
            loud = np.flatnonzero(np.abs(sound[0]) > 0.25)
            click_s = first + loud[0] / rate - times[0]
            # AAC and MP2 spread a click over a block of some milliseconds.
            assert click_s == pytest.approx(clip.clicks_s[0], abs=0.006)


@pytest.mark.parametrize(
    "name",
    [
        "dv_avi",
        "interlaced_576i",
        pytest.param("interlaced_576i_bff", marks=pytest.mark.slow),
        pytest.param("interlaced_1080i", marks=pytest.mark.slow),
    ],
)
def test_interlaced_fields_show_two_moments(name: str, zoo: Zoo) -> None:
    clip = zoo(name)
    _, frames = decoded(clip)
    y = planes(frames[3][1])[0]
    rows = slice(
        round(clip.field.center_y_px - 0.72 * clip.field.radius_px),
        round(clip.field.center_y_px - 0.58 * clip.field.radius_px),
    )
    band = y[rows]
    # Where the bar is in each field: the field order says which comes first.
    first = 0 if clip.top_field_first else 1
    where = []
    for k in (0, 1):
        line = band[(rows.start + k + first) % 2 :: 2].mean(axis=0)
        where.append(float(np.flatnonzero(line > 170).mean()))
    step = 0.5 / 12 * 2 * 0.6 * clip.field.radius_px / float(clip.pixel_aspect)
    assert where[1] - where[0] == pytest.approx(step, abs=2)


def test_published_colour_levels() -> None:
    # 100 % red, green, blue in 8-bit limited range: ITU-R BT.601-7 and BT.709-6 (rounded).
    for matrix, levels in {
        "bt601": [(81, 90, 240), (145, 54, 34), (41, 240, 110)],
        "bt709": [(63, 102, 240), (173, 42, 26), (32, 240, 118)],
    }.items():
        got = media_zoo.to_yuv(255.0 * np.eye(3)[None], matrix, False, 8)
        assert np.rint(np.stack([p[0] for p in got], axis=1)).tolist() == [list(x) for x in levels]


@pytest.mark.parametrize("name", list(media_zoo.BAD_FILES))
def test_bad_file_is_bad(name: str, bad_file: Callable[[str], Path]) -> None:
    path = bad_file(name)
    assert path.exists() == (name != "missing")
    if name in FOLLOWED:
        # The danger is real: ffmpeg, told the format, plays the file that the script names.
        arguments = [*FOLLOWED[name], "-i", path, "-f", "null", "-"]
        media_zoo.run_ffmpeg(*arguments)
        (path.parent / "target.ts").rename(path.parent / "away.ts")
        try:
            with pytest.raises(subprocess.CalledProcessError):
                media_zoo.run_ffmpeg(*arguments)
        finally:
            (path.parent / "away.ts").rename(path.parent / "target.ts")
        return
    frames = 0
    with pytest.raises((OSError, av.error.FFmpegError, IndexError, ValueError)):
        with av.open(str(path)) as file:
            stream = file.streams.video[0]
            if stream.disposition & av.stream.Disposition.attached_pic:
                raise ValueError("only a cover picture")
            for _ in file.decode(stream):
                frames += 1
        if name == "truncated_data" and frames < 50:
            raise ValueError("pictures are missing")
    assert frames < 50


def test_scope_clip_fog_is_true_in_linear_light(tmp_path: Path) -> None:
    """Contrast in linear light falls to (1 - loss) of the clear clip's (Koschmieder 1924)."""
    fog = FogTruth(start_s=0.4, rise_s=0.4, peak_loss=0.6, hold_s=1.0)
    pair = []
    for kind in (None, fog):
        clip = media_zoo.scope_clip(
            tmp_path / f"{kind is None}.mp4", 1.6, seed=5, fog=kind, audio="none", noise_levels=0.5
        )
        _, frames = decoded(clip)
        mask = clip.field.mask(clip.width_px, clip.height_px, 3)
        levels = []
        for _, frame in frames:
            rgb = frame.to_ndarray(format="rgb24", src_colorspace="ITU709")[mask] / 255
            linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
            levels.append(linear.std(axis=0).mean())
        pair.append(np.array(levels))
    ratio = pair[1] / pair[0]
    assert ratio == pytest.approx(1 - np.array(clip.contrast_loss), abs=0.03)
    assert max(clip.contrast_loss) == pytest.approx(0.6)


def test_scope_clip_moves_and_keeps_its_field(scope_clip: Clip) -> None:
    _, frames = decoded(scope_clip)
    mask = scope_clip.field.mask(scope_clip.width_px, scope_clip.height_px, 2)
    outside = ~scope_clip.field.mask(scope_clip.width_px, scope_clip.height_px, -3)
    pictures = [f.to_ndarray(format="gray").astype(float) for _, f in frames[::10]]
    for a, b in pairwise(pictures):
        assert np.abs(a - b)[mask].mean() > 1.0
        assert a[outside].mean() < 20 < a[mask].mean()


@pytest.mark.parametrize("minutes", [0.5, pytest.param(30.0, marks=pytest.mark.slow)])
def test_long_sync_clip(minutes: float, tmp_path: Path) -> None:
    clip = media_zoo.long_sync_clip(tmp_path / "long.mp4", minutes)
    assert clip.duration_s == pytest.approx(minutes * 60)
    with av.open(str(clip.path)) as file:
        bright = [
            float(f.pts * f.time_base)
            for f in file.decode(video=0)
            if f.to_ndarray()[: clip.height_px].mean() > 100
        ]
    assert bright == pytest.approx(list(clip.flashes_s), abs=1e-3)
    clicks, at = [], None
    with av.open(str(clip.path)) as file:
        for f in file.decode(audio=0):
            loud = np.flatnonzero(np.abs(f.to_ndarray()[0]) > 0.25)
            if len(loud):
                now = float(f.pts * f.time_base) + loud[0] / f.sample_rate
                if at is None or now - at > 1:
                    clicks.append(now)
                at = now
    assert clicks == pytest.approx(list(clip.clicks_s), abs=0.006)


def test_parts_of_a_recording_run_on(tmp_path: Path) -> None:
    parts = media_zoo.split_recording(tmp_path, (33, 28))
    numbers, blocks = [], []
    for clip in parts:
        _, frames = decoded(clip)
        numbers += [media_zoo.read_number(upright(planes(f)[0], clip), clip) for _, f in frames]
        blocks.append(heard(clip)[0][0, : round(clip.duration_s * 48000)])
    assert numbers == [None if k in (10, 43) else k for k in range(61)]
    # The 300 Hz tone of the first channel keeps its phase across the border.
    sound = np.concatenate(blocks)
    time = np.arange(len(sound)) / 48000
    phases = []
    for start in (0.6, 1.4):
        at = (time >= start) & (time < start + 0.5)
        phases.append(np.angle(np.sum(sound[at] * np.exp(-2j * np.pi * 300 * time[at]))))
    assert np.exp(1j * np.array(phases)) == pytest.approx(-1j, abs=0.1)  # a sine from 0


def test_burned_in_letters_lie_in_their_boxes(tmp_path: Path) -> None:
    clip = media_zoo.scope_clip(
        tmp_path / "letters.mp4", 0.4, audio="none", letters=[("IVY 17", 4, 8, 12)]
    )
    _, frames = decoded(clip)
    y = planes(frames[5][1])[0]
    (left, top, width, height) = clip.lettering_px[0]
    assert 10 <= height <= 16 and left >= 2
    box = y[top : top + height, left : left + width]
    assert 0.15 < (box > 120).mean() < 0.7
    around = y[max(0, top - 4) : top + height + 4, max(0, left - 4) : left + width + 4]
    assert (around > 120).sum() == (box > 120).sum()


def test_narration_and_case(tmp_path: Path) -> None:
    spans = media_zoo.narration_file(tmp_path / "voice.wav", 9.0, [0.5, 5.0])
    with wave.open(str(tmp_path / "voice.wav")) as file:
        sound = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768
    assert len(sound) == 9 * 48000
    time = np.arange(len(sound)) / 48000
    inside = np.zeros(len(sound), bool)
    for start, stop in spans:
        inside |= (time >= start) & (time < stop)
    level = [10 * np.log10(np.mean(sound[x] ** 2)) for x in (inside, ~inside)]
    assert level[0] == pytest.approx(-26, abs=0.5)
    assert level[1] < -70
    path = media_zoo.write_case(
        tmp_path, [[Path("a_1.mp4"), Path("a_2.mp4")], Path("b.mp4")], narration="voice.wav"
    )
    case = Case.model_validate(tomllib.loads(path.read_text()))
    assert [r.files for r in case.recording] == [["a_1.mp4", "a_2.mp4"], ["b.mp4"]]
    assert case.narration is not None and case.narration.file == "voice.wav"


def test_folders_of_the_user_are_out_of_reach(user_folders: Path) -> None:
    for name in ("DATA", "CONFIG", "CACHE"):
        folder = Path(os.environ[f"XDG_{name}_HOME"])
        assert folder.parent == user_folders
        assert not any(folder.iterdir())
