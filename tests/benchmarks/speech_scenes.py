"""Generated rooms and procedure sounds at 16 kHz, to teach the third detector of speech.

Written apart from tests/analysis/sound_makers.py and wider: what is measured on those
sounds was not taught on them. Arrays are (sample,) float64 of no fixed level. That suction
hisses, rises, whistles, gurgles and chops is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, lfilter

RATE_HZ = 16000
Sound = NDArray[np.float64]
Rng = np.random.Generator


def between(rng: Rng, low: float, high: float) -> float:
    """Drawn evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def level(sound: Sound, db: float) -> Sound:
    return sound * (10 ** (db / 20) / (np.sqrt(np.mean(np.square(sound))) + 1e-12))


def wander(rng: Rng, count: int, rate_hz: float) -> Sound:
    """A random curve of about unit variance, `rate_hz` points a second, bent or stepped."""
    points = rng.standard_normal(int(count / RATE_HZ * rate_hz) + 4)
    at = np.arange(count) * rate_hz / RATE_HZ + rng.random()
    if rng.random() < 0.2:
        return points[at.astype(int)]
    return np.interp(at, np.arange(points.size), points)


def on_off(rng: Rng, count: int) -> Sound:
    """On and off, 0..1, at a pace of its own, with edges of 3 to 200 ms."""
    out = np.zeros(count)
    on_s, off_s = between(rng, 0.08, 6), between(rng, 0.08, 5)
    at, on = 0, rng.random() < 0.5
    while at < count:
        size = int(RATE_HZ * (on_s if on else off_s) * between(rng, 0.4, 2.5)) + 1
        out[at : at + size] = float(on) * rng.uniform(0.5, 1)
        at, on = at + size, not on
    edge = int(between(rng, 0.003, 0.2) * RATE_HZ)
    return np.convolve(np.pad(out, edge, mode="edge"), np.hanning(edge + 2)[1:-1], "same")[
        edge:-edge
    ] / (edge / 2 + 0.5)


def shaken(rng: Rng, count: int) -> Sound:
    """A gain that gurgles, throbs or rests."""
    kind = rng.integers(4)
    if kind == 0:
        return np.ones(count)
    if kind == 1:
        return np.exp(rng.uniform(0.1, 1.0) * wander(rng, count, between(rng, 1, 40)))
    beat = np.cumsum(between(rng, 0.4, 25) * np.exp(0.2 * wander(rng, count, 2))) / RATE_HZ
    wave = 0.5 + 0.5 * np.sin(2 * np.pi * beat)
    return 1 - rng.uniform(0.2, 1) * (wave ** rng.uniform(0.5, 6) if kind == 2 else wave > 0.5)


def tinted(rng: Rng, sound: Sound, depth_db: float) -> Sound:
    """A filter with a smooth random curve over log frequency."""
    spectrum = np.fft.rfft(sound)
    knots = np.geomspace(50, 8000, int(rng.integers(3, 14)))
    curve = np.interp(
        np.log(np.maximum(np.fft.rfftfreq(sound.size, 1 / RATE_HZ), 30)),
        np.log(knots),
        rng.normal(0, depth_db, knots.size),
    )
    return np.fft.irfft(spectrum * 10 ** (curve / 20), sound.size)


def noise(rng: Rng, count: int, slope: float | None = None) -> Sound:
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.maximum(np.fft.rfftfreq(count, 1 / RATE_HZ), 40)
    slope = rng.uniform(-9, 3) if slope is None else slope
    spectrum *= 10 ** (slope * np.log2(hz / 40) / 20)
    return np.fft.irfft(spectrum, count)


