"""Clean-up of the narrator's track: rumble and hum go, clicks are avoided, no colouring.

Blocks are (channel, n) float32 at full scale 1.0, in order, of any size.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
RUMBLE_HZ = 60.0
"""Corner of the rumble filter; the lowest speaking voices start near 80 Hz (common practice)."""


class Filter:
    """A cascade of second-order sections over blocks (channel, n)."""

    def __init__(self, sos: NDArray[np.float64]) -> None:
        self._sos = np.atleast_2d(sos)
        self._state: NDArray[np.float64] | None = None

    def step(self, block: Samples) -> Samples:
        from scipy.signal import sosfilt

        if self._sos.size == 0:
            return block
        if self._state is None:
            self._state = np.zeros((self._sos.shape[0], block.shape[0], 2))
        out, self._state = sosfilt(self._sos, block.astype(np.float64), axis=1, zi=self._state)
        return np.asarray(out, dtype=np.float32)


def rumble_filter(rate_hz: int = 48000, corner_hz: float = RUMBLE_HZ) -> Filter:
    """High-pass of third order (Butterworth)."""
    from scipy.signal import butter

    return Filter(butter(3, corner_hz, "highpass", fs=rate_hz, output="sos"))


@dataclass(frozen=True)
class Hum:
    """Mains hum: fundamental in Hz and the harmonics (1 = fundamental) that stand out."""

    mains_hz: float
    harmonics: tuple[int, ...]


class HumFold:
    """Finds mains hum in a stream of blocks (channel, n).

    Spectra of 2 s of the sound decimated to 2 kHz; for every line the 20th percentile
    over time, since hum is always there and a voice is not. A line counts if it stands
    9 dB over the median of the bins beside it.
    """

    _RATE_HZ = 2000
    _HARMONICS = 12

    def __init__(self, channels: int, rate_hz: int = 48000) -> None:
        from scipy.signal import butter

        if rate_hz % self._RATE_HZ:
            raise ValueError(f"{rate_hz} Hz is not a multiple of {self._RATE_HZ} Hz")
        self._every = rate_hz // self._RATE_HZ
        self._low = Filter(butter(6, 700, "lowpass", fs=rate_hz, output="sos"))
        self._phase = 0
        self._length = 2 * self._RATE_HZ
        self._left = np.zeros(0)
        self._spectra: list[NDArray[np.float16]] = []

    def step(self, block: Samples) -> None:
        mono = np.asarray(block, dtype=np.float32).mean(axis=0, keepdims=True)
        low = self._low.step(mono)[0]
        picked = low[-self._phase % self._every :: self._every]
        self._phase = (self._phase + low.size) % self._every
        self._left = np.concatenate([self._left, picked])
        while self._left.size >= self._length:
            frame = self._left[: self._length] * np.blackman(self._length)
            self._left = self._left[self._length // 2 :]
            power = np.square(np.abs(np.fft.rfft(frame, 2 * self._length))) + 1e-12
            level = 10.0 * np.log10(power[: int(650 / self._RATE_HZ * 2 * self._length)])
            if len(self._spectra) < 600:  # ten minutes tell enough
                self._spectra.append(level.astype(np.float16))

    def finish(self) -> Hum | None:
        """The hum found, None if there is none."""
        if len(self._spectra) < 3:
            return None
        floor = np.percentile(np.stack(self._spectra).astype(np.float32), 20, axis=0)
        bin_hz = self._RATE_HZ / (2 * self._length)
        best: tuple[float, Hum] | None = None
        for nominal in (50.0, 60.0):
            # Mains is kept within half a hertz; the harmonics share one true fundamental.
            for mains in np.arange(nominal - 0.5, nominal + 0.51, 0.05):
                heights = [
                    self._height(floor, float(mains) * k, bin_hz)
                    for k in range(1, self._HARMONICS + 1)
                    if mains * k < 620
                ]
                found = tuple(k + 1 for k, height in enumerate(heights) if height > 9.0)
                score = float(sum(heights[k - 1] for k in found))
                good = len(found) >= 2 or (found and max(heights) > 20.0)
                if good and (best is None or score > best[0] + 1e-6):
                    best = (score, Hum(round(float(mains), 2), found))
        return best[1] if best else None

    @staticmethod
    def _height(floor: NDArray[np.floating[Any]], line_hz: float, bin_hz: float) -> float:
        centre = round(line_hz / bin_hz)
        if centre + 40 >= floor.size or centre < 41:
            return 0.0
        beside = [floor[centre - 40 : centre - 10], floor[centre + 11 : centre + 41]]
        return float(floor[centre] - np.median(np.concatenate(beside)))


def hum_filter(hum: Hum | None, rate_hz: int = 48000, width_hz: float = 2.0) -> Filter:
    """Notches 2 Hz wide at the harmonics found; passes all if there is no hum."""
    from scipy.signal import iirnotch, tf2sos

    if hum is None:
        return Filter(np.zeros((0, 6)))
    sections = [
        tf2sos(*iirnotch(hum.mains_hz * k, hum.mains_hz * k / width_hz, fs=rate_hz))
        for k in hum.harmonics
    ]
    return Filter(np.concatenate(sections))


def cleaned(
    blocks: Iterable[Samples],
    hum: Hum | None,
    length: int,
    rate_hz: int = 48000,
    fade_s: float = 0.02,
) -> Iterator[Samples]:
    """Narration without rumble and hum, faded in and out over `fade_s`.

    length: samples in the stream; the fade at the end needs to know.
    """
    rumble, notch = rumble_filter(rate_hz), hum_filter(hum, rate_hz)
    fade = max(1, min(round(fade_s * rate_hz), length // 2))
    at = 0
    for block in blocks:
        out = notch.step(rumble.step(block))
        stop = at + out.shape[1]
        if at < fade or stop > length - fade:
            place = np.arange(at, stop)
            share = np.clip(np.minimum(place + 1, length - place) / (fade + 1), 0.0, 1.0)
            out = out * (0.5 - 0.5 * np.cos(np.pi * share)).astype(np.float32)
        at = stop
        yield np.asarray(out, dtype=np.float32)


def without_spans(
    blocks: Iterable[Samples],
    spans: Sequence[tuple[float, float]],
    rate_hz: int = 48000,
    fade_s: float = 0.01,
) -> Iterator[Samples]:
    """The sound, silent in `spans` (seconds), faded out before and in after them."""
    at = 0
    for block in blocks:
        time_s = (np.arange(at, at + block.shape[1]) + 0.5) / rate_hz
        at += block.shape[1]
        share = np.ones(block.shape[1])
        for start_s, stop_s in spans:
            if start_s - fade_s < time_s[-1] and time_s[0] < stop_s + fade_s:
                away_s = np.maximum(start_s - time_s, time_s - stop_s)
                share = np.minimum(share, np.clip(away_s / fade_s, 0.0, 1.0))
        yield np.asarray(block * share, dtype=np.float32)
