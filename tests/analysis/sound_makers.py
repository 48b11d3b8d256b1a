"""Generated sounds for the tests and the benchmark: suction, thumps, whistles, alarms, hum, room.

Everything is drawn from wide ranges by a numpy generator, so other seeds are other
scenes. Arrays are (sample,) float32 at 48 kHz unless said otherwise. What the sounds
look like (broadband hiss with tube resonances, gurgling, on and off within a second)
is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from pipeline.analysis.sound.depth import DuckingFold, DuckingReport
from pipeline.analysis.sound.tracks import Feed

RATE_HZ = 48000
Samples = NDArray[np.float32]


def rms_db(samples: NDArray[np.floating]) -> float:
    """RMS in dB of full scale."""
    return float(10 * np.log10(np.mean(np.square(samples.astype(np.float64))) + 1e-20))


def at_level(samples: Samples, level_db: float) -> Samples:
    """The samples brought to an RMS of `level_db`."""
    return (samples * 10 ** ((level_db - rms_db(samples)) / 20)).astype(np.float32)


def coloured(rng: np.random.Generator, count: int, slope_db_octave: float) -> Samples:
    """Gaussian noise with a spectrum that falls by `slope_db_octave` above 60 Hz."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.maximum(np.fft.rfftfreq(count, 1 / RATE_HZ), 60.0)
    spectrum *= 10 ** (slope_db_octave * np.log2(hz / 60.0) / 20)
    return np.fft.irfft(spectrum, count).astype(np.float32)


def slow(rng: np.random.Generator, count: int, rate_hz: float) -> NDArray[np.float64]:
    """A smooth random curve of unit variance that changes about `rate_hz` times a second."""
    points = rng.standard_normal(max(4, int(count / RATE_HZ * rate_hz) + 4))
    at = np.arange(count) * rate_hz / RATE_HZ
    return np.interp(at, np.arange(points.size), points)


def gate(
    rng: np.random.Generator, count: int, on_s: tuple[float, float], off_s: tuple[float, float]
) -> NDArray[np.float64]:
    """On and off in turn (0..1) with 30 to 150 ms edges."""
    flags = np.zeros(count)
    at, on = 0, bool(rng.integers(2))
    while at < count:
        length = int(rng.uniform(*(on_s if on else off_s)) * RATE_HZ)
        if on:
            flags[at : at + length] = 1.0
        at, on = at + length, not on
    edge = int(rng.uniform(0.03, 0.15) * RATE_HZ)
    return np.convolve(np.pad(flags, edge, mode="edge"), np.ones(edge) / edge, "same")[edge:-edge]


def suction(rng: np.random.Generator, count: int, always: bool = False) -> Samples:
    """Suction: hiss with two to four tube resonances, gurgling, started and stopped."""
    hiss = coloured(rng, count, rng.uniform(-6, 1)).astype(np.float64)
    hiss /= hiss.std()
    for _ in range(int(rng.integers(2, 5))):
        centre = rng.uniform(180, 5000)
        band = butter(
            1, [centre * 0.85, centre * 1.18], "bandpass", fs=RATE_HZ, output="sos"
        )
        part = sosfilt(band, rng.standard_normal(count))
        hiss += part / part.std() * rng.uniform(0.2, 1.2)
    gurgle = np.exp(rng.uniform(0.1, 0.7) * slow(rng, count, rng.uniform(4, 25)))
    out = hiss * gurgle
    if not always:
        out *= gate(rng, count, (0.4, 6.0), (0.4, 5.0))
        out += coloured(rng, count, -4) * 0.002
    return (out / (np.abs(out).max() + 1e-9)).astype(np.float32)


def thumps(rng: np.random.Generator, count: int, per_s: float = 0.5) -> Samples:
    """Knocks of an instrument: decaying low tones and clicks."""
    out = np.zeros(count)
    for _ in range(max(1, rng.poisson(per_s * count / RATE_HZ))):
        length = int(rng.uniform(0.03, 0.25) * RATE_HZ)
        t = np.arange(length) / RATE_HZ
        knock = np.sin(2 * np.pi * rng.uniform(60, 900) * t)
        hit = np.exp(-t * rng.uniform(20, 120)) * (
            knock + rng.uniform(0, 1) * rng.standard_normal(length)
        )
        at = int(rng.integers(0, max(1, count - length)))
        out[at : at + length] += (hit * rng.uniform(0.3, 1.0))[: count - at]
    return out.astype(np.float32)


