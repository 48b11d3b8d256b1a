"""Loudness measured a second time, by pyloudnorm: a fault of one meter shows in the other.

pyloudnorm wants a whole signal in memory, so each minute is measured by itself, and our
meter's power series is read for the same minute.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import HOP_S, finite, integrated_lufs

MINUTE_HOPS = round(60.0 / HOP_S)
LEAST_HOPS = round(3.0 / HOP_S)  # a shorter rest is left out, but in a sound shorter than that
QUIETEST_LUFS = -60.0  # so near the absolute gate of -70 the two may take other blocks


class SecondMeter:
    """pyloudnorm's integrated loudness of every minute of a stream of blocks (channel, n).

    Keeps one minute in memory: 23 MB for two channels at 48 kHz, three times that while
    it is measured. channels: 1 to 5.
    """

    def __init__(self, channels: int, rate_hz: int = 48000) -> None:
        self._rate_hz = rate_hz
        self._hop = round(HOP_S * rate_hz)
        self._minute = np.zeros((MINUTE_HOPS * self._hop, channels), np.float32)
        self._held = 0
        self._levels: list[tuple[int, int, float]] = []  # first hop, hops, LUFS
        self._done_hops = 0

    def step(self, block: NDArray[Any]) -> None:
        """Take a block (channel, n), any n. NaN counts as silence, as in `LoudnessFold`."""
        samples, at = finite(np.asarray(block)).T, 0
        while at < samples.shape[0]:
            taken = min(samples.shape[0] - at, self._minute.shape[0] - self._held)
            self._minute[self._held : self._held + taken] = samples[at : at + taken]
            self._held, at = self._held + taken, at + taken
            if self._held == self._minute.shape[0]:
                self._measure(MINUTE_HOPS)

    def _measure(self, hops: int) -> None:
        import pyloudnorm

        level = -np.inf
        if self._minute[: hops * self._hop].any():
            meter = pyloudnorm.Meter(self._rate_hz, filter_class="DeMan")
            level = float(meter.integrated_loudness(self._minute[: hops * self._hop]))
        self._levels.append((self._done_hops, hops, level))
        self._done_hops, self._held = self._done_hops + hops, 0

    def finish(self, hop_power: NDArray[Any]) -> float | None:
        """Greatest difference in LU between the two meters over all minutes, 0 or more.

        hop_power: `Loudness.hop_power` of the same stream. None where there is no sound
        that both can measure; infinite where one of them hears sound and the other none.
        """
        hops = self._held // self._hop
        if hops >= LEAST_HOPS or (not self._levels and hops >= 4):
            self._measure(hops)
        worst: float | None = None
        for first, count, theirs in self._levels:
            own = integrated_lufs(hop_power[first : first + count])
            ours = -np.inf if own is None else own
            if max(ours, theirs) < QUIETEST_LUFS:
                continue
            worst = max(worst or 0.0, abs(ours - theirs))
        return worst
