"""What is left over beside a very faint sound: judged where it could be heard."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from pipeline.media.stems import write_stem
from pipeline.stages.verifying.mixed import MixedFold


def noise(seed: int, band_hz: tuple[int, int], level_dbfs: float, seconds: float) -> np.ndarray:
    sound = np.random.default_rng(seed).standard_normal(round(48_000 * seconds))
    sound = sosfilt(butter(4, band_hz, "band", fs=48_000, output="sos"), sound)
    return (sound / np.sqrt(np.mean(sound**2)) * 10 ** (level_dbfs / 20)).astype(np.float32)


@pytest.mark.parametrize(
    ("band_hz", "left_db", "passes"),
    # What so faint an octave lacks is a coder's choice where hearing is dull, not elsewhere.
    [((110, 220), -10, True), ((1100, 1900), -10, False), ((110, 220), -2, False)],
)
def test_a_faint_octave_is_judged_as_it_is_heard(
    band_hz: tuple[int, int], left_db: float, passes: bool, tmp_path: Path
) -> None:
    planned = noise(1, band_hz, -54, 6)
    foreign = noise(2, band_hz, -54 + left_db, 6)
    foreign[: 3 * 48_000] = 0
    stem = write_stem(tmp_path / "stem.f32", 1, iter([planned[None]]))
    plan: Any = SimpleNamespace(mix=None, duration_s=6.0)
    fold = MixedFold(plan, stem, None, 1, 128, tmp_path)
    fold.step((planned + foreign)[None])
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    assert row.passed == passes, row
