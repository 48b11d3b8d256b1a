"""True-peak limiter with look-ahead, and the search for the gain that reaches a loudness.

One-pass loudness filters ride the gain and undo ducking; here the gain is static and
the limiter only touches peaks, and says how much it did.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import (
    TP_TAPS_AFTER,
    TP_TAPS_BEFORE,
    Loudness,
    LoudnessFold,
    oversampled_peak,
    tap,
)

AAC_MARGIN_DB = 0.6
"""Room kept under the true-peak limit for what AAC adds. See tests/benchmarks/sound.py."""


MOST_LIMITING_DB = 10.0
"""Peaks of a sound without narration are held down by at most this much to make it louder;
more is heard as pumping (common practice, no source)."""


@dataclass
class LimiterReport:
    """What the limiter did. Filled in while blocks pass; final when the stream has ended."""

    max_reduction_db: float = 0.0
    reduced_s: float = 0.0
    """Time with more than 0.1 dB of reduction."""
    strongly_reduced_s: float = 0.0
    """Time with more than 3 dB of reduction."""
    total_s: float = 0.0


class Limiter:
    """Streaming true-peak limiter, all channels by the same gain.

    The needed reduction is taken from the signal four times oversampled (BS.1770-5
    annex 2); its running minimum over the look-ahead is smoothed by a kernel no longer
    than the look-ahead, so the gain is down before the peak and never above what the
    peak needs. It recovers by release_db_s. Output is as long as the input and not late.

    ceiling_dbtp: highest true peak let through. gain_db: static gain put on before.
    """

    def __init__(
        self,
        channels: int,
        gain_db: float,
        ceiling_dbtp: float,
        rate_hz: int = 48000,
        look_ahead_s: float = 0.005,
        release_db_s: float = 30.0,
    ) -> None:
        self.report = LimiterReport()
        self._gain = 10.0 ** (gain_db / 20.0)
        # The gain moves between the points of the oversampled signal: 0.02 dB cover that.
        self._ceiling_db = ceiling_dbtp - 0.02
        self._rate_hz = rate_hz
        self._half = max(1, round(look_ahead_s * rate_hz / 2))
        self._ahead = 2 * self._half
        self._slope_db = release_db_s / rate_hz
        self._history = np.zeros((channels, TP_TAPS_BEFORE), np.float32)
        self._samples = np.zeros((channels, 0), np.float32)  # not yet put out
        self._fresh = np.zeros((channels, 0), np.float32)  # not yet looked at
        self._held_db = 0.0
        self._needed = np.zeros(0)  # reduction after release, from the first sample not put out
        self._lowest: NDArray[np.float64] | None = None  # running minima before that sample

    def step(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take a block (channel, n); returns what is ready (channel, m), m may be 0."""
        scaled = np.asarray(block, np.float32) * np.float32(self._gain)
        self._samples = np.concatenate([self._samples, scaled], axis=1)
        self._fresh = np.concatenate([self._fresh, scaled], axis=1)
        count = self._fresh.shape[1] - TP_TAPS_AFTER
        if count > 0:
            around = np.concatenate([self._history, self._fresh], axis=1)
            self._look(oversampled_peak(around).max(axis=0))
            self._history = around[:, count : count + TP_TAPS_BEFORE].copy()
            self._fresh = self._fresh[:, count:].copy()
        return self._put_out(self._needed.size - self._ahead)

    def _look(self, peak: NDArray[np.float32]) -> None:
        needed = np.zeros(peak.size)
        limit = 10.0 ** (self._ceiling_db / 20.0)
        loud = peak > limit
        if loud.any() or self._held_db < 0.0:
            needed[loud] = self._ceiling_db - 20.0 * np.log10(peak[loud].astype(np.float64))
            ramp = self._slope_db * np.arange(1, peak.size + 1)
            start = np.minimum.accumulate(np.concatenate([[self._held_db], needed - ramp]))
            needed = np.minimum(0.0, start[1:] + ramp)
            self._held_db = float(needed[-1])
        self._needed = np.concatenate([self._needed, needed])

    def _put_out(self, count: int) -> NDArray[np.float32]:
        if count <= 0:
            return self._samples[:, :0]
        ready = self._samples[:, :count]
        self._samples = self._samples[:, count:].copy()
        span = self._needed[: count + self._ahead]
        self._needed = self._needed[count:]
        self.report.total_s += count / self._rate_hz
        if self._lowest is None:
            self._lowest = np.full(self._ahead, float(span[: self._ahead + 1].min()))
        if not span.any() and not self._lowest.any():
            return ready
        from scipy.ndimage import minimum_filter1d

        # Minimum over [n, n + ahead] for each n to be put out.
        lowest = minimum_filter1d(span, self._ahead + 1, mode="nearest")
        lowest = lowest[self._half : self._half + count]
        track = np.concatenate([self._lowest, lowest])
        self._lowest = track[-self._ahead :].copy()
        gain_db = _box(_box(track, self._half + 1), self._half + 1)
        self.report.max_reduction_db = max(self.report.max_reduction_db, float(-gain_db.min()))
        self.report.reduced_s += float((gain_db < -0.1).sum()) / self._rate_hz
        self.report.strongly_reduced_s += float((gain_db < -3.0).sum()) / self._rate_hz
        return np.asarray(ready * (10.0 ** (gain_db / 20.0)), dtype=np.float32)

    def finish(self) -> NDArray[np.float32]:
        """The samples still inside, shape (channel, m)."""
        left = self._samples.shape[1]
        if not left:
            return self._samples
        zeros = np.zeros((self._samples.shape[0], self._ahead + TP_TAPS_AFTER), np.float32)
        out = self.step(zeros)
        self.report.total_s -= max(0, out.shape[1] - left) / self._rate_hz
        return out[:, :left]


