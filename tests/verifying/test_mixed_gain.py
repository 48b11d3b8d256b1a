"""The gain at which a sound was coded is found also where little of it is left as it was."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.media.sound import read_sound
from pipeline.media.stems import Stem, write_stem
from pipeline.media.write import code_sound
from pipeline.model.release import Check
from pipeline.stages.verifying.mixed import MixedFold

HZ = 48_000


def coded(sound: np.ndarray, kbps: int, work: Path) -> np.ndarray:
    """(channel, sample) as it is heard after coding."""
    stem = write_stem(work / "raw.f32", sound.shape[0], iter([sound.astype(np.float32)]))
    code_sound(stem.path, work / "coded.m4a", sound.shape[0], kbps)
    blocks = list(read_sound(work / "coded.m4a", channels=sound.shape[0]))
    return np.concatenate(blocks, axis=1)[:, : sound.shape[1]]


def checked(stem: Stem, heard: np.ndarray, kbps: int, work: Path) -> Check:
    plan: Any = SimpleNamespace(mix=None, duration_s=heard.shape[1] / HZ)
    fold = MixedFold(plan, stem, None, stem.channels, kbps, work)
    fold.step(heard)
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    return row


def changed(sound: np.ndarray, gain_db: float) -> np.ndarray:
    """With half a second at another gain."""
    out = sound.copy()
    out[:, 3 * HZ : 3 * HZ + HZ // 2] *= 10 ** (gain_db / 20)
    return out


@pytest.mark.parametrize("kbps", [96, 128, 192])
@pytest.mark.parametrize("spoiled_db", [0.0, 6.0, -40.0])
def test_hiss_that_was_coded_before_is_right_and_a_wrong_gain_in_it_is_not(
    kbps: int, spoiled_db: float, tmp_path: Path
) -> None:
    """Too few bits for it: the encoder puts noise in its place, or makes it louder bit by bit."""
    hiss = np.random.default_rng(3).standard_normal((2, 7 * HZ)) * 0.02
    once = coded(hiss, 128, tmp_path)
    stem = write_stem(tmp_path / "stem.f32", 2, iter([once]))
    heard = coded(changed(once * 10 ** (0.5 / 20), spoiled_db), kbps, tmp_path)
    row = checked(stem, heard, kbps, tmp_path)
    assert row.passed == (spoiled_db == 0), row
