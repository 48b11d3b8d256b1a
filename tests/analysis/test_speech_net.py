"""The network that hears speech in suction, on spoken sentences that it was not taught."""

from __future__ import annotations

import librosa
import numpy as np
import pytest
import soxr
from sound_makers import at_level, suction
from test_speech import scene

from pipeline.analysis.sound import speech_net
from pipeline.analysis.sound.speech_net import FEATURES, SpeechNet, features

HOP_S = 0.032


def heard(sound: np.ndarray) -> np.ndarray:
    """Scores of a sound (sample,) at 48 kHz."""
    low = soxr.resample(sound, 48000, 16000)
    return SpeechNet().scores(low[: low.size // 512 * 512].astype(np.float32))


def test_bands_are_those_of_a_library() -> None:
    """librosa.filters.mel, htk: the formula of O'Shaughnessy 1987, triangles of height 1."""
    bands = librosa.filters.mel(
        sr=16000, n_fft=512, n_mels=40, fmin=60, fmax=7800, htk=True, norm=None
    )
    np.testing.assert_allclose(speech_net._bands().T, bands, atol=1e-4)


def test_the_lag_of_a_pitch_is_found() -> None:
    """A buzz of 125 Hz repeats after 128 samples."""
    buzz = np.zeros(16384, np.float32)
    buzz[::128] = 0.5
    found = features(buzz)
    assert found.shape == (64, FEATURES) and found.dtype == np.float32
    edges = np.asarray(speech_net._lags())
    lag = int(np.searchsorted(edges, 128, side="right")) - 1
    assert int(np.argmax(found[32, 40:])) == lag
    assert found[32, 40 + lag] > 0.6
    hiss = np.random.default_rng(1).normal(0, 0.1, 16384).astype(np.float32)
    assert features(hiss)[:, 40:].max() < 0.4


@pytest.mark.parametrize("snr_db", [20.0, 3.0])
def test_it_hears_sentences_in_procedure_noise(snr_db: float) -> None:
    sound, truth = scene(4, snr_db)
    score = heard(sound)
    centre = (np.arange(score.size) + 0.5) * HOP_S
    spoken = np.zeros(score.size, bool)
    for start, stop in truth:
        spoken |= (centre > start) & (centre < stop)
    assert np.mean(score[spoken] >= 0.5) > 0.8
    away = np.ones(score.size, bool)
    for start, stop in truth:
        away &= (centre < start - 0.5) | (centre > stop + 0.5)
    assert np.mean(score[away] >= 0.5) < 0.05


def test_steady_suction_and_silence_are_not_speech() -> None:
    hiss = at_level(suction(np.random.default_rng(8), 12 * 48000, always=True), -20.0)
    assert np.mean(heard(hiss) >= 0.5) < 0.05
    assert heard(np.zeros(48000, np.float32)).max() < 0.5
