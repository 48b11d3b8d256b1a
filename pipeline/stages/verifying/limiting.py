"""What a limiter leaves of a planned sound, by half seconds: verify's own model of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MOMENT, MOMENTS = 256, 48  # samples of a moment, moments of a chunk; two chunks are half a second
LIMITED_FROM = 0.5  # of full scale: what reaches it may have been limited
_RATE_HZ = 48_000
_BACK_DB_S = 30.0  # by which a limiter comes back
_HARDEST_DB = 40.0  # that a limiter holds a peak down
_UNLIKE_DB = 0.5  # from the other half seconds: by more, one is not what the rest tells

Samples = NDArray[np.float32]
Values = NDArray[np.float64]


def moments(planned: Samples) -> Values:
    """(2, moment): highest sample and sum of the squares in each MOMENT samples of a chunk."""
    bounds = np.arange(0, planned.shape[1], MOMENT)
    peaks = np.maximum.reduceat(np.abs(planned).max(axis=0), bounds)
    return np.asarray([peaks, np.add.reduceat(np.square(planned).sum(axis=0), bounds)], np.float64)


def raised(gains: Values, of: Values, sounding: NDArray[np.bool_]) -> Values:
    """How far each half second lies over what it has at one static gain and a limiter, as a
    ratio: the least of both `gains` (2, half second), each beside its own static gain, for what
    is like the planned sound may be less all along.

    of: `moments` of all chunks, (2, moment). sounding: which half seconds count. The limiter works
    as hard as leaves the gain of the power most even; less hard of what is alike.
    """
    if not sounding.any():
        return np.ones(gains.shape[1])
    peaks, powers = of
    hardest_db = _HARDEST_DB if peaks.max() * gains[1].max() >= LIMITED_FROM else 0.0
    found: list[tuple[float, Values]] = []
    for over_db in np.arange(0.0, hardest_db + 0.1, 0.5):
        lowered = _limited(peaks * (10 ** (over_db / 20) / max(peaks.max(), 1e-9)), powers)
        level_db = 20 * np.log10(np.maximum(gains[1] / lowered, 1e-6))[sounding]
        apart_db = np.abs(level_db - np.median(level_db))
        found.append((float(np.minimum(apart_db, _UNLIKE_DB).mean()), lowered))
    least = min(apart for apart, _ in found) + 0.01
    lowered = next(lowered for apart, lowered in found if apart <= least)
    usual = np.median((gains / lowered)[:, sounding], axis=1, keepdims=True)
    return np.asarray((gains / lowered / np.maximum(usual, 1e-6)).min(axis=0), np.float64)


def _limited(peaks: Values, powers: Values) -> Values:
    """What a limiter leaves of half seconds whose moments have these peaks, 1 its ceiling.

    It is down a moment before a peak, and comes back by _BACK_DB_S (Giannoulis et al., "Digital
    dynamic range compressor design", JAES 60, 2012: look-ahead, peak, release; from memory).
    """
    need_db = np.maximum(20 * np.log10(np.maximum(peaks, 1e-9)), 0)
    need_db[:-1] = np.maximum(need_db[:-1], need_db[1:])
    back_db = np.arange(need_db.size) * (_BACK_DB_S * MOMENT / _RATE_HZ)
    held_db = np.maximum.accumulate(need_db + back_db) - back_db
    left, all_of_it = (
        pairs(v.reshape(-1, MOMENTS).sum(axis=1)) for v in (powers * 10 ** (-held_db / 10), powers)
    )
    return np.sqrt(np.where(all_of_it > 0, left / np.maximum(all_of_it, 1e-12), 1.0))


def pairs(values: Values) -> Values:
    """Sums of each chunk and the next one: half seconds that overlap by half."""
    return np.asarray(values[:-1] + values[1:] if len(values) > 1 else values, np.float64)
