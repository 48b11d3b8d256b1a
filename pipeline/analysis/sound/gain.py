"""Gain in dB over time: smooth ramps, keyframes of the plan, a gain that blocks pass through."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.track_levels import Samples
from pipeline.model.mix import Keyframe

GRID_S = 0.05  # grid on which gains are computed


def raised_cosine(share: NDArray[np.floating]) -> NDArray[np.float64]:
    """0..1 to 0..1 with level ends."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(share, 0.0, 1.0)), dtype=np.float64)


def gain_at(keyframes: Sequence[Keyframe], time_s: NDArray[np.floating]) -> NDArray[np.float64]:
    """Gain in dB at times: raised cosine in dB between keyframes, constant outside them."""
    if not keyframes:
        return np.zeros(np.shape(time_s))
    at = np.asarray([k[0] for k in keyframes])
    level = np.asarray([k[1] for k in keyframes])
    if at.size == 1:
        return np.full(np.shape(time_s), level[0])
    index = np.clip(np.searchsorted(at, time_s, side="right") - 1, 0, at.size - 2)
    share = raised_cosine((time_s - at[index]) / np.maximum(at[index + 1] - at[index], 1e-9))
    return np.asarray(level[index] + share * (level[index + 1] - level[index]))


def keyframes_of(grid_db: NDArray[np.float64], tolerance_db: float = 0.2) -> list[Keyframe]:
    """Few keyframes that stay within `tolerance_db` above and five times that below the grid."""
    count = grid_db.size
    if count == 0:
        return []
    kept = [0, count - 1] if count > 1 else [0]
    stack = [(0, count - 1)]
    while stack:
        a, b = stack.pop()
        if b - a < 2:
            continue
        share = raised_cosine(np.arange(b - a + 1) / (b - a))
        error = grid_db[a] + share * (grid_db[b] - grid_db[a]) - grid_db[a : b + 1]
        error = np.where(error > 0, error, -error / 5.0)
        worst = int(np.argmax(error))
        if error[worst] <= tolerance_db:
            continue
        # Long stretches are halved too, so that the work stays near n log n.
        kept.append(a + worst)
        stack += [(a, a + worst), (a + worst, b)]
    return [(round(k * GRID_S, 6), round(float(grid_db[k]), 3)) for k in sorted(set(kept))]


def smoothed_down(grid_db: NDArray[np.float64], back: int, ahead: int) -> NDArray[np.float64]:
    """Running minimum from `back` points ago to `ahead` points on, smoothed inside that reach.

    The result is nowhere above the input.
    """
    from scipy.ndimage import correlate1d, minimum_filter1d

    size = back + ahead + 1
    origin = (ahead - back) // 2
    low = minimum_filter1d(grid_db, size + (size + 1) % 2, mode="nearest", origin=-origin)
    kernel = np.hanning(2 * min(back, ahead) + 3)[1:-1]
    return np.asarray(correlate1d(low, kernel / kernel.sum(), mode="nearest"), dtype=np.float64)


class GainRide:
    """Multiplies blocks in order by a gain of keyframes; the gain is linear within 1 ms."""

    def __init__(self, keyframes: Sequence[Keyframe], rate_hz: int = 48000) -> None:
        self._keyframes = list(keyframes)
        self._rate_hz = rate_hz
        self._step = rate_hz // 1000
        self._position = 0

    def step(self, block: Samples) -> Samples:
        count = block.shape[1]
        first = self._position // self._step
        last = (self._position + count) // self._step + 1
        points = np.arange(first, last + 1) * self._step
        gain_db = gain_at(self._keyframes, points / self._rate_hz)
        at = np.arange(self._position, self._position + count)
        self._position += count
        gain = 10.0 ** (gain_db / 20.0)
        if np.ptp(gain) == 0:
            return np.asarray(block * np.float32(gain[0]))
        curve = np.interp(at, points, gain)
        return np.asarray(block * curve.astype(np.float32))
