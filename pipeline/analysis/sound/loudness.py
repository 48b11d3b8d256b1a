"""Loudness and true peak of a stream of samples.

ITU-R BS.1770-5 (K-weighting, gating, true peak), EBU Tech 3341 (momentary and
short-term) and EBU Tech 3342 (loudness range). The K-weighting coefficients come
from pyloudnorm, whose filters 'DeMan' reproduce the table of BS.1770 at 48 kHz
(its class 'K-weighting' is an approximation that reads 0.02 to 0.06 LU low).

Arrays are (channel, sample), float32 or float64, full scale 1.0. Everything is a
fold over blocks of any size; what is kept is one power per 100 ms and the peak.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.survey import TrackLoudness

HOP_S = 0.1
"""Hop of the power series kept by `LoudnessFold`, seconds."""

_SUB_HOPS = 10  # 10 ms steps inside one hop, for momentary and short-term maxima
_OFFSET_LU = -0.691  # BS.1770-5, equation 2
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
_RANGE_GATE_LU = -20.0
_SILENT = 1e-15  # mean power taken for digital silence
# Gain in dB, quality and frequency in Hz of the analogue filters behind the table of BS.1770,
# as pyloudnorm has them for its class 'DeMan'.
_SHELF = (3.99984385397, 0.7071752369554193, 1681.9744509555319)
_HIGH_PASS = (0.0, 0.5003270373253953, 38.13547087613982)

# BS.1770-5 table 4: +1.5 dB for sound from the side (60 to 120 degrees), none for the LFE.
# Orders as ffmpeg decodes them: 5.0 FL FR FC SL SR, 5.1 FL FR FC LFE SL SR,
# 7.1 FL FR FC LFE BL BR SL SR (the back pair stands at 135 degrees or more).
_WEIGHTS: dict[int, tuple[float, ...]] = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    4: (1.0, 1.0, 1.41, 1.41),
    5: (1.0, 1.0, 1.0, 1.41, 1.41),
    6: (1.0, 1.0, 1.0, 0.0, 1.41, 1.41),
    7: (1.0, 1.0, 1.0, 0.0, 1.0, 1.41, 1.41),
    8: (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.41, 1.41),
}


def channel_weights(channels: int) -> NDArray[np.float64]:
    """Weights of BS.1770-5 for 1 to 8 channels, shape (channel,); 1.0 beyond that."""
    return np.asarray(_WEIGHTS.get(channels, (1.0,) * channels), dtype=np.float64)


@lru_cache(maxsize=8)
def k_weighting_sos(rate_hz: int) -> NDArray[np.float64]:
    """K-weighting as second-order sections, shape (2, 6): shelf, then high-pass.

    Source: BS.1770-5 annex 1, through pyloudnorm's filters of that design ('DeMan').
    """
    import pyloudnorm

    filters = (
        pyloudnorm.IIRfilter(*_SHELF, rate_hz, "high_shelf_DeMan"),
        pyloudnorm.IIRfilter(*_HIGH_PASS, rate_hz, "high_pass_DeMan"),
    )
    return np.asarray([np.concatenate([f.b, f.a]) for f in filters], dtype=np.float64)


def lufs(power: Any) -> Any:
    """LUFS of a K-weighted, channel-weighted mean power (float or array); -inf for silence."""
    with np.errstate(divide="ignore"):
        return _OFFSET_LU + 10.0 * np.log10(power)


def power_of(level_lufs: Any) -> Any:
    """Inverse of `lufs`."""
    return 10.0 ** ((np.asarray(level_lufs) - _OFFSET_LU) / 10.0)


def finite(block: NDArray[Any]) -> NDArray[Any]:
    """The block with NaN as 0 and infinite values as full scale; the same array if clean."""
    if np.isfinite(block.sum()):
        return block
    return np.asarray(np.nan_to_num(block, nan=0.0, posinf=1.0, neginf=-1.0))


class PowerFold:
    """K-weighted, channel-weighted mean power per hop.

    channels: number of input channels. hop_s times rate_hz must be a whole number.
    dual_mono: a mono track that will be played by two loudspeakers counts twice (+3 LU).
    Raises ValueError for a hop that is not a whole number of samples.
    """

    def __init__(
        self, channels: int, rate_hz: int = 48000, hop_s: float = HOP_S, dual_mono: bool = False
    ) -> None:
        hop = round(hop_s * rate_hz)
        if hop < 1 or abs(hop - hop_s * rate_hz) > 1e-6:
            raise ValueError(f"a hop of {hop_s} s is not a whole number of samples at {rate_hz} Hz")
        self.channels = channels
        self.hop_samples = hop
        self._sos = k_weighting_sos(rate_hz)
        self._state = np.zeros((2, channels, 2))
        self._weights = channel_weights(channels) * (2.0 if dual_mono and channels == 1 else 1.0)
        self._active = np.flatnonzero(self._weights)
        self._left = np.zeros((channels, 0))

    def step(self, block: NDArray[Any]) -> NDArray[np.float64]:
        """Take a block (channel, n); returns the powers of the hops it completes, shape (hop,)."""
        from scipy.signal import sosfilt

        block = np.asarray(block)
        if block.ndim != 2 or block.shape[0] != self.channels:
            raise ValueError(f"expected ({self.channels}, n) samples, got {block.shape}")
        if block.shape[1] == 0:
            return np.zeros(0)
        samples = block.astype(np.float64)
        weighted, self._state = sosfilt(self._sos, samples, axis=1, zi=self._state)
        # A stored state must not crawl through denormal numbers after the sound stops.
        self._state[np.abs(self._state) < 1e-30] = 0.0
        if self._left.shape[1]:
            weighted = np.concatenate([self._left, weighted], axis=1)
        hops = weighted.shape[1] // self.hop_samples
        used = hops * self.hop_samples
        whole = weighted[:, :used].reshape(self.channels, hops, self.hop_samples)
        self._left = weighted[:, used:].copy()
        power = np.einsum("chn,chn->ch", whole, whole) / self.hop_samples
        return np.asarray(self._weights[self._active] @ power[self._active], dtype=np.float64)


@lru_cache(maxsize=1)
def _interpolator() -> NDArray[np.float32]:
    """Four-times interpolation filters, shape (phase 3, tap 24), float32.

    BS.1770-5 annex 2 asks for at least four-times oversampling; this windowed
    sinc (Kaiser, 24 taps a phase) is flatter than the 12-tap example printed there.
    Phase 0, the samples themselves, is left out.
    """
    taps = TP_TAPS_BEFORE + TP_TAPS_AFTER + 1
    rows = []
    for phase in (0.25, 0.5, 0.75):
        t = phase - (np.arange(taps) - TP_TAPS_BEFORE)
        window = np.i0(7.0 * np.sqrt(np.maximum(0.0, 1 - (t / (taps / 2)) ** 2))) / np.i0(7.0)
        row = np.sinc(t) * window
        rows.append(row / row.sum())
    return np.asarray(rows, dtype=np.float32)


TP_TAPS_BEFORE = 11
TP_TAPS_AFTER = 12


def oversampled_peak(samples: NDArray[Any]) -> NDArray[np.float32]:
    """Greatest absolute value at each sample and the three points after it.

    samples: (channel, n + 23), 11 samples of history before and 12 after.
    Returns (channel, n) float32.
    """
    import cv2

    rows = np.ascontiguousarray(samples, dtype=np.float32)
    valid = slice(TP_TAPS_BEFORE, rows.shape[1] - TP_TAPS_AFTER)
    out = np.abs(rows[:, valid])
    for kernel in _interpolator():
        # filter2D correlates; it is ten times as fast as scipy on rows of this length.
        between = cv2.filter2D(
            rows, cv2.CV_32F, kernel[None], anchor=(TP_TAPS_BEFORE, 0),
            borderType=cv2.BORDER_CONSTANT,
        )
        np.maximum(out, np.abs(between[:, valid]), out=out)
    return out


class TruePeakFold:
    """Highest four-times oversampled peak of a stream of blocks (channel, n)."""

    def __init__(self, channels: int) -> None:
        self.peak = 0.0
        self._tail = np.zeros((channels, TP_TAPS_BEFORE + TP_TAPS_AFTER), np.float32)

    def step(self, block: NDArray[Any]) -> None:
        """Take a block (channel, n)."""
        if block.shape[1] == 0:
            return
        samples = np.concatenate([self._tail, np.asarray(block, np.float32)], axis=1)
        reach = self._tail.shape[1]
        self.peak = max(self.peak, float(oversampled_peak(samples).max()))
        self._tail = samples[:, -reach:].copy()

    def finish(self) -> float:
        """The peak as a factor of full scale, 0.0 for silence."""
        self.step(np.zeros((self._tail.shape[0], TP_TAPS_AFTER), np.float32))
        return self.peak


@dataclass(frozen=True)
class Loudness:
    """Loudness of one track; None where there is nothing to measure.

    hop_power: (hop,) float32, K-weighted and channel-weighted mean power per 100 ms;
    a last hop that is not whole is left out. channels: counted channels (a dual-mono
    track counts two).
    """

    integrated_lufs: float | None
    short_term_max_lufs: float | None
    momentary_max_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    channels: int
    hop_power: NDArray[np.float32] = field(repr=False)

    def track(self) -> TrackLoudness:
        """The same as a part of a document, rounded to 0.01."""

        def short(value: float | None) -> float | None:
            return None if value is None else round(value, 2)

        return TrackLoudness(
            integrated_lufs=short(self.integrated_lufs),
            short_term_max_lufs=short(self.short_term_max_lufs),
            momentary_max_lufs=short(self.momentary_max_lufs),
            range_lu=short(self.range_lu),
            true_peak_dbtp=short(self.true_peak_dbtp),
            channels=self.channels,
        )


class LoudnessFold:
    """Integrated, short-term, momentary loudness, loudness range and true peak.

    channels, rate_hz: of the blocks. dual_mono: a single channel that is played by
    two loudspeakers counts twice. true_peak: False leaves the peak out (None).
    Momentary and short-term maxima are taken in steps of 10 ms.
    """

    _BATCH = 24000

    def __init__(
        self,
        channels: int,
        rate_hz: int = 48000,
        dual_mono: bool = False,
        true_peak: bool = True,
    ) -> None:
        self.channels = 2 if dual_mono and channels == 1 else channels
        self._power = PowerFold(channels, rate_hz, HOP_S / _SUB_HOPS, dual_mono)
        self._peak = TruePeakFold(channels) if true_peak else None
        self._recent = np.zeros(0)
        self._hop_left = np.zeros(0)
        self._hops: list[NDArray[np.float32]] = []
        self._max = {40: 0.0, 300: 0.0}
        self._waiting: list[NDArray[Any]] = []
        self._waiting_samples = 0

    def step(self, block: NDArray[Any]) -> None:
        """Take a block (channel, n), any n. NaN counts as silence."""
        block = np.asarray(block)
        self._waiting.append(finite(block))
        self._waiting_samples += block.shape[1]
        if self._waiting_samples >= self._BATCH:
            self._take()

    def _take(self) -> None:
        """Work on the waiting blocks at once: small blocks would cost several times as much."""
        if not self._waiting_samples:
            return
        block = np.concatenate(self._waiting, axis=1)
        self._waiting, self._waiting_samples = [], 0
        fresh = self._power.step(block)
        if self._peak is not None:
            self._peak.step(block)
        if fresh.size == 0:
            return
        series = np.concatenate([self._recent, fresh])
        total = np.concatenate([[0.0], np.cumsum(series)])
        for length in self._max:
            if series.size >= length:
                means = (total[length:] - total[:-length]) / length
                # Only windows that end in the fresh part are new.
                new = means[-fresh.size :] if means.size > fresh.size else means
                self._max[length] = max(self._max[length], float(new.max()))
        self._recent = series[-299:]
        left = np.concatenate([self._hop_left, fresh])
        whole = left.size // _SUB_HOPS
        hops = left[: whole * _SUB_HOPS].reshape(whole, _SUB_HOPS).mean(axis=1)
        self._hop_left = left[whole * _SUB_HOPS :]
        if hops.size:
            self._hops.append(hops.astype(np.float32))

    def finish(self) -> Loudness:
        """The measures of all that was taken in."""
        self._take()
        power = np.concatenate(self._hops) if self._hops else np.zeros(0, np.float32)
        peak = self._peak.finish() if self._peak is not None else 0.0
        return Loudness(
            integrated_lufs=integrated_lufs(power),
            short_term_max_lufs=_level_or_none(self._max[300]),
            momentary_max_lufs=_level_or_none(self._max[40]),
            range_lu=range_lu(power),
            true_peak_dbtp=20.0 * float(np.log10(peak)) if peak > 1e-7 else None,
            channels=self.channels,
            hop_power=power,
        )


def _level_or_none(power: float) -> float | None:
    return float(lufs(power)) if power > _SILENT else None


def _sliding_mean(series: NDArray[Any], length: int) -> NDArray[np.float64]:
    if series.size < length:
        return np.zeros(0)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.asarray(series, dtype=np.float64), length
    )
    return np.asarray(windows.mean(axis=1), dtype=np.float64)


def momentary_lufs(hop_power: NDArray[Any]) -> NDArray[np.float64]:
    """Loudness in 400 ms windows that start at each hop, shape (hop - 3,); -inf for silence."""
    return np.asarray(lufs(_sliding_mean(hop_power, 4)), dtype=np.float64)


def integrated_lufs(hop_power: NDArray[Any]) -> float | None:
    """Gated loudness of a power series per 100 ms (BS.1770-5, equations 3 to 7).

    None if no 400 ms block lies above the absolute gate of -70 LUFS.
    """
    return _gated(hop_power, _RELATIVE_GATE_LU)


def _gated(hop_power: NDArray[Any], gate_lu: float) -> float | None:
    blocks = _sliding_mean(hop_power, 4)
    blocks = blocks[blocks > power_of(_ABSOLUTE_GATE_LUFS)]
    if blocks.size == 0:
        return None
    gate = lufs(blocks.mean()) + gate_lu
    return float(lufs(blocks[blocks > power_of(gate)].mean()))


def gate_doubt_lu(hop_power: NDArray[Any], reach_lu: float = 1.0) -> float:
    """How much louder a sound would measure if its relative gate lay reach_lu higher.

    Near 0 for almost every sound. Where a few loud blocks stand alone over a quiet room it
    is large: which blocks count then hangs on changes that nobody hears, as of coding.
    """
    plain, higher = integrated_lufs(hop_power), _gated(hop_power, _RELATIVE_GATE_LU + reach_lu)
    return 0.0 if plain is None or higher is None else max(0.0, higher - plain)


def range_lu(hop_power: NDArray[Any]) -> float | None:
    """Loudness range (EBU Tech 3342): 10th to 95th percentile of gated short-term loudness.

    None under 3 s of sound above -70 LUFS.
    """
    windows = _sliding_mean(hop_power, 30)
    windows = windows[windows >= power_of(_ABSOLUTE_GATE_LUFS)]
    if windows.size == 0:
        return None
    gate = lufs(windows.mean()) + _RANGE_GATE_LU
    levels = lufs(windows[windows >= power_of(gate)])
    # Nearest rank, as the computation printed in Tech 3342 does.
    low, high = np.percentile(levels, [10, 95], method="nearest")
    return float(high - low)


def measure(
    blocks: Iterable[NDArray[Any]], channels: int, rate_hz: int = 48000, dual_mono: bool = False
) -> Loudness:
    """Loudness of a whole stream of blocks (channel, n)."""
    fold = LoudnessFold(channels, rate_hz, dual_mono)
    for block in blocks:
        fold.step(block)
    return fold.finish()


def tap(
    blocks: Iterable[NDArray[Any]], step: Callable[[NDArray[Any]], Any]
) -> Iterator[NDArray[Any]]:
    """Pass blocks on unchanged while a fold's `step` sees each of them."""
    for block in blocks:
        step(block)
        yield block
