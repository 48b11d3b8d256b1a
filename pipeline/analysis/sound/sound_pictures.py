"""A small picture of a long sound for report and page: its mel bands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import finite
from pipeline.analysis.sound.narration import Samples

FFT = 2048
BANDS = 64
RATE_HZ = 48_000


def mel_bank() -> NDArray[np.float32]:
    """Filters from 50 Hz to 12 kHz, (`BANDS`, `FFT` / 2 + 1), by librosa.

    Its bank alone: `librosa.feature` would load and compile .6 s longer. This takes .8 s and
    70 MB too, so whoever makes many pictures keeps it.
    """
    from librosa.filters import mel

    bank: NDArray[np.float32] = mel(sr=RATE_HZ, n_fft=FFT, n_mels=BANDS, fmin=50.0, fmax=12e3)
    return bank


class MelPictureFold:
    """Mel power picture of a stream at 48 kHz: `columns` equal parts in time, `BANDS` mel bands.

    length: samples in the stream. bank: as of `mel_bank`.
    """

    def __init__(self, columns: int, length: int, bank: NDArray[np.float32]) -> None:
        self._bank = bank
        self._window = np.hanning(FFT + 1)[:-1].astype(np.float32)
        self._length = max(1, length)
        self._power = np.zeros((bank.shape[0], columns))
        self._frames = np.zeros(columns)
        self._rest = np.zeros(0, np.float32)
        self._at = 0

    def step(self, block: Samples) -> None:
        """Take a block (channel, n)."""
        mono = finite(np.asarray(block, np.float32)).mean(axis=0)
        mono = np.concatenate([self._rest, mono])
        frames = mono.size // FFT
        self._rest = mono[frames * FFT :]
        whole = mono[: frames * FFT].reshape(frames, FFT)
        power = np.abs(np.fft.rfft(whole * self._window, axis=1)) ** 2 @ self._bank.T
        centre = self._at + (np.arange(frames) + 0.5) * FFT
        self._at += frames * FFT
        column = (centre * self._frames.size / self._length).astype(np.int64)
        column = np.minimum(column, self._frames.size - 1)
        np.add.at(self._power.T, column, power)
        np.add.at(self._frames, column, 1.0)

    def finish(self) -> NDArray[np.float32]:
        """(band, column) in dB under the strongest, -80..0; low band first."""
        seen = self._frames > 0
        if not seen.any():
            return np.full(self._power.shape, -80.0, np.float32)
        mean = self._power[:, seen] / self._frames[seen]
        index = np.interp(np.arange(seen.size), np.flatnonzero(seen), np.arange(int(seen.sum())))
        mean = mean[:, np.round(index).astype(int)]
        top = max(float(mean.max()), 1e-12)
        decibels = 10 * np.log10(np.maximum(mean / top, 1e-8))
        return decibels.astype(np.float32)
