"""Recordings whose streams begin or end apart, and other everyday kinds, small and known.

They go through `make` to the finished file (`test_zoo_made.py`), beside those of `media_zoo.CLIPS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from media_zoo import (
    AUDIO_HZ,
    Clip,
    Coding,
    run_ffmpeg,
    sound_with_clicks,
    zoo_clip,
)

_MS = Fraction(1, 1000)
_TS = Fraction(1, 90000)
_BFRAMES = Coding(options={"preset": "veryfast", "crf": "14", "bf": "3", "g": "12"})


def _tone(seconds: float, clicks_s: tuple[float, ...] = (0.4,), channels: int = 2) -> np.ndarray:
    return sound_with_clicks(seconds, AUDIO_HZ, channels, clicks_s)


def _at(path: Path, start_s: float, length_s: float, **more: object) -> Clip:
    """Sound of `length_s` that begins `start_s` after the first picture (before it if negative)."""
    first_s = max(0.0, -start_s)
    sound = _tone(length_s, (1.0 - start_s,))
    return zoo_clip(
        path,
        flash_frames=(25,),
        start_s=first_s,
        sound=sound,
        audio_pieces=[(first_s + start_s, 0, sound.shape[1])],
        time_base=_MS if path.suffix == ".mkv" else None,
        audio_codec="pcm_s16le" if path.suffix == ".mkv" else "aac",
        **more,  # type: ignore[arg-type]
    )


def _cut(path: Path, *, from_s: float = 0.0, length_s: float = 1.5, channels: int = 2) -> Clip:
    """A part of a recording, its streams copied: they begin at a key frame and end apart."""
    whole = path.with_suffix(".whole.mp4")
    clip = zoo_clip(
        whole, _BFRAMES, seconds=3.0, channels=channels, flash_frames=(round(25 * from_s) + 10,)
    )
    seek = ["-ss", from_s] if from_s else []
    run_ffmpeg(*map(str, seek), "-i", whole, "-t", str(length_s), "-c", "copy", path)
    whole.unlink()
    flashes = tuple(t - from_s for t in clip.flashes_s)
    return replace(
        clip,
        path=path,
        flashes_s=flashes,
        clicks_s=flashes if channels else (),
        pts_s=tuple(t for t in clip.pts_s if t < length_s),
        duration_s=length_s,
    )


def _with_subtitles(path: Path) -> Clip:
    """Matroska with a line of subtitles that outlasts the picture, and an attachment."""
    whole, words = path.with_suffix(".whole.mkv"), path.with_suffix(".srt")
    clip = zoo_clip(whole, time_base=_MS)
    words.write_text("1\n00:00:00,500 --> 00:00:03,000\nsuction\n")
    run_ffmpeg("-i", whole, "-i", words, "-map", "0", "-map", "1", "-c", "copy",
               "-attach", words, "-metadata:s:t", "mimetype=text/plain", path)  # fmt: skip
    whole.unlink()
    words.unlink()
    return replace(clip, path=path)


def _told(clip: Clip, lengths: bool) -> Clip:
    """The Matroska file written anew, with the length of each stream or of the whole alone."""
    whole = clip.path.rename(clip.path.with_suffix(".whole.mkv"))
    run_ffmpeg("-i", whole, "-c", "copy", clip.path)
    whole.unlink()
    coded = clip.path.read_bytes()
    assert coded.count(b"DURATION") == 2
    if not lengths:
        clip.path.write_bytes(coded.replace(b"DURATION", b"LENGTH__"))
    return clip


def _two_sounds(path: Path) -> Clip:
    """A second sound stream that is longer than the first."""
    whole, other = path.with_suffix(".whole.mp4"), path.with_suffix(".other.mp4")
    clip = zoo_clip(whole)
    zoo_clip(other, seconds=2.6)
    run_ffmpeg("-i", whole, "-i", other, "-map", "0", "-map", "1:a", "-c", "copy", path)
    whole.unlink()
    other.unlink()
    return replace(clip, path=path)


def varying(path: Path, seconds: float = 2.0, last_s: float = 0.0) -> Clip:
    """A variable rate, Opus; the last picture begins `last_s` after the one before it."""
    rng = np.random.default_rng(21)
    steps = rng.choice([33, 33, 42, 67, 90], 60)
    times = [Fraction(int(t), 1000) for t in np.concatenate([[0], np.cumsum(steps)])]
    times = [t for t in times if t < seconds]
    if last_s:
        times.append(times[-1] + Fraction(round(1000 * last_s), 1000))
    return zoo_clip(path, pts_s=times, time_base=_MS, audio_codec="libopus")


Maker = Callable[[Path], Clip]
ENDS: dict[str, tuple[str, Maker]] = {
    "sound_late_mkv": ("mkv", lambda p: _at(p, 0.7, 1.3)),
    "sound_late_mp4": ("mp4", lambda p: _at(p, 0.35, 1.65)),
    "sound_before_mkv": ("mkv", lambda p: _at(p, -0.5, 2.5)),
    "sound_before_mp4": ("mp4", lambda p: _at(p, -0.6, 2.6)),
    "sound_ends_early": ("mp4", lambda p: _at(p, 0.0, 1.3)),
    "sound_ends_late": ("mkv", lambda p: _at(p, 0.0, 2.7)),
    "sound_much_longer": ("mp4", lambda p: _at(p, 0.0, 6.0)),
    "sound_much_longer_mkv": ("mkv", lambda p: _told(_at(p, 0.0, 6.0), True)),
    "sound_much_longer_untold_mkv": ("mkv", lambda p: _told(_at(p, 0.0, 6.0), False)),
    "cut_at_start": ("mp4", lambda p: _cut(p)),
    "cut_without_sound": ("mp4", lambda p: _cut(p, channels=0)),
    "cut_inside": ("mp4", lambda p: _cut(p, from_s=0.96)),
    "cut_to_mkv": ("mkv", lambda p: _cut(p, length_s=1.7)),
    "subtitles_mkv": ("mkv", _with_subtitles),
    "vfr_opus": ("mkv", lambda p: varying(p)),
    "last_picture_stands": ("mkv", lambda p: varying(p, 1.4, 0.8)),
    "odd_444_flac": (
        "mkv",
        lambda p: zoo_clip(
            p, Coding(pix_fmt="yuv444p"), width_px=319, height_px=241, audio_codec="flac",
            time_base=_MS,
        ),
    ),
    "silence": (
        "mp4", lambda p: replace(zoo_clip(p, sound=np.zeros((2, 2 * AUDIO_HZ))), clicks_s=()),
    ),
    "mono_8k": ("mkv", lambda p: zoo_clip(p, channels=1, rate_hz=8000, audio_codec="pcm_s16le")),
    "two_sounds": ("mp4", _two_sounds),
    "ts_95000_s": ("ts", lambda p: zoo_clip(p, start_s=95_000.0, time_base=_TS)),
    "h264_422_50p": (
        "mov", lambda p: zoo_clip(p, Coding(pix_fmt="yuv422p"), frame_rate=Fraction(50)),
    ),
    "square": ("mp4", lambda p: zoo_clip(p, width_px=240, height_px=240)),
    "five_a_second": (
        "mp4", lambda p: zoo_clip(p, frame_rate=Fraction(5), seconds=3.0, flash_frames=(4,)),
    ),
    "five_a_second_silent": (
        "mp4",
        lambda p: zoo_clip(p, frame_rate=Fraction(5), seconds=3.0, flash_frames=(4,), channels=0),
    ),
    "no_audio_ts": ("ts", lambda p: zoo_clip(p, channels=0, start_s=1.4, time_base=_TS)),
    "no_audio_avi": (
        "avi",
        lambda p: zoo_clip(
            p,
            Coding("mjpeg", "yuvj420p", "bt601", True, False, {"q": "2", "qmin": "1", "qmax": "2"}),
            channels=0,
        ),
    ),
}  # fmt: skip


def make(name: str, folder: Path) -> Clip:
    """Write the file `name` of ENDS into `folder` and return its truth."""
    ending, maker = ENDS[name]
    return maker(folder / f"{name}.{ending}")
