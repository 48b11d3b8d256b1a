"""How well a narration was recorded: measured on recorded sentences spoilt in known ways."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from scipy.signal import fftconvolve
from sound_makers import RATE_HZ, at_level, coloured

from pipeline.analysis.sound.loudness import measure
from pipeline.analysis.sound.offset import EnvelopeFold
from pipeline.analysis.sound.quality import (
    MOST_REVERBERATION_S,
    ClippedFold,
    NarrationQuality,
    levels_of_speech,
    quality_told,
    reverberation_s,
)

DATA = Path(__file__).resolve().parents[1] / "data"
PAUSE_S = 1.0


def narrated() -> tuple[np.ndarray, list[tuple[float, float]]]:
    """The recorded sentences three times with pauses, at -23 dB RMS, and where they lie."""
    parts, spans, at = [np.zeros(RATE_HZ, np.float32)], [], 1.0
    for path in sorted(DATA.glob("sentence_*.flac")) * 3:
        samples, rate = soundfile.read(path, dtype="float32")
        voice = at_level(soxr.resample(samples, rate, RATE_HZ), -23.0)
        parts += [voice, np.zeros(round(PAUSE_S * RATE_HZ), np.float32)]
        spans.append((at, at + voice.size / RATE_HZ))
        at += voice.size / RATE_HZ + PAUSE_S
    return np.concatenate(parts), spans


def room(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """A made response that falls by 60 dB in `seconds` (ISO 3382-1), beside the direct sound."""
    time = np.arange(round(1.2 * seconds * RATE_HZ)) / RATE_HZ
    tail = rng.standard_normal(time.size) * 10 ** (-3 * time / seconds)
    tail /= np.sqrt(np.square(tail).sum())
    tail[0] = 1.0
    return tail


def judged(sound: np.ndarray, spans: list[tuple[float, float]]) -> NarrationQuality:
    sound = sound.astype(np.float32)[None]
    falls = EnvelopeFold(1)
    falls.step(sound)
    clipped = ClippedFold()
    clipped.step(sound)
    clipped_ratio = clipped.finish() / sum(b - a for a, b in spans)
    levels = levels_of_speech(measure([sound], 1).hop_power, spans)
    return NarrationQuality(*levels, clipped_ratio, reverberation_s(falls.finish()))


def resampled(sound: np.ndarray, through_hz: int) -> np.ndarray:
    """By soxr to another rate and back: a recorder, an editor or a call in between."""
    there = soxr.resample(sound, 48_000, through_hz)
    return np.asarray(soxr.resample(there, through_hz, 48_000))[: sound.size]


def noise(rng: np.random.Generator, size: int, level_db: float) -> np.ndarray:
    return at_level(coloured(rng, size, -2), level_db)


@pytest.mark.parametrize("seed", range(3))
def test_a_good_recording_is_not_blamed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    voice, spans = narrated()
    good = fftconvolve(voice, room(rng, 0.2))[: voice.size] + noise(rng, voice.size, -65.0)
    assert quality_told(judged(good, spans)) == []


@pytest.mark.parametrize("seed", range(3))
def test_what_is_bad_is_said_and_nothing_else(seed: int) -> None:
    rng = np.random.default_rng(10 + seed)
    voice, spans = narrated()
    floor = noise(rng, voice.size, -70.0)
    cases = {
        "very quietly": 10 ** (-35 / 20) * (voice + floor),
        "noise lies only": voice + noise(rng, voice.size, -38.0),
        "clipped": np.clip(6 * voice, -1, 1),
        "is clipped": 0.5 * np.clip(6 * voice, -1, 1),  # turned down afterwards
        "is clipped in": resampled(0.5 * np.clip(6 * voice, -1, 1), 44_100),
        "the narration is clipped": resampled(0.4 * np.clip(5 * voice, -1, 1), 16_000),
        "rings for": fftconvolve(voice, room(rng, 1.0))[: voice.size] + floor,
    }
    for words, sound in cases.items():
        said = quality_told(judged(sound, spans))
        assert len(said) == 1 and words in said[0], (words, said)
        assert ":" in said[0], "what to do"


def test_reverberation_rises_with_the_room() -> None:
    rng = np.random.default_rng(3)
    voice, _ = narrated()
    read = []
    for seconds in (0.2, 0.5, 1.0):
        fold = EnvelopeFold(1)
        sound = fftconvolve(voice, room(rng, seconds))[: voice.size]
        fold.step((sound + noise(rng, voice.size, -75.0)).astype(np.float32)[None])
        read.append(reverberation_s(fold.finish()) or 0.0)
    assert read == sorted(read) and read[0] < MOST_REVERBERATION_S < read[2]
    assert read[1] == pytest.approx(0.5, abs=0.2)
    assert reverberation_s(np.full((4, 50), -60.0)) is None


def test_noise_is_told_to_a_decibel() -> None:
    """Level differences are those put in; both are K-weighted, so the noise is too."""
    rng = np.random.default_rng(4)
    voice, spans = narrated()
    quiet = noise(rng, voice.size, -60.0)
    one = levels_of_speech(measure([(voice + quiet)[None]], 1).hop_power, spans)[1]
    two = levels_of_speech(measure([(voice + 10 * quiet)[None]], 1).hop_power, spans)[1]
    assert one is not None and two is not None
    assert one - two == pytest.approx(20.0, abs=1.0)
