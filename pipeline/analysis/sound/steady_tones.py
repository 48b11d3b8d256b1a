"""Tones of a machine that stand on both sides of replaced speech, carried through it.

A tone is carried if it stands right beside the span on both sides, in every part of STANDS_S and
more, keeps time better than a voice does, and has the same frequency on both sides. It is made of
what was measured outside: its phase runs from one side to the other by a cubic (McAulay and
Quatieri 1986), its level in dB by a straight line. Arrays are (channel, sample).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Sound = NDArray[np.floating]
Complex = NDArray[np.complex128]

STANDS_S = 0.85
LATE_S, LATE_RAD = 6e-5, 0.35
"""RMS by which a tone may be before or behind its time, and in phase.

A vowel sung on pitch is off by .11 ms: the flutter of Klatt and Klatt (1990). In 3655 pieces of 1 s
and 4795 of .7 s of recorded speech (speech_teach.py, 'dev') no tone was found on even one side."""
APART = 0.001
"""Of the frequency: how far the two sides may differ."""
_PART_S, _STEP_S = 0.125, 0.015625
_OVER_FLOOR, _FLOOR_HZ = 40.0, 60.0  # power of a peak over the median around it
_MOST, _LEAST_HZ, _MOST_HZ = 60, 30.0, 12000.0
_LEAST_PART = 0.35  # of its usual amplitude, in every part
_SHARE, _SHARE_HZ = 0.5, 20.0  # of what lies so near, a line must hold
_LOUDER_DB = 6.0  # one side over the other
_NEAR = 20  # parts, .4 s, whose mean is the tone at the end


@dataclass(frozen=True)
class Tone:
    """At the end of a side that lies at the span: frequency, and (channel,) amplitude and phase."""

    hz: float
    size: Complex


def _peaks(sound: Sound, rate_hz: int) -> list[float]:
    """Frequencies of narrow peaks, the strongest first, refined by a parabola."""
    from scipy.ndimage import median_filter

    size = sound.shape[1]
    window = np.hanning(size + 1)[:-1]
    power = np.square(np.abs(np.fft.rfft(sound * window, 2 * size, axis=1))).sum(axis=0)
    bin_hz = rate_hz / (2 * size)
    power = power[: int(min(_MOST_HZ, 0.45 * rate_hz) / bin_hz)]
    few = power[: power.size // 8 * 8].reshape(-1, 8).mean(axis=1)
    floor = median_filter(few, max(3, round(2 * _FLOOR_HZ / bin_hz / 8)), mode="nearest")
    floor = np.interp(np.arange(power.size), (np.arange(few.size) + 0.5) * 8, floor)
    near = power[1:-1]
    top = (near > power[:-2]) & (near >= power[2:]) & (near > _OVER_FLOOR * floor[1:-1] + 1e-12)
    at = np.flatnonzero(top) + 1
    at = at[at * bin_hz >= _LEAST_HZ]
    at = at[np.argsort(-power[at])][: 3 * _MOST]
    # A vibrato leaves a line among its side bands, at some depths as the strongest of them.
    sums = np.concatenate([[0.0], np.cumsum(power)])

    def within(hz: float) -> Floats:
        far = max(4, round(hz / bin_hz))
        high, low = np.minimum(at + far + 1, power.size), np.maximum(at - far, 0)
        return np.asarray(sums[high] - sums[low])

    at = at[within(0.0) >= _SHARE * within(_SHARE_HZ)]
    a, b, c = (np.log(power[at + k] + 1e-30) for k in (-1, 0, 1))
    shift = 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)
    out: list[float] = []
    for hz in (at + shift) * bin_hz:
        if all(abs(hz - other) > 2 / _PART_S for other in out):  # a side lobe, or not told apart
            out.append(float(hz))
    return out[:_MOST]


def standing(sound: Sound, rate_hz: int, side: int) -> list[Tone]:
    """Tones that stand all along a piece right beside a span.

    side: -1 if the piece lies before the span, +1 if after. Phases are those at its end, or start.
    """
    if sound.shape[1] < STANDS_S * rate_hz:
        return []
    peaks = np.asarray(_peaks(sound, rate_hz))
    if not peaks.size:
        return []
    part, step = round(_PART_S * rate_hz), round(_STEP_S * rate_hz)
    frames = np.lib.stride_tricks.sliding_window_view(sound, part, axis=1)[:, ::step]
    window = np.hanning(part + 1)[:-1]
    at = np.arange(part)[:, None] / rate_hz
    turns = np.exp(-2j * np.pi * peaks * at) * (window * 2 / window.sum())[:, None]
    held = frames @ turns  # (channel, part, tone)
    starts_s = np.arange(held.shape[1]) * step / rate_hz
    held = held * np.exp(-2j * np.pi * peaks * starts_s[:, None])
    edge_s = sound.shape[1] / rate_hz if side < 0 else 0.0
    tones = [_steady(held[:, :, k], float(hz), starts_s + _PART_S / 2, edge_s, side)
             for k, hz in enumerate(peaks)]  # fmt: skip
    return [tone for tone in tones if tone is not None]


def _steady(held: Complex, hz: float, centres_s: Floats, edge_s: float, side: int) -> Tone | None:
    """The tone of (channel, part) amplitudes against `hz`, None if it does not stand."""
    loud = np.abs(held).sum(axis=0)
    if loud.min() < _LEAST_PART * np.median(loud):
        return None
    best = held[int(np.argmax(np.square(np.abs(held)).sum(axis=1)))]
    phase = np.unwrap(np.angle(best))
    slope, start = np.polyfit(centres_s, phase, 1)
    late = float(np.sqrt(np.mean(np.square(phase - start - slope * centres_s))))
    hz += slope / (2 * np.pi)
    if late > min(LATE_RAD, 2 * np.pi * hz * LATE_S):
        return None
    even = held * np.exp(-1j * slope * centres_s)  # against the frequency found
    near = even[:, -_NEAR:] if side < 0 else even[:, :_NEAR]
    size = near.mean(axis=1) * np.exp(2j * np.pi * hz * edge_s)
    return Tone(hz, size)


def in_both(left: Sequence[Tone], right: Sequence[Tone]) -> list[tuple[Tone, Tone]]:
    """Tones before a span with the same tones after it."""
    out = []
    for one in left:
        other = min(right, key=lambda t: abs(t.hz - one.hz), default=None)
        if other is None or abs(other.hz - one.hz) > APART * one.hz:
            continue
        step_db = 20 * np.log10(np.abs(one.size).sum() / np.abs(other.size).sum())
        if abs(step_db) <= _LOUDER_DB:
            out.append((one, other))
    return out


def without(sound: Sound, tones: Sequence[Tone], rate_hz: int, side: int) -> Floats:
    """A piece beside a span without its tones."""
    at_s = (np.arange(sound.shape[1]) - (sound.shape[1] if side < 0 else 0)) / rate_hz
    out = sound.astype(np.float64)
    for tone in tones:
        out -= (tone.size[:, None] * np.exp(2j * np.pi * tone.hz * at_s)).real
    return out


def carried(
    pairs: Sequence[tuple[Tone, Tone]], gap: int, start: int, stop: int, rate_hz: int
) -> Floats:
    """Samples [start, stop) of the tones, counted from the end of the piece before.

    gap: samples from there to the start of the piece after.
    """
    channels = pairs[0][0].size.size if pairs else 1
    out = np.zeros((channels, stop - start))
    share = np.arange(start, stop) / gap
    whole_s = gap / rate_hz
    for one, other in pairs:
        first, last = 2 * np.pi * one.hz * whole_s, 2 * np.pi * other.hz * whole_s
        ends = np.angle(other.size) - np.angle(one.size)
        best = int(np.argmax(np.abs(one.size) + np.abs(other.size)))
        # So many whole turns that the frequency moves least, for all channels alike.
        wanted = (first + last) / 2
        turns = ends[best] + 2 * np.pi * np.round((wanted - ends[best]) / (2 * np.pi))
        turned = turns + np.angle(np.exp(1j * (ends - ends[best])))
        rest = (turned - first)[:, None]
        cubic = (3 * rest - (last - first)) * share**2 + ((last - first) - 2 * rest) * share**3
        phase = np.angle(one.size)[:, None] + first * share + cubic
        low, high = (np.maximum(np.abs(t.size), 1e-9)[:, None] for t in (one, other))
        out += low ** (1 - share) * high**share * np.cos(phase)
    return out
