"""A small picture of a long sound for report and page: its mel bands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import finite
from pipeline.analysis.sound.narration import Samples


class MelPictureFold:
    """Mel power picture of a stream: `columns` equal parts in time, `bands` mel bands.

    length: samples in the stream.
    """

    _FFT = 2048
    _BATCH_FRAMES = 256  # 11 s

    def __init__(self, columns: int, length: int, bands: int = 64, rate_hz: int = 48000) -> None:
        self._rate_hz, self._top_hz = rate_hz, min(12000.0, rate_hz / 2)
        self._length = max(1, length)
        self._power = np.zeros((bands, columns))
        self._frames = np.zeros(columns)
        self._waiting: list[NDArray[np.float32]] = []
        self._waiting_samples = 0
        self._at = 0

    def step(self, block: Samples) -> None:
        """Take a block (channel, n)."""
        self._waiting.append(finite(np.asarray(block, np.float32)).mean(axis=0))
        self._waiting_samples += self._waiting[-1].size
        if self._waiting_samples >= self._BATCH_FRAMES * self._FFT:
            self._take()

    def _take(self) -> None:
        """The waiting sound at once: librosa works its filters out anew at every call."""
        from librosa.feature import melspectrogram

        frames = self._waiting_samples // self._FFT
        if not frames:
            return
        mono = np.concatenate(self._waiting)
        self._waiting = [mono[frames * self._FFT :].copy()]
        self._waiting_samples = self._waiting[0].size
        power = melspectrogram(
            y=mono[: frames * self._FFT], sr=self._rate_hz, n_fft=self._FFT,
            hop_length=self._FFT, center=False, n_mels=self._power.shape[0],
            fmin=50.0, fmax=self._top_hz,
        )
        centre = self._at + (np.arange(frames) + 0.5) * self._FFT
        self._at += frames * self._FFT
        column = (centre * self._frames.size / self._length).astype(np.int64)
        column = np.minimum(column, self._frames.size - 1)
        np.add.at(self._power.T, column, power.T)
        np.add.at(self._frames, column, 1.0)

    def finish(self) -> NDArray[np.float32]:
        """(band, column) in dB under the strongest, -80..0; low band first."""
        from librosa import power_to_db

        self._take()
        seen = self._frames > 0
        if not seen.any():
            return np.full(self._power.shape, -80.0, np.float32)
        mean = self._power[:, seen] / self._frames[seen]
        index = np.interp(np.arange(seen.size), np.flatnonzero(seen), np.arange(int(seen.sum())))
        mean = mean[:, np.round(index).astype(int)]
        top = max(float(mean.max()), 1e-12)
        decibels: NDArray[np.float64] = power_to_db(mean, ref=top, amin=1e-12 * top, top_db=None)
        return np.maximum(decibels, -80.0).astype(np.float32)
