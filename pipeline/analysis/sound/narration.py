"""The narrator's track: clean-up, alignment with the recording, and live narration.

Clean-up takes rumble and hum away and avoids clicks; nothing else is coloured. Blocks
are (channel, n) float32 at full scale 1.0, in order, of any size.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError

Samples = NDArray[np.float32]

RUMBLE_HZ = 60.0
"""Corner of the rumble filter; the lowest speaking voices start near 80 Hz (common practice)."""

# --------------------------------------------------------------------------- clean-up


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
                    for k in range(1, self._HARMONICS + 1) if mains * k < 620
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


# -------------------------------------------------------------------------- alignment

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


# --------------------------------------------------------------------- live narration

_RNNOISE_HOP = 480


def _rnnoise() -> Any:
    """The RNNoise library inside the wheel pyrnnoise, loaded without its Python side.

    Its Python package would pull matplotlib and more into the process.
    Raises UsageError if the wheel is not installed.
    """
    from importlib.metadata import PackageNotFoundError, files

    try:
        shipped = files("pyrnnoise") or []
    except PackageNotFoundError:
        shipped = []
    for item in sorted(shipped, key=str):
        if "rnnoise" in item.name and item.name.endswith((".so", ".dylib", ".dll")):
            library = ctypes.CDLL(str(item.locate()))
            library.rnnoise_create.argtypes = [ctypes.c_void_p]
            library.rnnoise_create.restype = ctypes.c_void_p
            library.rnnoise_destroy.argtypes = [ctypes.c_void_p]
            pointer = ctypes.POINTER(ctypes.c_float)
            library.rnnoise_process_frame.argtypes = [ctypes.c_void_p, pointer, pointer]
            library.rnnoise_process_frame.restype = ctypes.c_float
            return library
    raise UsageError(
        "Live narration needs the package that splits voice from room",
        "pyrnnoise is not installed",
        "run: pip install 'fieldstop[live]', or give the narration as a file or a channel",
    )


def live_available() -> bool:
    """True if live narration can be split here."""
    try:
        _rnnoise()
    except UsageError:
        return False
    return True


class LiveSplit:
    """Splits one microphone into the voice and the rest, sample-aligned.

    Takes blocks (channel, n) at 48 kHz; the channels are split one by one. The voice
    that RNNoise gives comes `delay` samples late; the sound is held back by as much,
    and rest = sound - voice, so voice + rest is the sound again, sample by sample.
    The rest still holds speech: it is never anonymised.
    Raises UsageError if pyrnnoise is not installed.
    """

    delay = 960

    def __init__(self, channels: int) -> None:
        self._library = _rnnoise()
        self._states = [self._library.rnnoise_create(None) for _ in range(channels)]
        self._waiting = np.zeros((channels, 0), np.float32)
        self._sound = np.zeros((channels, 0), np.float32)
        self._skip = self.delay

    def __del__(self) -> None:
        for state in getattr(self, "_states", []):
            self._library.rnnoise_destroy(state)

    def step(self, block: Samples) -> tuple[Samples, Samples]:
        """(voice, rest) that are ready, each (channel, m), m may be 0."""
        block = np.asarray(block, dtype=np.float32)
        self._sound = np.concatenate([self._sound, block], axis=1)
        self._waiting = np.concatenate([self._waiting, block], axis=1)
        hops = self._waiting.shape[1] // _RNNOISE_HOP
        frames = self._waiting[:, : hops * _RNNOISE_HOP] * np.float32(32768.0)
        self._waiting = self._waiting[:, hops * _RNNOISE_HOP :].copy()
        voice = np.ascontiguousarray(frames)
        pointer = ctypes.POINTER(ctypes.c_float)
        for row, state in zip(voice, self._states, strict=True):
            for at in range(0, row.size, _RNNOISE_HOP):
                place = row[at : at + _RNNOISE_HOP].ctypes.data_as(pointer)
                self._library.rnnoise_process_frame(state, place, place)
        voice /= np.float32(32768.0)
        dropped = min(self._skip, voice.shape[1])
        self._skip -= dropped
        voice = voice[:, dropped:]
        sound = self._sound[:, : voice.shape[1]]
        self._sound = self._sound[:, voice.shape[1] :].copy()
        return voice, sound - voice

    def finish(self) -> tuple[Samples, Samples]:
        """What is still inside."""
        left = self._sound.shape[1]
        zeros = np.zeros((self._sound.shape[0], self.delay + _RNNOISE_HOP), np.float32)
        voice, rest = self.step(zeros)
        return voice[:, :left], rest[:, :left]


def split_live(blocks: Iterable[Samples]) -> Iterator[tuple[Samples, Samples]]:
    """(voice, rest) of a stream of blocks (channel, n) at 48 kHz; see `LiveSplit`."""
    split: LiveSplit | None = None
    for block in blocks:
        split = split or LiveSplit(block.shape[0])
        voice, rest = split.step(block)
        if voice.shape[1]:
            yield voice, rest
    if split is not None:
        voice, rest = split.finish()
        if voice.shape[1]:
            yield voice, rest


# ---------------------------------------------------------------------------- pictures


class EnvelopePictureFold:
    """Lowest and highest sample in each of `points` equal parts, for a waveform picture."""

    def __init__(self, points: int, length: int) -> None:
        self._edges = np.linspace(0, max(1, length), points + 1).astype(np.int64)
        self._low = np.zeros(points, np.float32)
        self._high = np.zeros(points, np.float32)
        self._at = 0

    def step(self, block: Samples) -> None:
        """Take a block (channel, n)."""
        count = block.shape[1]
        if count == 0:
            return
        low, high = block.min(axis=0), block.max(axis=0)
        part = np.searchsorted(self._edges, np.arange(self._at, self._at + count), "right") - 1
        part = np.clip(part, 0, self._low.size - 1)
        starts = np.flatnonzero(np.concatenate([[True], np.diff(part) > 0]))
        where = part[starts]
        self._low[where] = np.minimum(self._low[where], np.minimum.reduceat(low, starts))
        self._high[where] = np.maximum(self._high[where], np.maximum.reduceat(high, starts))
        self._at += count

    def finish(self) -> NDArray[np.float32]:
        """(2, points): lowest and highest value."""
        return np.stack([self._low, self._high])


class MelPictureFold:
    """Mel power picture of a stream: `columns` equal parts in time, `bands` mel bands.

    length: samples in the stream.
    """

    _FFT = 2048

    def __init__(self, columns: int, length: int, bands: int = 64, rate_hz: int = 48000) -> None:
        from librosa.filters import mel

        top_hz = min(12000.0, rate_hz / 2)
        self._mel = mel(sr=rate_hz, n_fft=self._FFT, n_mels=bands, fmin=50.0, fmax=top_hz)
        self._length = max(1, length)
        self._power = np.zeros((bands, columns))
        self._frames = np.zeros(columns)
        self._left = np.zeros(0, np.float32)
        self._at = 0

    def step(self, block: Samples) -> None:
        """Take a block (channel, n)."""
        mono = np.concatenate([self._left, np.asarray(block, np.float32).mean(axis=0)])
        frames = mono.size // self._FFT
        self._left = mono[frames * self._FFT :].copy()
        if not frames:
            return
        pieces = mono[: frames * self._FFT].reshape(frames, self._FFT)
        spectrum = np.square(np.abs(np.fft.rfft(pieces * np.hanning(self._FFT), axis=1)))
        centre = self._at + (np.arange(frames) + 0.5) * self._FFT
        self._at += frames * self._FFT
        column = (centre * self._frames.size / self._length).astype(np.int64)
        column = np.minimum(column, self._frames.size - 1)
        np.add.at(self._power.T, column, spectrum @ self._mel.T)
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
        return np.maximum(10.0 * np.log10(mean / top + 1e-12), -80.0).astype(np.float32)
