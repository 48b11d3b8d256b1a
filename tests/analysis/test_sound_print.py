"""Fingerprints of sound: copies are recognised, other sounds are not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

from pipeline.analysis.sound.sound_print import (
    ALIKE,
    HOP_S,
    SoundPrintFold,
    pack,
    sound_likeness,
    thinned,
    unpack,
)

RATE_HZ = 48_000


def room(seed: int, seconds: float = 12.0) -> NDArray[np.float32]:
    """Noise of a room with a slow rise and fall, and a voice-like buzz that comes and goes."""
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    noise = sosfilt(butter(2, 1500, fs=RATE_HZ, output="sos"), rng.standard_normal(count))
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * time_s * rng.uniform(0.1, 0.4))
    buzz = np.sign(np.sin(2 * np.pi * np.cumsum(rng.uniform(110, 130) + 8 * swell) / RATE_HZ))
    return (0.05 * noise * swell + 0.02 * buzz * (swell > 0.7))[None].astype(np.float32)


def prints(sound: NDArray[np.float32], block: int = 24_000) -> NDArray[np.uint32]:
    fold = SoundPrintFold()
    for start in range(0, sound.shape[1], block):
        fold.step(sound[:, start : start + block])
    return fold.finish()


def test_blocks_do_not_matter() -> None:
    sound = room(1, 5.0)
    whole = prints(sound, 1 << 20)
    assert 0.9 * 5.0 / HOP_S < len(whole) < 5.0 / HOP_S
    for block in (1_001, 24_000):
        assert np.array_equal(prints(sound, block), whole)


@pytest.mark.parametrize("how", ["cut", "quiet", "8 kHz", "8 bit", "stereo", "noisy"])
def test_a_copy_is_recognised_both_ways_round(how: str) -> None:
    sound = room(2)
    rng = np.random.default_rng(9)
    copy = {
        "cut": lambda: sound[:, 61_237:-40_000],
        "quiet": lambda: 0.03 * sound,
        "8 kHz": lambda: resample_poly(resample_poly(sound, 1, 6, axis=1), 6, 1, axis=1),
        "8 bit": lambda: np.round(sound * 127) / 127,
        "stereo": lambda: np.concatenate([sound, 0.5 * sound]),
        "noisy": lambda: sound + 0.003 * rng.standard_normal(sound.shape),
    }[how]().astype(np.float32)
    one, other = prints(sound), prints(copy)
    score, at_s = sound_likeness(one, thinned(other))
    back, back_s = sound_likeness(other, thinned(one))
    assert score > 0.58 and back > 0.58
    shift_s = 61_237 / RATE_HZ if how == "cut" else 0.0
    assert at_s >= shift_s - 0.1 and back_s <= 12.0 - shift_s


def test_other_sounds_are_not() -> None:
    """Other rooms, and sounds of which every code is alike: a tone, silence, short ones."""
    time_s = np.arange(12 * RATE_HZ) / RATE_HZ
    tone = (0.1 * np.sin(2 * np.pi * 440 * time_s))[None].astype(np.float32)
    hums = [tone, tone + 1e-4 * np.random.default_rng(3).standard_normal(tone.shape)]
    kinds = [*(room(seed) for seed in range(4, 8)), *hums, np.zeros_like(tone), room(8, 2.0)]
    every = [prints(k.astype(np.float32)) for k in kinds]
    for a, one in enumerate(every):
        for b, other in enumerate(every):
            if a != b:
                assert sound_likeness(one, thinned(other))[0] < ALIKE / 2, (a, b)
    assert pack(every[6]) == "" and sound_likeness(every[6], every[6]) == (0.0, 0.0)


def test_prints_survive_as_text() -> None:
    codes = thinned(prints(room(1, 5.0)))
    assert np.array_equal(unpack(pack(codes)), codes)
    assert len(unpack("x")) == len(unpack("")) == 0