def _box(series: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Mean of each `length` neighbours, shape (n - length + 1,)."""
    total = np.concatenate([[0.0], np.cumsum(series)])
    return np.asarray((total[length:] - total[:-length]) / length)


def limit(
    blocks: Iterable[NDArray[np.float32]],
    gain_db: float,
    ceiling_dbtp: float,
    rate_hz: int = 48000,
    report: LimiterReport | None = None,
) -> Iterator[NDArray[np.float32]]:
    """Static gain, then the true-peak limiter, on a stream of blocks (channel, n).

    report: filled in as the stream passes. The output has the input's length.
    """
    limiter: Limiter | None = None
    for block in blocks:
        if limiter is None:
            limiter = Limiter(block.shape[0], gain_db, ceiling_dbtp, rate_hz)
            if report is not None:
                limiter.report = report
        out = limiter.step(block)
        if out.shape[1]:
            yield out
    if limiter is not None:
        out = limiter.finish()
        if out.shape[1]:
            yield out


@dataclass(frozen=True)
class GainFit:
    """The static gain that brings a mix to its loudness through the limiter."""

    gain_db: float
    loudness: Loudness
    limiter: LimiterReport
    passes: int
    reached: bool


def reachable(
    mix: Callable[[], Iterable[NDArray[np.float32]]],
    channels: int,
    loudness_lufs: float,
    true_peak_dbtp: float,
    rate_hz: int = 48000,
    margin_db: float = AAC_MARGIN_DB,
    most_db: float = 40.0,
) -> tuple[float, float]:
    """(loudness in LUFS to aim at, highest gain in dB) for a mix in which nobody speaks.

    The loudness is loudness_lufs, or less where the gain would pass most_db or the peaks
    would have to be held down by more than MOST_LIMITING_DB: a few clicks in a quiet room
    would else be crushed, and the room raised to a roar. mix gives its stream anew at each
    call; two passes at most.
    """
    ceiling_db = true_peak_dbtp - margin_db
    raw = _loudness(mix(), channels, rate_hz)
    if raw.integrated_lufs is None or raw.true_peak_dbtp is None:
        return loudness_lufs, most_db
    room_db = ceiling_db - raw.true_peak_dbtp
    highest_db = min(most_db, room_db + MOST_LIMITING_DB)
    needed_db = loudness_lufs - raw.integrated_lufs
    if needed_db <= min(highest_db, room_db):
        return loudness_lufs, highest_db
    loudest = _loudness(limit(mix(), highest_db, ceiling_db, rate_hz), channels, rate_hz)
    top_lufs = loudest.integrated_lufs
    return (loudness_lufs if top_lufs is None else min(loudness_lufs, top_lufs)), highest_db


def _loudness(
    blocks: Iterable[NDArray[np.float32]], channels: int, rate_hz: int = 48000
) -> Loudness:
    """Loudness of a stream of blocks (channel, n)."""
    fold = LoudnessFold(channels, rate_hz)
    for block in blocks:
        fold.step(block)
    return fold.finish()


def fit_gain(
    mix: Callable[[], Iterable[NDArray[np.float32]]],
    channels: int,
    loudness_lufs: float,
    true_peak_dbtp: float,
    rate_hz: int = 48000,
    tolerance_lu: float = 0.02,
    margin_db: float = AAC_MARGIN_DB,
    most_passes: int = 12,
    limits_db: tuple[float, float] = (-60.0, 40.0),
) -> GainFit:
    """Find the gain for `limit` at which the mix measures `loudness_lufs`.

    mix: gives the stream of the mix anew at each call. The first pass measures the mix
    through the limiter at 0 dB; two passes are enough unless the limiter works hard.
    The ceiling is true_peak_dbtp - margin_db. `reached` is False where the gain would
    leave limits_db, the limiter holds the mix down, or the mix is silent.
    """
    gain_db, best = 0.0, None
    # Loudness rises with the gain, though slowly where the limiter works: the two
    # measured points around the target are kept, and the next gain lies between them.
    low: tuple[float, float] | None = None
    high: tuple[float, float] | None = None
    for number in range(1, most_passes + 1):
        report = LimiterReport()
        fold = LoudnessFold(channels, rate_hz)
        stream = limit(mix(), gain_db, true_peak_dbtp - margin_db, rate_hz, report)
        for _ in tap(stream, fold.step):
            pass
        loudness = fold.finish()
        measured = loudness.integrated_lufs
        if measured is None:
            return GainFit(0.0, loudness, report, number, False)
        error = loudness_lufs - measured
        if best is None or abs(error) < abs(loudness_lufs - _integrated(best)):
            best = GainFit(gain_db, loudness, report, number, abs(error) <= tolerance_lu)
        if abs(error) <= tolerance_lu:
            break
        if error > 0:
            low = (gain_db, error)
        else:
            high = (gain_db, error)
        if low is not None and high is not None:
            share = low[1] / (low[1] - high[1])
            next_db = low[0] + float(np.clip(share, 0.1, 0.9)) * (high[0] - low[0])
        else:
            next_db = gain_db + float(np.clip(1.2 * error, -20.0, 12.0))
        next_db = float(np.clip(next_db, *limits_db))
        if abs(next_db - gain_db) < 1e-3:
            break
        gain_db = next_db
    assert best is not None
    return GainFit(best.gain_db, best.loudness, best.limiter, number, best.reached)


def _integrated(fit: GainFit) -> float:
    value = fit.loudness.integrated_lufs
    return -np.inf if value is None else value
