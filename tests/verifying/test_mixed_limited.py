"""What a limiter holds down all along is right; half a second that it does not explain is not."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline.analysis.sound.limiter import fit_gain, limit
from pipeline.media.sound import read_sound
from pipeline.media.stems import write_stem
from pipeline.media.write import code_sound
from pipeline.model.release import Check
from pipeline.stages.verifying.mixed import MixedFold

HZ = 48_000
HALF_S = HZ // 2


def noise(pole: float, length_s: int) -> np.ndarray:
    """Noise that falls by 20 dB a decade from where the pole lies; its peak at .3."""
    random = np.random.default_rng(0).standard_normal((1, length_s * HZ))
    sound = np.asarray(lfilter([1], [1, -pole], random))
    return (0.3 * sound / np.abs(sound).max()).astype(np.float32)


def checked(
    planned: np.ndarray, lufs: float, spoiled: tuple[int, float] | None, work: Path
) -> Check:
    """Made to a loudness under -1 dBTP. spoiled: which half second has another gain, dB."""
    stem = write_stem(work / "stem.f32", 1, iter([planned]))
    fit = fit_gain(stem.blocks, 1, lufs, -1.0, most_passes=6)
    made = np.concatenate(list(limit(stem.blocks(), fit.gain_db, -1.6)), axis=1)
    if spoiled is not None:
        made[:, spoiled[0] * HALF_S : (spoiled[0] + 1) * HALF_S] *= 10 ** (spoiled[1] / 20)
    other = write_stem(work / "made.f32", 1, iter([made]))
    code_sound(other.path, work / "clip.m4a", 1, 128)
    plan: Any = SimpleNamespace(mix=None, duration_s=planned.shape[1] / HZ)
    fold = MixedFold(plan, stem, None, 1, 128, work)
    for block in read_sound(work / "clip.m4a", channels=1):
        fold.step(block)
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    return row


def quietest(planned: np.ndarray) -> int:
    """The half second of the lowest peak, not at an end."""
    peaks = np.abs(planned).reshape(-1, HALF_S).max(axis=1)
    return int(peaks[2:-2].argmin()) + 2


@pytest.mark.parametrize("lulled", [False, True])
@pytest.mark.parametrize("lufs", [-14.0, -18.0])
def test_a_rumble_that_is_limited_all_along_is_right(
    lufs: float, lulled: bool, tmp_path: Path
) -> None:
    """What it lowers least lay over what it lowers most half seconds by, as if it was raised."""
    planned = noise(0.999, 20)
    if lulled:
        planned[:, 9 * HZ : 10 * HZ] *= 0.4
    row = checked(planned, lufs, None, tmp_path)
    assert row.passed, row


@pytest.mark.parametrize(
    ("pole", "length_s", "lufs"),
    [(0.999, 20, -14.0), (0.999, 20, -18.0), (0.999, 6, -14.0), (0.98, 6, -14.0), (0.0, 20, -14.0)],
)
def test_the_quietest_half_second_raised_is_told(
    pole: float, length_s: int, lufs: float, tmp_path: Path
) -> None:
    """By 3 dB; without a limiter too, where the encoder keeps less of a hiss than it is loud."""
    planned = noise(pole, length_s)
    row = checked(planned, lufs, (quietest(planned), 3.0), tmp_path)
    assert not row.passed, row


@pytest.mark.parametrize("length_s", [0.2, 6.0])
def test_silence_is_right(length_s: float, tmp_path: Path) -> None:
    silence = np.zeros((1, round(length_s * HZ)), np.float32)
    row = checked(silence, -14.0, None, tmp_path)
    assert row.passed, row