def moving_resonance(rng: Rng, sound: Sound) -> Sound:
    """Two-pole resonances that stand, step or slide in blocks of 5 ms."""
    out, size = np.zeros(sound.size), 80
    for _ in range(int(rng.integers(1, 4))):
        centre = between(rng, 150, 6000) * 2 ** (
            rng.uniform(0, 0.8) * wander(rng, sound.size // size + 1, between(rng, 0.3, 6) * size)
        )
        centre = np.clip(centre, 80, 7600)
        radius = 1 - np.pi * between(rng, 30, 600) / RATE_HZ
        state, part = np.zeros(2), np.zeros(sound.size)
        for k, hz in enumerate(centre):
            piece = sound[k * size : (k + 1) * size]
            if not piece.size:
                break
            a = [1, -2 * radius * np.cos(2 * np.pi * hz / RATE_HZ), radius**2]
            own = slice(k * size, k * size + piece.size)
            part[own], state = lfilter([1 - radius], a, piece, zi=state)
        out += level(part, 0) * rng.uniform(0.3, 1)
    return out


def hiss(rng: Rng, count: int) -> Sound:
    """Suction, ventilation, an open tube."""
    sound = level(tinted(rng, noise(rng, count), rng.uniform(0, 9)), 0)
    if rng.random() < 0.5:
        sound += rng.uniform(0.3, 2) * level(moving_resonance(rng, rng.standard_normal(count)), 0)
    return sound * shaken(rng, count) * (on_off(rng, count) if rng.random() < 0.7 else 1)


def pitch_path(rng: Rng, count: int) -> Sound:
    t = np.arange(count) / RATE_HZ
    base, kind = between(rng, 45, 3500), rng.integers(5)
    if kind == 0:
        path = np.full(count, base)
    elif kind == 1:  # rises or falls again and again
        period = between(rng, 0.3, 8)
        path = base * 2 ** (rng.uniform(-3, 3) * ((t / period) % 1) ** rng.uniform(0.5, 2))
    elif kind == 2:
        path = base * 2 ** (rng.uniform(0.02, 0.8) * wander(rng, count, between(rng, 0.5, 15)))
    elif kind == 3:  # notes
        steps = rng.integers(-12, 13, int(count / RATE_HZ * 8) + 2)
        path = base * 2 ** (steps[(t * between(rng, 0.5, 8)).astype(int)] / 12)
    else:
        path = base * (1 + rng.uniform(0, 0.1) * np.sin(2 * np.pi * between(rng, 0.5, 12) * t))
    return np.clip(path, 30, 7000) * (1 + rng.uniform(0, 0.02) * wander(rng, count, 20))


def tones(rng: Rng, count: int) -> Sound:
    """Pumps, whistles, rising suction, squeals, drills, alarms, music-like notes."""
    path = pitch_path(rng, count)
    phase = 2 * np.pi * np.cumsum(path) / RATE_HZ
    fall, out = rng.uniform(0, 2.5), np.zeros(count)
    odd = rng.random() < 0.2
    for k in range(1, int(rng.integers(1, 24)) + 1):
        if odd and k % 2 == 0:
            continue
        if path.min() * k > 7800:
            break
        part = np.where(path * k < 7800, np.sin(k * phase + rng.uniform(0, 6.3)), 0)
        out += part * rng.uniform(0.2, 1) / k**fall
    if rng.random() < 0.5:
        out = tinted(rng, out, rng.uniform(2, 12))
    out = level(out, 0) * shaken(rng, count)
    if rng.random() < 0.6:
        out *= on_off(rng, count)
    return out + level(noise(rng, count), rng.uniform(-50, 0))


def events(rng: Rng, count: int) -> Sound:
    """Bubbles, knocks, metal, crackle, steps, doors, cloth: short sounds, at random or in time."""
    out, seconds = np.zeros(count), count / RATE_HZ
    per_s = between(rng, 0.3, 40)
    if rng.random() < 0.35:
        gap = 1 / min(per_s, 8)
        at = np.arange(rng.uniform(0, gap), seconds, gap)
        at = at + rng.normal(0, gap * rng.uniform(0, 0.15), at.size)
    else:
        at = rng.uniform(0, seconds, rng.poisson(per_s * seconds) + 1)
    longest = between(rng, 0.004, 0.6)
    low, high = between(rng, 60, 1500), between(rng, 300, 7000)
    low, high = min(low, high), max(low, high)
    noisy, glide, partials = rng.random() ** 2, rng.uniform(-3, 6), int(rng.integers(1, 7))
    attack = between(rng, 0.0005, 0.08)
    colour = rng.uniform(-9, 3)
    for second in at[:400]:
        size = int(max(0.004, longest * between(rng, 0.3, 1)) * RATE_HZ)
        start = int(np.clip(second, 0, seconds - 0.01) * RATE_HZ)
        size = min(size, count - start)
        t = np.arange(size) / RATE_HZ
        shape = np.minimum(1, t / attack) * np.exp(-t * rng.uniform(3, 8) / longest)
        piece = np.zeros(size)
        for _ in range(partials):
            hz = between(rng, low, high + 1)
            piece += rng.uniform(0.2, 1) * np.sin(
                2 * np.pi * hz * (t + glide * t * t / 2) + rng.uniform(0, 6.3)
            )
        piece = (1 - noisy) * piece / partials**0.5
        if noisy > 0.05 and size > 32:
            piece += noisy * level(noise(rng, size, colour), 0)
        out[start : start + size] += piece * shape * between(rng, 0.1, 1)
    return out + level(noise(rng, count), rng.uniform(-60, -15)) * np.abs(out).max()


def hum(rng: Rng, count: int) -> Sound:
    phase = 2 * np.pi * np.arange(count) / RATE_HZ * (rng.choice([50, 60]) + rng.normal(0, 0.1))
    parts = [rng.random() / k * np.sin(k * phase + rng.uniform(0, 6)) for k in range(1, 12)]
    return np.sum(parts, axis=0) * shaken(rng, count)


KINDS: dict[str, Callable[[Rng, int], Sound]] = {
    "hiss": hiss, "tones": tones, "events": events, "hum": hum,
}  # fmt: skip


def room(rng: Rng) -> Sound:
    """An impulse response: early reflections and a tail that loses its highs first."""
    tail_s = between(rng, 0.08, 1.3)
    count = int(tail_s * RATE_HZ)
    t = np.arange(count) / RATE_HZ
    tail = np.zeros(count)
    for slope, share in ((-4.0, 1.0), (3.0, rng.uniform(0.3, 0.8))):
        tail += level(noise(rng, count, slope), 0) * np.exp(-6.9 * t / (tail_s * share))
    tail[: int(rng.uniform(0.001, 0.015) * RATE_HZ)] = 0
    for _ in range(int(rng.integers(2, 10))):
        at = int(rng.uniform(0.001, 0.04) * RATE_HZ)
        if at < count:
            tail[at] += rng.normal() * np.abs(tail).max() * 3
    tail /= np.sqrt(np.sum(tail**2)) + 1e-12
    tail[0] += 10 ** (rng.uniform(-9, 15) / 20)
    return tail / np.sqrt(np.sum(tail**2))


def procedure(rng: Rng, count: int) -> Sound:
    """One to four sounds in one room, over the noise of the room."""
    out = level(noise(rng, count), rng.uniform(-60, -25))
    for _ in range(int(rng.integers(1, 4))):
        kind = str(rng.choice(list(KINDS), p=[0.35, 0.35, 0.25, 0.05]))
        sound = KINDS[kind](rng, count)
        out += level(sound, -rng.uniform(0, 1) ** 2 * 20)
    if rng.random() < 0.6:
        out = fftconvolve(out, room(rng))[:count]
    return out
