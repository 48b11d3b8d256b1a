"""Where a narration lies on the recording: both hear the room, and its changes are compared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.narration import Filter, Samples

ENVELOPE_HOP_S = 0.01
OFFSET_LEAST_CONFIDENCE = 0.5
"""The best place must fit twice as well as the next one before it is used unasked."""
_BANDS_HZ = ((100, 400), (400, 1200), (1200, 3500), (3500, 7500))


class EnvelopeFold:
    """Level changes in four bands per 10 ms, for `find_offset`; (band, hop) float32."""

    def __init__(self, channels: int, rate_hz: int = 48000) -> None:
        from scipy.signal import butter

        self._hop = round(ENVELOPE_HOP_S * rate_hz)
        self._filters = [
            Filter(butter(2, band, "bandpass", fs=rate_hz, output="sos")) for band in _BANDS_HZ
        ]
        self._left = np.zeros((1, 0), np.float32)
        self._parts: list[NDArray[np.float32]] = []

    def step(self, block: Samples) -> None:
        mono = np.asarray(block, dtype=np.float32).mean(axis=0, keepdims=True)
        mono = np.concatenate([self._left, mono], axis=1)
        hops = mono.shape[1] // self._hop
        self._left = mono[:, hops * self._hop :].copy()
        mono = mono[:, : hops * self._hop]
        if hops:
            rows = [
                np.square(f.step(mono)).reshape(hops, self._hop).mean(axis=1)
                for f in self._filters
            ]
            self._parts.append(np.asarray(rows, dtype=np.float32))

    def finish(self) -> NDArray[np.float32]:
        """Band levels in dB, (4, hop)."""
        if not self._parts:
            return np.zeros((len(_BANDS_HZ), 0), np.float32)
        power = np.concatenate(self._parts, axis=1)
        return np.asarray(10.0 * np.log10(power + 1e-9), dtype=np.float32)


@dataclass(frozen=True)
class Offset:
    """offset_s: where the narration's start lies on the recording's axis. confidence 0..1."""

    offset_s: float
    confidence: float


def find_offset(
    recording: NDArray[np.floating[Any]], narration: NDArray[np.floating[Any]]
) -> Offset:
    """Offset of a narrator's take that also holds the room sound (generalised correlation).

    recording, narration: band levels (4, hop) of `EnvelopeFold`. The level changes of
    each band are whitened and correlated; the confidence is how far the best peak
    stands over the next one more than 0.5 s away: 0 at equal height, 1 at three times
    the height. Below `OFFSET_LEAST_CONFIDENCE` do not use it without a person.
    """
    size = recording.shape[1] + narration.shape[1]
    if min(recording.shape[1], narration.shape[1]) < 100:
        return Offset(0.0, 0.0)
    fast = 1 << (size - 1).bit_length()
    total = np.zeros(fast)
    for a, b in zip(recording, narration, strict=True):
        one, two = _changes(a), _changes(b)
        if not one.any() or not two.any():
            continue
        cross = np.fft.rfft(one, fast) * np.conj(np.fft.rfft(two, fast))
        # Half-whitened: peaks are sharp, and silent parts of the spectrum stay out.
        total += np.fft.irfft(cross / np.sqrt(np.abs(cross) + 1e-12), fast)
    lags = np.arange(fast)
    lags[lags >= recording.shape[1]] -= fast
    best = int(np.argmax(total))
    far = np.abs(lags - lags[best]) > round(0.5 / ENVELOPE_HOP_S)
    second = float(total[far].max()) if far.any() else 0.0
    ratio = total[best] / second if second > 0 else (np.inf if total[best] > 0 else 0.0)
    left, right = total[best - 1], total[(best + 1) % fast]
    curve = left - 2 * total[best] + right
    shift = 0.5 * (left - right) / curve if curve < 0 else 0.0
    confidence = float(np.clip((ratio - 1.0) / 2.0, 0.0, 1.0))
    return Offset(float(lags[best] + shift) * ENVELOPE_HOP_S, confidence)


def _changes(levels_db: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    change = np.diff(np.asarray(levels_db, dtype=np.float64), prepend=levels_db[0])
    spread = float(np.std(change))
    if spread < 1e-6:
        return np.zeros(change.size)
    return np.asarray(np.clip((change - change.mean()) / spread, -4.0, 4.0))
