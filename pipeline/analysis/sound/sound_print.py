"""A fingerprint of sound: what a copy is recognised by whose packets were coded anew, or never
were packets at all (a WAV taken out of a recording).

The method of Haitsma and Kalker, "A Highly Robust Audio Fingerprinting System" (ISMIR 2002): of
each moment 32 bits, whether the difference between two neighbouring bands, of 33 between 300
and 2000 Hz, grew or fell since the moment before. Loudness, coding and filters hardly change
them. A thinned print of one recording is looked for in the whole print of another one: equal
codes say where it may lie, the bits around say whether it does. Another speed and another sound
mixed over it are not undone.
"""

from __future__ import annotations

import base64
import zlib

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint32]

_RATE_HZ = 48_000
_DOWN = 8  # to 6 kHz
_FRAME = 2048  # .34 s
HOP_S = 128 * _DOWN / _RATE_HZ
_HOP = 128
_BANDS = 33
_LOW_HZ, _HIGH_HZ = 300.0, 2000.0
_QUIET = 1e-9  # mean square of the bands, -90 dBFS: what is below says nothing
THIN = 8  # one code in so many is kept
_WINDOW = 24  # kept codes, 4.1 s
_LEAST = 18  # of them that say something, none twice
_SHARED = 64  # a code that is there more often than this is that of a steady tone
_MOST = 2_000_000  # places that are looked at
# Measured on rooms, suction, noise, tones and speech of up to half an hour: of 140 pairs of other
# sounds the most alike reached .19; of 108 copies (AAC, MP3, 8 kHz, filtered, cut) 94 reached .58
# and more, 14 nothing: tones at 32 to 64 kbit/s, one steady suction at 32.
ALIKE = 0.4


class SoundPrintFold:
    """Codes of sound that comes in blocks (channel, sample) at 48 kHz."""

    def __init__(self) -> None:
        from scipy.signal import firwin

        self._taps = firwin(97, 2600, fs=_RATE_HZ).astype(np.float32)
        self._raw = np.zeros(0, np.float32)
        self._low = np.zeros(0, np.float32)
        edges = np.geomspace(_LOW_HZ, _HIGH_HZ, _BANDS + 1) * _FRAME * _DOWN / _RATE_HZ
        self._edges = np.round(edges).astype(int)
        self._hann = np.hanning(_FRAME).astype(np.float32)
        self._before: NDArray[np.float64] | None = None
        self._codes: list[Codes] = []

    def step(self, block: NDArray[np.float32]) -> None:
        """The next block, of whatever length."""
        from scipy.signal import upfirdn

        self._raw = np.concatenate([self._raw, block.mean(axis=0, dtype=np.float32)])
        reach = len(self._taps) - 1
        count = (len(self._raw) - reach) // _DOWN
        if count <= 0:
            return
        used = self._raw[: count * _DOWN + reach]
        # Only outputs that see no sample beyond an end.
        low = upfirdn(self._taps, used, 1, _DOWN)[reach // _DOWN :][:count]
        self._raw = self._raw[count * _DOWN :]
        self._low = np.concatenate([self._low, low.astype(np.float32)])
        frames = (len(self._low) - _FRAME) // _HOP + 1
        if frames <= 0:
            return
        view = np.lib.stride_tricks.sliding_window_view(self._low, _FRAME)[::_HOP][:frames]
        for start in range(0, frames, 512):
            self._frames(view[start : start + 512])
        self._low = self._low[frames * _HOP :]

    def _frames(self, view: NDArray[np.float32]) -> None:
        power = np.abs(np.fft.rfft(view * self._hann, axis=1)) ** 2
        bands = np.add.reduceat(power[:, : self._edges[-1]], self._edges[:-1], axis=1)
        if self._before is not None:
            bands = np.concatenate([self._before, bands])
        self._before = bands[-1:]
        slopes = np.diff(bands, axis=1)
        bits = np.packbits(np.diff(slopes, axis=0) < 0, axis=1, bitorder="little")
        codes = bits.view("<u4")[:, 0].astype(np.uint32)
        heard = bands[1:].sum(axis=1) > _QUIET * _FRAME * _FRAME / 4
        codes[~heard] = 0
        self._codes.append(codes)

    def finish(self) -> Codes:
        """(n) codes, one every `HOP_S`; 0 where there is nothing to be heard."""
        return np.concatenate(self._codes) if self._codes else np.zeros(0, np.uint32)


def thinned(codes: Codes) -> Codes:
    """What is kept of a print: one code in `THIN`."""
    return codes[::THIN]


def pack(codes: Codes) -> str:
    """Codes as text, about 31 characters a second of thinned ones; empty if all is silent."""
    if not codes.any():
        return ""
    return base64.b64encode(zlib.compress(codes.astype("<u4").tobytes())).decode()


def unpack(text: str) -> Codes:
    """The reverse of `pack`; nothing for text that is none."""
    try:
        data = zlib.decompress(base64.b64decode(text, validate=True))
        return np.frombuffer(data, "<u4").astype(np.uint32)
    except (ValueError, zlib.error):
        return np.zeros(0, np.uint32)


def sound_likeness(whole: Codes, thin: Codes) -> tuple[float, float]:
    """How alike two sounds are where they are most alike: (0 .. 1, seconds on the first).

    0 is chance, 1 every bit the same. whole: all codes of the first; thin: those kept of the
    other. (0, 0) where one of them is too short or too quiet.
    """
    if len(thin) < _WINDOW or len(whole) < _WINDOW * THIN:
        return 0.0, 0.0
    number, place = _places(whole, thin)
    # Where the window around a code begins, in both; the two ends are met by fewer codes before.
    begin = np.clip(number - _WINDOW // 2, 0, len(thin) - _WINDOW)
    at = place - (number - begin) * THIN
    good = (at >= 0) & (at + (_WINDOW - 1) * THIN < len(whole))
    begin, at = begin[good], at[good]
    best, best_s = 0.0, 0.0
    steps = np.arange(_WINDOW)
    for start in range(0, len(at), 8192):
        mine = whole[at[start : start + 8192, None] + steps * THIN]
        other = thin[begin[start : start + 8192, None] + steps]
        says = (mine != 0) & (other != 0)
        ordered = np.sort(np.where(says, other, 0), axis=1)
        distinct = (np.diff(ordered, axis=1) != 0).sum(axis=1)
        unlike = np.where(says, np.bitwise_count(mine ^ other), 0).sum(axis=1)
        score = 1 - unlike / (16 * np.maximum(says.sum(axis=1), 1))
        score = np.where(distinct >= _LEAST, score, 0.0)
        if len(score) and score.max() > best:
            best = float(score.max())
            best_s = float(at[start + int(np.argmax(score))]) * HOP_S
    return best, best_s


def _places(whole: Codes, thin: Codes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(number in thin, place in whole) of codes that are equal, or differ in one bit alone."""
    order = np.argsort(whole, kind="stable")
    ordered = whole[order]
    flips = np.concatenate([[0], 1 << np.arange(32)]).astype(np.uint32)
    wanted = (thin[None] ^ flips[:, None]).ravel()  # the equal ones first
    first, last = (np.searchsorted(ordered, wanted, side) for side in ("left", "right"))
    says = np.tile(thin != 0, len(flips)) & (wanted != 0)
    count = np.where(says & (last - first <= _SHARED), last - first, 0)
    found = np.flatnonzero(count)
    found = found[np.cumsum(count[found]) <= _MOST]
    count, first = count[found], first[found]
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.repeat(found % len(thin), count), order[np.repeat(first, count) + within]
