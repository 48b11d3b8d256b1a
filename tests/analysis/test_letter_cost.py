"""The bound on what looking for lettering costs, in runs of the network, as DEVELOPERS.md says."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.analysis.identity import letter_watch as _letter_watch
from pipeline.analysis.identity.letter_watch import LetterWatch

PER_PICTURE = 2  # the whole field and a window of it
PER_SECOND = 4  # the average and a window of it, twice
USUAL_PER_SECOND = (
    26  # where pictures are like those before: 9 looks or a few more, and the average
)


class Counter:
    """In place of the network: counts its runs, and sees nothing."""

    runs = 0

    def __init__(self, *_: object) -> None:
        pass

    def cells(self, view: np.ndarray, averaged: bool = False) -> np.ndarray:
        self.runs += 1
        return np.full((view.shape[0] // 4, view.shape[1] // 4), -9.0, np.float32)


@pytest.mark.parametrize("rate_hz", [0.2, 1.0, 25.0, 60.0])
@pytest.mark.parametrize("strange", [False, True])
def test_runs_are_bounded_by_pictures_and_by_seconds(
    monkeypatch: pytest.MonkeyPatch, rate_hz: float, strange: bool
) -> None:
    monkeypatch.setattr(_letter_watch, "LetterNet", Counter)
    watch = LetterWatch()
    rng = np.random.default_rng(1)
    pictures, seconds = (20, 20 / rate_hz) if rate_hz <= 1 else (int(4 * rate_hz), 4.0)
    luma = rng.integers(16, 235, (480, 640), np.uint8)
    chroma = np.full((240, 320), 128, np.uint8)
    for k in range(pictures):
        if strange:  # no picture is like the one before, the worst there is
            luma = rng.integers(16, 17 + int(rng.integers(200)), (480, 640), np.uint8)
        watch.step(k / rate_hz, (luma, chroma, chroma), (0, 0, 640, 480))
    runs = watch._net.runs
    assert runs >= pictures if rate_hz <= 1 else runs >= 8 * seconds
    assert runs <= PER_PICTURE * pictures + PER_SECOND * seconds
    if not strange:
        assert runs <= USUAL_PER_SECOND * seconds
