"""One verdict of three detectors: what they say of a sound, and of it without its steady part.

Each alone is alarmed by something: one by what rises and whistles, one by bubbles. The verdict
weighs their scores over two seconds on both sides, how the sound moves at the rate of syllables
(2 to 8 Hz: Houtgast and Steeneken 1973), and its pitch; a small network taught by
tests/benchmarks/verdict_teach.py on generated scenes. The weights hold no recording.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.speech_net import BANDS

Floats = NDArray[np.float32]
_FFT, _HOP = 512, 128
_FLOOR_STEP = 8  # hops from one value of the floor to the next, 64 ms
_FLOOR_PART, _FLOOR_STEPS = 35, 31  # its percentile of 2 s
_FLOOR_OVER, _TAKEN_OFF = 1.25, 1.725  # what that misses of the mean; times the floor
_LEAST_GAIN = 0.13
_NEAR, _SECOND, _FAR = 8, 31, 62  # hops on both sides


def less_steady(samples: Floats) -> Floats:
    """A piece (sample,) at 16 kHz without what stays the same for 2 s, through a Wiener filter.

    The floor is a low percentile (Stahl, Fischer and Bippus 2000); what lies over it is evened out
    over 40 ms and three bins, which keeps single peaks of noise from ringing.
    """
    from scipy.fft import irfft, rfft
    from scipy.ndimage import percentile_filter, uniform_filter, uniform_filter1d

    window = np.sqrt(np.hanning(_FFT + 1)[:-1]).astype(np.float32)
    padded = np.pad(samples, (_FFT, 2 * _FFT))
    frames = np.lib.stride_tricks.sliding_window_view(padded, _FFT)[::_HOP]
    spectrum = rfft(frames * window, axis=1)
    power = np.square(np.abs(spectrum)).astype(np.float32)
    low = uniform_filter(power, (4, 3), mode="nearest")[::_FLOOR_STEP]
    low = percentile_filter(low, _FLOOR_PART, size=(_FLOOR_STEPS, 1), mode="nearest")
    low = uniform_filter1d(low, 7, axis=0, mode="nearest") * _FLOOR_OVER
    floor = np.repeat(low, _FLOOR_STEP, axis=0)[: len(power)]
    here = uniform_filter(power, (5, 3), mode="nearest")
    over = np.maximum(here / (floor + 1e-12) - _TAKEN_OFF, 0)
    gain = np.maximum(over / (1 + over), _LEAST_GAIN)
    pieces = irfft(spectrum * gain, _FFT, axis=1) * window
    out = np.zeros(padded.size + _FFT, np.float32)
    for k in range(_FFT // _HOP):
        part = pieces[k :: _FFT // _HOP].reshape(-1)
        out[k * _HOP : k * _HOP + part.size] += part
    return np.asarray(out[_FFT : _FFT + samples.size] / 2, np.float32)


def evidence(scores: Floats, found: Floats) -> Floats:
    """(hop, value) of scores (hop, detector) and features (hop, FEATURES) of `speech_net`."""
    from scipy.ndimage import (
        gaussian_filter1d,
        maximum_filter1d,
        minimum_filter1d,
        uniform_filter1d,
    )

    def mean(x: Floats, hops: int) -> Floats:
        return np.asarray(uniform_filter1d(x, 2 * hops + 1, axis=0, mode="nearest"))

    def most(x: Floats, hops: int) -> Floats:
        return np.asarray(maximum_filter1d(x, 2 * hops + 1, axis=0, mode="nearest"))

    def spread(x: Floats, hops: int) -> Floats:
        return np.sqrt(np.maximum(0, mean(np.square(x), hops) - np.square(mean(x, hops))))

    sure = np.clip(np.nan_to_num(scores.astype(np.float32)), 1e-3, 1 - 1e-3)
    logit = np.log(sure / (1 - sure))
    least = minimum_filter1d(logit, 2 * _NEAR + 1, axis=0, mode="nearest")
    bands = found[:, :BANDS].astype(np.float32).reshape(found.shape[0], -1, 4).mean(axis=2)
    loud = bands.mean(axis=1, keepdims=True)
    # A gaussian of 1.2 hops passes what is slower than 8 Hz, one of 6 what is slower than 1.5.
    slow = gaussian_filter1d(bands, 1.2, axis=0, mode="nearest")
    syllables = slow - gaussian_filter1d(bands, 6, axis=0, mode="nearest")
    lags = found[:, BANDS:].astype(np.float32)
    pitched = lags.max(axis=1, keepdims=True)
    lag = lags.argmax(axis=1)[:, None].astype(np.float32)
    return np.concatenate(
        [
            logit, most(logit, 4), mean(logit, _NEAR), least,
            most(logit, _SECOND), mean(logit, _SECOND), mean(logit, _FAR),
            mean(bands - loud, _SECOND), loud - mean(loud, _FAR), syllables,
            spread(syllables, _SECOND), spread(bands - slow, _SECOND),
            pitched, mean(pitched, _NEAR), most(pitched, _NEAR), spread(pitched, _SECOND),
            mean(lag, _NEAR), spread(lag, _SECOND), mean(lags, _SECOND),
        ],
        axis=1,
    ).astype(np.float32)  # fmt: skip


def judged(weights: dict[str, Any], known: Floats) -> Floats:
    """The score (hop,), 0..1, of evidence (hop, value)."""
    x = (known - weights["mean"]) / weights["spread"]
    logit = np.zeros(x.shape[0], np.float32)
    for k in range(int(weights["nets"])):
        inner = np.maximum(x @ weights[f"in{k}"] + weights[f"in{k}_b"], 0)
        logit += (inner @ weights[f"out{k}"] + weights[f"out{k}_b"])[:, 0]
    logit = np.clip(logit / int(weights["nets"]), -30, 30)
    return np.asarray(1 / (1 + np.exp(-logit)), np.float32)


@cache
def _weights() -> dict[str, Floats]:
    with (files(__package__) / "_weights" / "speech_verdict.npz").open("rb") as file:
        held = np.load(file)
        return {name: held[name].astype(np.float32) for name in held.files}


def verdict(scores: Floats, found: Floats) -> Floats:
    """The score (hop,): see `evidence`."""
    return judged(_weights(), evidence(scores, found))
