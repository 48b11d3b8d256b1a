"""What the sound report is drawn with."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.analysis.sound.sound_pictures import mel_bank
from pipeline.review.report import sounded
from pipeline.store.cache import Cache


def test_the_filters_of_the_sound_picture_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the cache holds is what librosa gives; what is damaged there is made anew."""
    cache = Cache(1.0, tmp_path)
    wanted = mel_bank()
    made: list[int] = []
    monkeypatch.setattr(sounded, "mel_bank", lambda: (made.append(1), wanted)[1])
    for times in (1, 1):
        np.testing.assert_array_equal(sounded.kept_bank(cache), wanted)
        assert len(made) == times
    (kept,) = tmp_path.rglob("bank.npy")
    for times, damaged in enumerate((b"", kept.read_bytes()[:5000], b"\x93NUMPY spoiled"), 2):
        kept.write_bytes(damaged)
        np.testing.assert_array_equal(sounded.kept_bank(cache), wanted)
        assert len(made) == times
