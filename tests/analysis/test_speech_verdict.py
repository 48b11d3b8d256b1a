"""The verdict of three detectors: what is not speech is left, what is stays found."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.signal import lfilter
from sound_makers import RATE_HZ, at_level, coloured, rms_db, suction, whistles
from test_speech import ALL, BOTH, covered, scene, scores, sentence

from pipeline.analysis.sound.speech import SpeechSeries
from pipeline.analysis.sound.speech_spans import room_speech_spans
from pipeline.analysis.sound.speech_verdict import less_steady
from pipeline.analysis.sound.voice_activity import VERDICT
from pipeline.model.time import total_s


def rising(seed: int, seconds: float) -> np.ndarray:
    """Suction whose pitch rises while the tip comes nearer to tissue, (sample,) at 48 kHz."""
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    out, at, state = np.zeros(count), 0, np.zeros(2)
    while at < count:
        size = int(rng.uniform(0.4, 2.5) * RATE_HZ)
        low_hz, octaves = rng.uniform(250, 700), rng.uniform(1, 2.5)
        for k in range(at, min(count, at + size), 240):
            hz = low_hz * 2 ** (octaves * (k - at) / size)
            pole = [1, -1.96 * np.cos(2 * np.pi * hz / RATE_HZ), 0.9604]
            piece = rng.standard_normal(min(240, count - k))
            out[k : k + piece.size], state = lfilter([0.02], pole, piece, zi=state)
        at += size
    hiss = suction(rng, count, always=True)
    return at_level(out, -22.0) + at_level(hiss, -30.0)


def alone(series: SpeechSeries) -> SpeechSeries:
    """Without the verdict: every detector is believed by itself."""
    rest = {name: p for name, p in series.probability.items() if name != VERDICT}
    return dataclasses.replace(series, probability=rest)


def test_whistling_is_not_taken_for_speech() -> None:
    count, by_itself, weighed = 12 * RATE_HZ, 0.0, 0.0
    for seed in range(3):
        rng = np.random.default_rng(seed)
        sound = at_level(whistles(rng, count, 2.0), -26.0) + at_level(coloured(rng, count, -4), -50)
        series = scores(sound, ALL)
        by_itself += total_s(room_speech_spans(alone(series))[0])
        weighed += total_s(room_speech_spans(series)[0])
    assert by_itself > 8.0 and weighed < 1.0, (by_itself, weighed)


@pytest.mark.parametrize("seed", [0, 1])
def test_sentences_in_suction_that_rises_are_found(seed: int) -> None:
    voice, truth = scene()
    noise = rising(10 + seed, voice.size / RATE_HZ)
    speech, _ = room_speech_spans(scores(voice + at_level(noise, -26.0), ALL))
    assert covered(truth, speech) == 1.0


def told(**of: float) -> SpeechSeries:
    """A second of scores that are 0 but for a quarter of it."""
    def row(value: float) -> np.ndarray:
        return np.asarray([0.0] * 12 + [value] * 8 + [0.0] * 12, np.float16)

    probability = {name: row(value) for name, value in of.items()}
    return SpeechSeries(probability, np.full(32, -30, np.float16), row(0.0), 32 * 0.032)


def test_whom_the_room_believes() -> None:
    quiet = {"silero": 0.0, "omni": 0.9, "net": 0.9}
    assert room_speech_spans(told(**quiet))[0], "without a verdict each is believed"
    assert not room_speech_spans(told(**quiet, verdict=0.01))[0]
    assert room_speech_spans(told(**quiet, verdict=0.13))[0], "borne out"
    assert room_speech_spans(told(silero=0.0, omni=0.0, net=0.0, verdict=0.07))[0]
    assert not room_speech_spans(told(silero=0.0, omni=0.0, net=0.0, verdict=0.05))[0]
    assert room_speech_spans(told(silero=0.3, omni=0.0, net=0.0, verdict=0.0))[0]


def test_there_is_a_verdict_where_all_were_asked() -> None:
    sound = sentence(1)[: 2 * RATE_HZ]
    assert VERDICT not in scores(sound, BOTH).probability
    series = scores(sound, ALL)
    again = SpeechSeries.from_arrays(series.arrays())
    np.testing.assert_array_equal(again.probability[VERDICT], series.probability[VERDICT])


def test_what_stays_the_same_is_taken_off_and_what_comes_is_left() -> None:
    rng = np.random.default_rng(2)
    hiss = (0.05 * rng.standard_normal(5 * 16000)).astype(np.float32)
    time_s = np.arange(3200) / 16000
    burst = np.zeros(hiss.size, np.float32)
    burst[40000:43200] = 0.3 * np.sin(2 * np.pi * 700 * time_s)
    rest = less_steady(hiss + burst)
    assert rest.shape == hiss.shape and rest.dtype == np.float32
    assert rms_db(rest[16000:38000]) < rms_db(hiss[16000:38000]) - 6
    assert rms_db(rest[40400:42800]) == pytest.approx(rms_db(burst[40400:42800]), abs=1.5)