def whistles(rng: np.random.Generator, count: int, per_s: float = 0.3) -> Samples:
    """Whistling of a half-blocked suction tip: swept tones with a little noise."""
    out = np.zeros(count)
    for _ in range(max(1, rng.poisson(per_s * count / RATE_HZ))):
        length = int(rng.uniform(0.2, 2.0) * RATE_HZ)
        drift = np.cumsum(rng.standard_normal(length)) / RATE_HZ**0.5 * 0.2
        sweep = rng.uniform(800, 4000) * 2**drift
        tone = np.sin(2 * np.pi * np.cumsum(sweep) / RATE_HZ) * np.hanning(length)
        at = int(rng.integers(0, max(1, count - length)))
        out[at : at + length] += (tone * rng.uniform(0.1, 0.5))[: count - at]
    return out.astype(np.float32)


def alarm(rng: np.random.Generator, count: int) -> Samples:
    """Beeps of a monitor: harmonic tones in a rhythm."""
    pitch, period, length = rng.uniform(400, 1200), rng.uniform(0.4, 2.0), rng.uniform(0.06, 0.2)
    t = np.arange(count) / RATE_HZ
    on = (t % period) < length
    edge = int(0.005 * RATE_HZ)
    shape = np.convolve(on.astype(float), np.ones(edge) / edge, "same")
    tone = sum(np.sin(2 * np.pi * pitch * k * t) / k ** rng.uniform(1, 2.5) for k in range(1, 5))
    return (np.asarray(tone) * shape * 0.3).astype(np.float32)


def hum(rng: np.random.Generator, count: int, mains_hz: float) -> Samples:
    """Mains hum with harmonics of random strength."""
    t = np.arange(count) / RATE_HZ
    parts = [
        rng.uniform(0.1, 1) / k * np.sin(2 * np.pi * mains_hz * k * t + rng.uniform(0, 6))
        for k in range(1, 9)
    ]
    return (np.sum(parts, axis=0) * 0.1).astype(np.float32)


def procedure_noise(rng: np.random.Generator, count: int, suction_on: bool = True) -> Samples:
    """A scene: room noise, suction or not, and some of thumps, whistles, alarm and hum."""
    room = at_level(coloured(rng, count, rng.uniform(-6, -2)), rng.uniform(-62, -48))
    out = room.astype(np.float64)
    if suction_on:
        out += at_level(suction(rng, count, always=bool(rng.random() < 0.3)), rng.uniform(-30, -20))
    if rng.random() < 0.6:
        out += thumps(rng, count, rng.uniform(0.1, 1.5)) * rng.uniform(0.02, 0.3)
    if rng.random() < 0.4:
        out += whistles(rng, count) * rng.uniform(0.02, 0.2)
    if rng.random() < 0.4:
        out += alarm(rng, count) * rng.uniform(0.02, 0.2)
    if rng.random() < 0.3:
        out += at_level(hum(rng, count, float(rng.choice([50.0, 60.0]))), rng.uniform(-55, -38))
    return out.astype(np.float32)


def babble_like(rng: np.random.Generator, count: int) -> Samples:
    """A syllabic tone: harmonics under formant bands with 3 to 6 Hz bursts and pauses.

    Not speech; it has the level statistics of speech (bursts, pauses, quiet ends) for
    tests of levels that need no detector.
    """
    t = np.arange(count) / RATE_HZ
    pitch = rng.uniform(90, 220) * 2 ** (0.1 * slow(rng, count, 3))
    phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
    voice = sum(np.sin(k * phase) / k for k in range(1, 20))
    voice = np.asarray(voice) + 0.15 * rng.standard_normal(count)
    band = butter(1, [300, 3000], "bandpass", fs=RATE_HZ, output="sos")
    beat = np.sin(2 * np.pi * rng.uniform(3, 5) * t + slow(rng, count, 2))
    level_db = -8 + 8 * beat + 4 * slow(rng, count, 1.5)
    return (sosfilt(band, voice) * 10 ** (level_db / 20)).astype(np.float32)


def ducking_depth(
    narration: Iterable[np.ndarray],
    background: Iterable[np.ndarray],
    depth_lu: float = 15.0,
    spans: Sequence[tuple[float, float]] | None = None,
    source: Iterable[np.ndarray] | None = None,
    rate_hz: int = 48000,
    channels: int = 2,
    hop_s: float = 0.02,
) -> DuckingReport:
    """Ducking depth of two rendered tracks (streams of blocks, any sizes).

    Definition: K-weighted level of narration over background in centred 400 ms windows
    in which the narration is within 20 dB of its own integrated loudness. See
    `DuckingFold` for spans and source.
    """
    fold = DuckingFold(channels, rate_hz, hop_s)
    feeds = [Feed(narration, channels), Feed(background, channels)]
    third = Feed(source, channels) if source is not None else None
    while not all(f.ended for f in feeds):
        front, behind = (f.take(rate_hz) for f in feeds)
        fold.step(front, behind, third.take(rate_hz) if third is not None else None)
    return fold.finish(depth_lu, spans)
