"""Tones of a machine go on through replaced speech, and nobody's voice does.

The truth is the tone itself, which the code never sees inside the span.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import lfilter
from sound_makers import RATE_HZ, at_level, coloured, rms_db, suction
from test_redact import redacted

from pipeline.analysis.sound.steady_tones import carried, in_both, standing, without

DATA = Path(__file__).parents[1] / "data"
COUNT = 8 * RATE_HZ
TIME_S = np.arange(COUNT) / RATE_HZ
SPAN = (3.0, 5.0)
A, B = (round(s * RATE_HZ) for s in SPAN)


def harmonics(hz: float, parts: int = 4) -> np.ndarray:
    """An alarm that goes on, RMS 1."""
    tone = sum(np.sin(2 * np.pi * hz * k * TIME_S + k) / k for k in range(1, parts + 1))
    return np.asarray(tone / np.std(tone))


def carried_in(sound: np.ndarray) -> list[float]:
    """Frequencies that are carried through SPAN of a sound (channel, sample)."""
    sides = sound[:, A - 2 * RATE_HZ : A], sound[:, B : B + 2 * RATE_HZ]
    pairs = in_both(*(standing(s, RATE_HZ, k) for s, k in zip(sides, (-1, 1), strict=True)))
    return sorted((one.hz + other.hz) / 2 for one, other in pairs)


@pytest.mark.parametrize("hz", [91.0, 443.3, 1210.7])
def test_a_tone_that_stands_goes_on_as_if_nobody_had_spoken(hz: float) -> None:
    rng = np.random.default_rng(1)
    tone = 0.05 * harmonics(hz)
    noise = at_level(coloured(rng, COUNT, -3), -40.0)
    sound = tone + noise
    sound[A:B] = rng.standard_normal(B - A)  # whatever was there
    out = redacted(sound[None].astype(np.float32), [SPAN])[0]
    inside = slice(A - round(0.03 * RATE_HZ), B + round(0.03 * RATE_HZ))
    left = out[inside] - tone[inside]
    # What is left beside the true tone is the noise: nothing of the tone more, nothing less.
    assert rms_db(left) == pytest.approx(-40.0, abs=1.5)
    for k in range(4):  # and nowhere near the ends either, where both are mixed
        size = round(0.03 * RATE_HZ)
        piece = left[k * size : (k + 1) * size], left[-(k + 1) * size :][:size]
        assert max(map(rms_db, piece)) < -34.0


def test_the_noise_between_takes_no_part_of_the_tone() -> None:
    """Before, the tone became noise as loud as itself, and swelled there."""
    rng = np.random.default_rng(2)
    sound = 0.05 * harmonics(600.0, 1) + at_level(coloured(rng, COUNT, -3), -60.0)
    out = redacted(sound[None].astype(np.float32), [SPAN])[0]
    frames = np.square(out[A:B]).reshape(-1, round(0.02 * RATE_HZ)).mean(axis=1)
    assert (10 * np.log10(frames)).std() < 0.3


def test_channels_keep_their_phase() -> None:
    tone = np.stack([0.05 * harmonics(500.0, 1), 0.03 * np.roll(harmonics(500.0, 1), 30)])
    sides = tone[:, A - RATE_HZ : A], tone[:, B : B + RATE_HZ]
    pairs = in_both(standing(sides[0], RATE_HZ, -1), standing(sides[1], RATE_HZ, 1))
    made = carried(pairs, B - A, 0, B - A, RATE_HZ)
    assert rms_db(made - tone[:, A:B]) < rms_db(tone[1]) - 40
    assert rms_db(without(sides[0], [p[0] for p in pairs], RATE_HZ, -1)) < rms_db(tone[1]) - 40


@pytest.mark.parametrize("why", ["stops", "moves", "short", "beeps", "swells", "louder"])
def test_what_does_not_stand_the_same_on_both_sides_is_not_carried(why: str) -> None:
    tone = 0.05 * harmonics(500.0, 1)
    assert carried_in(tone[None]) == pytest.approx([500.0], abs=0.05)
    tone = {
        "stops": np.where(TIME_S < 5, tone, 0),
        "moves": np.where(TIME_S < 5, tone, 0.05 * harmonics(502.0, 1)),
        "short": np.where(TIME_S > 2.2, tone, 0),
        "beeps": tone * (TIME_S % 0.6 < 0.4),
        "swells": tone * (0.52 + 0.48 * np.cos(4 * TIME_S)),
        "louder": tone * np.where(TIME_S < 5, 1, 3),
    }[why]
    noise = at_level(coloured(np.random.default_rng(3), COUNT, -3), -60.0)
    assert carried_in((tone + noise)[None]) == []


def sung(rng: np.random.Generator, hz: float, flutter: float, vibrato: float) -> np.ndarray:
    """A vowel held over the span, on pitch but for the flutter of Klatt and Klatt (1990; from
    memory: FL / 50 * F0 / 100 times sines of 12.7, 7.1 and 4.7 Hz) and a vibrato of 5.5 Hz."""
    slow = sum(np.sin(2 * np.pi * f * TIME_S + rng.uniform(0, 6.3)) for f in (12.7, 7.1, 4.7))
    path = hz * (1 + flutter / 5000 * slow + vibrato * np.sin(2 * np.pi * 5.5 * TIME_S))
    phase = 2 * np.pi * np.cumsum(path) / RATE_HZ
    voice = sum(np.sin(k * phase) / k for k in range(1, int(5000 / hz)))
    for formant, width in ((700, 90), (1200, 100), (2600, 150)):
        radius = np.exp(-np.pi * width / RATE_HZ)
        pole = [1, -2 * radius * np.cos(2 * np.pi * formant / RATE_HZ), radius**2]
        voice = lfilter([1 - radius], pole, voice)
    voice = at_level(np.asarray(voice), -26.0)
    return np.asarray(voice + at_level(coloured(rng, COUNT, -3), -56.0))[None]


@pytest.mark.parametrize("flutter,vibrato", [(25, 0.0), (25, 0.02), (0, 0.005), (0, 0.02)])
def test_a_sung_vowel_is_not_carried(flutter: float, vibrato: float) -> None:
    rng = np.random.default_rng(4)
    for hz in (95.0, 150.0, 210.0, 333.0, 520.0):
        assert carried_in(sung(rng, hz, flutter, vibrato)) == [], hz
    assert carried_in(sung(rng, 150.0, 0, 0)), "only what keeps no time is a voice"


@pytest.mark.parametrize("name", ["sentence_1", "sentence_2"])
def test_no_recorded_voice_stands(name: str) -> None:
    samples, rate = soundfile.read(DATA / f"{name}.flac")
    for at in range(0, samples.size - rate, rate // 5):
        assert standing(samples[None, at : at + rate], rate, -1) == []


def test_no_sample_inside_a_span_is_used_where_tones_are_carried() -> None:
    rng = np.random.default_rng(5)
    sound = 0.05 * harmonics(300.0) + at_level(suction(rng, COUNT, always=True), -32.0)
    other = sound.copy()
    other[A:B] = rng.standard_normal(B - A)
    one, two = (redacted(s[None].astype(np.float32), [SPAN]) for s in (sound, other))
    np.testing.assert_array_equal(one, two)
    assert carried_in(sound[None])


def test_silence_and_pieces_of_nothing_have_no_tones() -> None:
    assert standing(np.zeros((2, 2 * RATE_HZ)), RATE_HZ, -1) == []
    assert standing(np.zeros((1, 100)), RATE_HZ, 1) == []
    assert standing(np.full((1, 2 * RATE_HZ), 0.3), RATE_HZ, 1) == []
