"""A small network that hears speech in suction: 40 bands, 20 lags of pitch, four seconds around.

Taught by tests/benchmarks/speech_teach.py on generated rooms and procedure sounds; the weights
hold no recording. It looks at two seconds of sound on both sides of every moment, which neither
of the detectors in the wheels does, and knows suction, pumps and alarms.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16000
FRAME_HOP = 256  # 16 ms: two frames to a hop of the score series
_FFT = 512
_LONG = 1024  # long enough for two periods of the lowest voice
BANDS = 40
_LAGS = 20
FEATURES = BANDS + _LAGS
DILATIONS = (1, 2, 4, 8, 16, 32)
TAPS = 5
Floats = NDArray[np.float32]


@cache
def _bands() -> Floats:
    """(bin, band): triangles even on the mel scale (O'Shaughnessy 1987) from 60 to 7800 Hz."""

    def mel(hz: float) -> float:
        return float(2595 * np.log10(1 + hz / 700))

    edges = 700 * (10 ** (np.linspace(mel(60), mel(7800), BANDS + 2) / 2595) - 1)
    hz = np.fft.rfftfreq(_FFT, 1 / RATE_HZ)
    up = (hz[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    down = (edges[2:] - hz[:, None]) / (edges[2:] - edges[1:-1])
    return np.maximum(0, np.minimum(up, down)).astype(np.float32)


@cache
def _lags() -> tuple[int, ...]:
    """Edges of the lags in samples, from 450 Hz down to 70 Hz."""
    edges = np.geomspace(RATE_HZ / 450, RATE_HZ / 70, _LAGS + 1).round()
    return tuple(int(e) for e in edges)


def features(samples: NDArray[np.float32]) -> Floats:
    """(frame, FEATURES) of a piece (sample,) at 16 kHz, a whole number of 512 samples long.

    Frame k is centred at sample 256 k + 128. Bands: power in bel over -8 bel. Lags: the highest
    value of the autocorrelation of the whitened sound over that at lag 0; each serves two frames.
    """
    from scipy.fft import irfft, rfft

    count = samples.size // FRAME_HOP
    view = np.lib.stride_tricks.sliding_window_view
    padded = np.pad(samples, (_LONG, _LONG))
    first = _LONG + FRAME_HOP // 2 - _FFT // 2
    short = view(padded[first:], _FFT)[::FRAME_HOP][:count]
    power = np.square(np.abs(rfft(short * np.hanning(_FFT).astype(np.float32), axis=1)))
    bands = np.log10(power.astype(np.float32) @ _bands() + np.float32(1e-6)) + 6
    first = _LONG + FRAME_HOP - _LONG // 2
    long = view(padded[first:], _LONG)[:: 2 * FRAME_HOP][: count // 2]
    spectrum = np.abs(rfft(long * np.hanning(_LONG).astype(np.float32), 2 * _LONG, axis=1))
    # The root of the magnitude keeps one loud tone from being all that is heard.
    likeness = irfft(np.sqrt(spectrum + np.float32(1e-9)), axis=1)
    edges = _lags()
    peaks = np.maximum.reduceat(likeness[:, : edges[-1]], edges[:-1], axis=1)
    peaks = peaks / np.maximum(likeness[:, :1], 1e-9)
    return np.concatenate([bands, np.repeat(peaks, 2, axis=0)], axis=1).astype(np.float32)


def _normal(x: Floats) -> Floats:
    """Every frame with mean 0 and variance 1 over its channels."""
    x = x - x.mean(axis=1, keepdims=True)
    return np.asarray(x / np.sqrt(np.square(x).mean(axis=1, keepdims=True) + 1e-3), np.float32)


def _spread(x: Floats, taps: Floats, step: int) -> Floats:
    """Each channel (frame, channel) filtered along the frames by its TAPS, `step` apart."""
    half = TAPS // 2 * step
    padded = np.pad(x, ((half, half), (0, 0)))
    out = np.zeros_like(x)
    for k in range(TAPS):
        out += padded[k * step : k * step + x.shape[0]] * taps[k]
    return out


def forward(weights: dict[str, Any], found: Floats) -> Floats:
    """The score (frame,), 0..1, of features (frame, FEATURES)."""
    x = (found - weights["mean"]) / weights["spread"]
    x = x @ weights["in"] + weights["in_b"]
    for k, step in enumerate(DILATIONS):
        y = _spread(_normal(x), weights[f"taps{k}"], step)
        y = np.maximum(y @ weights[f"up{k}"] + weights[f"up{k}_b"], 0)
        x = x + y @ weights[f"down{k}"] + weights[f"down{k}_b"]
    logit = np.maximum(_normal(x) @ weights["top"] + weights["top_b"], 0)
    logit = logit @ weights["out"] + weights["out_b"]
    return np.asarray(1 / (1 + np.exp(-np.clip(logit[:, 0], -30, 30))), np.float32)


@cache
def _weights() -> dict[str, Floats]:
    with (files(__package__) / "_weights" / "speech_net.npz").open("rb") as file:
        held = np.load(file)
        return {name: held[name].astype(np.float32) for name in held.files}


class SpeechNet:
    def scores(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Scores per hop of 512 samples: the higher of its two frames."""
        score = forward(_weights(), features(samples))
        return np.asarray(score.reshape(-1, 2).max(axis=1), np.float32)
