"""Procedure sounds of 15 kinds and rooms, by models of their own, for speech_kept.py.

They are not those of speech_scenes.py, on which a detector was taught, nor of
tests/analysis/sound_makers.py. How they behave is common practice, no source, but for: bubbles
ring at a frequency that falls with their size (Minnaert 1933), alarms are bursts of three, five
or ten harmonic pulses (IEC 60601-1-8; the pattern from memory). Arrays are (sample,) float64 at
16 kHz.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, lfilter, sosfilt

RATE_HZ = 16000
Sound = NDArray[np.float64]
Rng = np.random.Generator


def logdraw(rng: Rng, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())


def unit(sound: Sound) -> Sound:
    return sound / (np.sqrt(np.mean(np.square(sound))) + 1e-12)


def curve(rng: Rng, count: int, rate_hz: float) -> Sound:
    """A smooth curve of about unit variance: noise through a lowpass, by cubic-like knots."""
    size = max(6, int(count / RATE_HZ * rate_hz) + 6)
    knots = np.convolve(rng.standard_normal(size), [0.25, 0.5, 0.25], "same") * 1.6
    return np.interp(np.linspace(1, size - 2, count), np.arange(size), knots)


def pink(rng: Rng, count: int, power: float) -> Sound:
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.maximum(np.fft.rfftfreq(count, 1 / RATE_HZ), 30)
    return unit(np.fft.irfft(spectrum * hz**-power, count))


def tube(rng: Rng, sound: Sound) -> Sound:
    """An open tube: modes at odd or all multiples of one frequency, damped more the higher."""
    base, step, out = logdraw(rng, 90, 900), int(rng.integers(1, 3)), 0.4 * unit(sound)
    for k in range(1, 12, step):
        hz = base * k * (1 + 0.01 * rng.standard_normal())
        if hz > 7000:
            break
        radius = np.exp(-np.pi * hz / logdraw(rng, 4, 25) / RATE_HZ)
        pole = [1, -2 * radius * np.cos(2 * np.pi * hz / RATE_HZ), radius**2]
        out += unit(lfilter([1.0], pole, sound)) * rng.uniform(0.2, 1) / k ** rng.uniform(0, 1)
    return unit(out)


def swept(phase_hz: Sound, parts: int, fall: float, rng: Rng) -> Sound:
    """Harmonics of a moving pitch."""
    phase = 2 * np.pi * np.cumsum(phase_hz) / RATE_HZ
    return np.sum([np.where(k * phase_hz < 7600, np.sin(k * phase + rng.uniform(0, 6.3)), 0)
                   * k**-fall for k in range(1, parts + 1)], axis=0)  # fmt: skip


def times(rng: Rng, per_s: float, count: int) -> NDArray[np.int64]:
    gaps = rng.gamma(2.0, 0.5 / per_s, int(per_s * count / RATE_HZ * 2) + 8)
    at = (np.cumsum(gaps) * RATE_HZ).astype(np.int64)
    return at[at < count]


def put(out: Sound, at: int, piece: Sound) -> None:
    piece = piece[: out.size - at]
    out[at : at + piece.size] += piece


def stretches(rng: Rng, count: int, on_s: float, off_s: float, edge_s: float) -> Sound:
    out, at = np.zeros(count), -int(rng.uniform(0, on_s) * RATE_HZ)
    while at < count:
        size = int(rng.gamma(3, on_s / 3) * RATE_HZ) + 1
        out[max(0, at) : max(0, at + size)] = 1
        at += size + int(rng.gamma(3, off_s / 3) * RATE_HZ) + 1
    edge = max(3, int(edge_s * RATE_HZ))
    window = np.hanning(edge + 2)[1:-1]
    return fftconvolve(np.pad(out, edge, "edge"), window / window.sum(), "same")[edge:-edge]


def flow(rng: Rng, count: int) -> Sound:
    return np.exp(rng.uniform(0.05, 0.35) * curve(rng, count, logdraw(rng, 0.5, 12)))


def suction(rng: Rng, count: int) -> Sound:
    hiss = tube(rng, pink(rng, count, rng.uniform(0, 0.9))) * flow(rng, count)
    return hiss if rng.random() < 0.4 else hiss * stretches(rng, count, 3, 1.5, 0.15)


def glided(rng: Rng, sound: Sound, path_hz: Sound, width_hz: float) -> Sound:
    """A resonance that follows a path."""
    out, size, state = np.zeros(sound.size), 64, np.zeros(2)
    radius = np.exp(-np.pi * width_hz / RATE_HZ)
    for at in range(0, sound.size, size):
        hz = np.clip(path_hz[at], 60, 7500)
        pole = [1, -2 * radius * np.cos(2 * np.pi * hz / RATE_HZ), radius**2]
        out[at : at + size], state = lfilter([1 - radius], pole, sound[at : at + size], zi=state)
    return unit(out)


def rising(rng: Rng, count: int) -> Sound:
    """The tip comes nearer to tissue: pitch and level rise, then it is let go."""
    ramp, at = np.zeros(count), 0
    while at < count:
        size = int(logdraw(rng, 0.3, 4) * RATE_HZ)
        ramp[at : at + size] = (np.arange(size) / size)[: count - at] ** rng.uniform(0.6, 3)
        at += size + int(rng.uniform(0, 1.5) * RATE_HZ)
    path = logdraw(rng, 200, 900) * 2 ** (rng.uniform(0.8, 3) * ramp)
    noise = rng.standard_normal(count)
    tonal = glided(rng, noise, path, logdraw(rng, 30, 300))
    second = glided(rng, noise, 2.7 * path, logdraw(rng, 60, 500))
    return (tonal + 0.5 * second) * (0.3 + ramp) + 0.5 * suction(rng, count)


def whistling(rng: Rng, count: int) -> Sound:
    """A vortex at the hole: a narrow band that jumps between modes of the tube."""
    base = logdraw(rng, 500, 1800)
    steps = rng.integers(1, 4, count // 2000 + 2)[np.arange(count) // int(logdraw(rng, 2e3, 2e4))]
    path = base * steps * 2 ** (0.08 * curve(rng, count, logdraw(rng, 1, 8)))
    path = fftconvolve(np.pad(path, 400, "edge"), np.ones(401) / 401, "same")[400:-400]
    width = logdraw(rng, 4, 90)
    tone = glided(rng, rng.standard_normal(count), path, width) * stretches(rng, count, 1.2, 1, 0.1)
    return tone + rng.uniform(0.1, 0.8) * suction(rng, count)


def blocked(rng: Rng, count: int) -> Sound:
    """Stuttering: the flow stops and breaks through again some times a second."""
    rate = logdraw(rng, 2, 16) * np.exp(0.4 * curve(rng, count, 1.5))
    beat = np.cumsum(rate) / RATE_HZ % 1
    shut = np.clip((beat - rng.uniform(0.1, 0.6)) * logdraw(rng, 4, 40), 0, 1)
    hiss = tube(rng, pink(rng, count, rng.uniform(0, 0.8)))
    thud = unit(sosfilt(butter(2, [50, 300], "band", fs=RATE_HZ, output="sos"),
                        rng.standard_normal(count)))  # fmt: skip
    part = stretches(rng, count, 1.5, 1.0, 0.05)
    stutter = hiss * (1 - rng.uniform(0.5, 1) * shut) + thud * shut * rng.uniform(0, 0.8)
    return part * stutter + (1 - part) * rng.uniform(0.1, 1) * hiss * flow(rng, count)


def bubbling(rng: Rng, count: int) -> Sound:
    """Single bubbles: short tones that rise a little while they die away."""
    out, gusts = np.zeros(count), np.exp(0.9 * curve(rng, count, logdraw(rng, 1, 6)))
    middle, spread = logdraw(rng, 350, 1800), rng.uniform(0.2, 0.7)
    for at in times(rng, logdraw(rng, 6, 70), count):
        hz = float(np.clip(middle * np.exp(spread * rng.standard_normal()), 120, 6000))
        length_s = min(0.3, rng.uniform(8, 30) / hz)
        t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
        ring = np.sin(2 * np.pi * hz * (t + rng.uniform(0, 3) * t * t)) * np.exp(-5 * t / length_s)
        ring *= np.minimum(1, t / 0.002)
        put(out, int(at), ring * gusts[at] * logdraw(rng, 0.1, 1))
    return unit(out) + rng.uniform(0, 0.7) * suction(rng, count)


def pump(rng: Rng, count: int) -> Sound:
    pitch = logdraw(rng, 18, 160) * (1 + 0.02 * curve(rng, count, logdraw(rng, 0.2, 3)))
    tone = swept(pitch, 40, rng.uniform(0.2, 1.2), rng)
    tone = tube(rng, tone) * (1 + rng.uniform(0, 0.6) * np.sin(
        2 * np.pi * logdraw(rng, 0.5, 8) * np.arange(count) / RATE_HZ))  # fmt: skip
    on = 1.0 if rng.random() < 0.5 else stretches(rng, count, 4, 2, 0.4)
    return unit(tone) * on + rng.uniform(0.03, 0.6) * pink(rng, count, rng.uniform(0.2, 1))


def alarm(rng: Rng, count: int) -> Sound:
    out, base, parts = np.zeros(count), logdraw(rng, 200, 1000), int(rng.integers(4, 9))
    pulse_s, gap_s = rng.uniform(0.07, 0.25), rng.uniform(0.05, 0.25)
    many, again_s = int(rng.choice([1, 3, 5, 10])), rng.uniform(1, 6)
    notes = base * 2 ** (rng.choice([0, 0, 3, 4, 5, 7, 12], many) / 12)
    at_s = rng.uniform(0, 2)
    while at_s < count / RATE_HZ:
        for k, hz in enumerate(notes):
            size = int(pulse_s * RATE_HZ)
            tone = swept(np.full(size, hz), parts, rng.uniform(0.5, 1.5), rng)
            at = int((at_s + k * (pulse_s + gap_s)) * RATE_HZ)
            if at < count:
                put(out, at, tone * np.hanning(size) ** 0.3)
        at_s += many * (pulse_s + gap_s) + again_s
    return unit(out)


def drill(rng: Rng, count: int) -> Sound:
    """A motor whose pitch sags under load."""
    load = np.clip(stretches(rng, count, 1.5, 1, 0.2) + 0.2 * curve(rng, count, 6), 0, 1.3)
    runs = stretches(rng, count, 4, 1.5, 0.3)
    pitch = logdraw(rng, 80, 1200) * (1 - rng.uniform(0.05, 0.4) * load) * (0.3 + 0.7 * runs)
    tone = tube(rng, swept(np.maximum(pitch, 20), 16, rng.uniform(0.3, 1.3), rng))
    bite = pink(rng, count, 0.2) * load * rng.uniform(0.1, 1.2)
    return runs * (tone + bite)


def footsteps(rng: Rng, count: int) -> Sound:
    out, at_s, pace_s = np.zeros(count), rng.uniform(0, 1), rng.uniform(0.4, 0.75)
    low = logdraw(rng, 60, 220)
    while at_s < count / RATE_HZ - 0.4:
        for lag, loud in ((0.0, 1.0), (rng.uniform(0.06, 0.16), rng.uniform(0.2, 0.7))):
            t = np.arange(int(0.15 * RATE_HZ)) / RATE_HZ
            thud = np.sin(2 * np.pi * low * t) * np.exp(-t * 40)
            tick = rng.standard_normal(t.size) * np.exp(-t * logdraw(rng, 60, 400))
            put(out, int((at_s + lag) * RATE_HZ), loud * (thud + rng.uniform(0.1, 1) * tick))
        at_s += pace_s * rng.normal(1, 0.06) + (rng.uniform(1, 4) if rng.random() < 0.12 else 0)
    return unit(out)


def metal(rng: Rng, count: int) -> Sound:
    """Instruments laid down: partials that are no multiples, in bounces."""
    out = np.zeros(count)
    for at in times(rng, logdraw(rng, 0.3, 2.5), count):
        modes = logdraw(rng, 400, 2500) * np.sort(rng.uniform(1, 5, int(rng.integers(3, 9))))
        long_s, loud = logdraw(rng, 0.03, 0.9), logdraw(rng, 0.1, 1)
        t = np.arange(int(1.2 * long_s * RATE_HZ)) / RATE_HZ
        ring = np.sum([np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.3)) * rng.uniform(0.2, 1)
                       * np.exp(-4 * t / long_s * hz / modes[0]) for hz in modes if hz < 7600]
                      or [0 * t], axis=0)  # fmt: skip
        lag = 0.0
        for bounce in range(int(rng.integers(1, 6))):
            put(out, min(count - 1, int(at + lag * RATE_HZ)), ring * loud * 0.6**bounce)
            lag += rng.uniform(0.03, 0.2) * 0.8**bounce
    return unit(out)


def chair(rng: Rng, count: int) -> Sound:
    """Stick and slip: creaks whose pitch glides, and castors."""
    out = np.zeros(count)
    for at in times(rng, logdraw(rng, 0.3, 1.2), count):
        size = int(logdraw(rng, 0.12, 1.2) * RATE_HZ)
        path = logdraw(rng, 70, 900) * 2 ** (rng.uniform(-1, 1) * np.linspace(0, 1, size))
        path = path * (1 + 0.03 * curve(rng, size, 30))
        creak = tube(rng, swept(path, 20, rng.uniform(0, 1), rng)) * np.hanning(size) ** 0.5
        put(out, int(at), creak * logdraw(rng, 0.2, 1))
    roll = pink(rng, count, 0.9) * stretches(rng, count, 1, 4, 0.2) * rng.uniform(0, 0.6)
    return unit(out) + roll


def spray(rng: Rng, count: int) -> Sound:
    """Irrigation: bright noise of single drops."""
    rain = rng.standard_normal(count) * np.exp(1.2 * rng.standard_normal(count))
    bright = sosfilt(butter(2, logdraw(rng, 800, 3000), "high", fs=RATE_HZ, output="sos"), rain)
    return unit(bright) * stretches(rng, count, 2, 1.5, 0.1) * flow(rng, count)


def cautery(rng: Rng, count: int) -> Sound:
    """The tone of a generator that is switched on, and crackling."""
    tone = swept(np.full(count, logdraw(rng, 300, 1100)), int(rng.integers(1, 8)), 1.0, rng)
    crackle = rng.standard_normal(count) * (rng.random(count) < 0.02) * 6
    return unit(tone) * stretches(rng, count, 1.2, 2.5, 0.01) + rng.uniform(0.02, 0.5) * crackle


def cloth(rng: Rng, count: int) -> Sound:
    out = np.zeros(count)
    for at in times(rng, logdraw(rng, 0.8, 5), count):
        size = int(logdraw(rng, 0.05, 0.7) * RATE_HZ)
        put(out, int(at), pink(rng, size, rng.uniform(0, 0.6)) * np.hanning(size)
            * np.exp(0.6 * curve(rng, size, 25)) * logdraw(rng, 0.1, 1))  # fmt: skip
    return unit(out)


def fan(rng: Rng, count: int) -> Sound:
    blades = swept(np.full(count, logdraw(rng, 60, 500)), 6, 0.8, rng)
    return unit(pink(rng, count, rng.uniform(0.4, 1.2)) + rng.uniform(0, 0.5) * unit(blades))


KINDS: dict[str, Callable[[Rng, int], Sound]] = {
    f.__name__: f for f in (suction, rising, whistling, blocked, bubbling, pump, alarm, drill,
                            footsteps, metal, chair, fan, spray, cautery, cloth)
}  # fmt: skip
ONLY_HELD = {"chair", "spray", "cautery", "cloth"}


def echo(rng: Rng) -> Sound:
    """A shoebox of random walls: reflections that come ever denser, and lose their highs."""
    falls_s = logdraw(rng, 0.12, 1.0)
    size = int(falls_s * RATE_HZ)
    t = np.arange(size) / RATE_HZ
    dense = rng.random(size) < np.minimum(1, 40 * (t + 0.002) ** 2 * 60)
    out = dense * rng.standard_normal(size) * 10 ** (-3 * t / falls_s)
    out = lfilter([0.6], [1, -rng.uniform(0, 0.6)], out)
    out *= logdraw(rng, 0.2, 2) / (np.sqrt(np.sum(out**2)) + 1e-9)
    out[0] += 1
    return out
