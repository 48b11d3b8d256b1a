"""The bound on what looking for lettering costs, in runs of the network, as DEVELOPERS.md says."""

from __future__ import annotations

import time

import numpy as np
import pytest

from pipeline.analysis.identity import letter_net as _letter_net
from pipeline.analysis.identity import letter_watch as _letter_watch
from pipeline.analysis.identity.letter_net import without_subnormals
from pipeline.analysis.identity.letter_spans import counted
from pipeline.analysis.identity.letter_watch import LetterWatch, Sight
from pipeline.analysis.identity.lettering import merge_lettering

PER_PICTURE = 2  # the whole field and a window of it
MOVED_PER_SECOND = 13  # what is left of the one before, where pictures are near each other
PER_SECOND = 4  # the average and a window of it, what stayed, or once more the average
USUAL_PER_SECOND = (
    35  # where pictures are like those before: 9 looks or a few more, and the average
)


class Counter:
    """In place of the network: counts its runs, and sees nothing."""

    runs = 0

    def __init__(self, *_: object) -> None:
        pass

    def cells(self, view: np.ndarray, kind: str = "one") -> np.ndarray:
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
    moved = MOVED_PER_SECOND if rate_hz > 3 else 0
    assert runs <= PER_PICTURE * pictures + (PER_SECOND + moved) * seconds
    if not strange:
        assert runs <= USUAL_PER_SECOND * seconds


def _spent_s(seconds: int) -> float:
    """What joining the looks takes: a line that stands all the time, averages of it, and noise."""
    rng = np.random.default_rng(2)
    sights = []
    for k in range(9 * seconds):
        time_s = k / 9
        sights.append(Sight(time_s, time_s, "whole", (100, 100, 120, 24), 12.0))
        if k % 5 == 0:
            sights.append(Sight(time_s - 1, time_s, "mean", (100, 100, 118, 25), 11.0))
            sights.append(Sight(time_s - 6, time_s, "stays", (99, 100, 120, 25), 5.0 + k % 7))
        place = (int(rng.integers(600)), int(rng.integers(200, 400)), 40, 24)
        sights.append(Sight(time_s, time_s, "whole", place, 9.0))
    begun = time.process_time()
    merge_lettering(counted(sights), 0.25, [], 640, 480, seconds)
    return time.process_time() - begun


@pytest.mark.slow
def test_joining_the_looks_of_hours_takes_as_long_for_each_second_as_that_of_a_minute() -> None:
    # 64 times as long if every look were compared with every other.
    assert _spent_s(1200) < 20 * min(_spent_s(150) for _ in range(3))


def _field(number: int, value: bytes) -> bytes:
    """Protocol Buffers, "Encoding": a value that tells its length."""
    return bytes([number << 3 | 2, len(value)]) + value


def test_weights_too_small_to_be_normal_are_taken_out_and_nothing_else() -> None:
    """Numbers of the fields by onnx.proto; the least normal float32 is 2**-126 (IEEE 754)."""
    weights = np.array([2.0**-126, -(2.0**-127), 1.0, 1e-40, 0.0], np.float32)
    counts = np.array([1, 300], np.int64)  # would be such numbers if they were read as float32
    floats = b"\x08\x05\x10\x01" + _field(8, b"w") + _field(9, weights.tobytes())
    whole = b"\x08\x02\x10\x07" + _field(8, b"n") + _field(9, counts.tobytes())
    model = b"\x08\x08" + _field(7, _field(5, floats) + _field(5, whole))
    kept = np.array([2.0**-126, 0, 1, 0, 0], np.float32)
    assert without_subnormals(model) == model.replace(weights.tobytes(), kept.tobytes())


def test_the_network_says_the_same_without_them() -> None:
    import onnxruntime

    model = _letter_net._model()
    less = without_subnormals(model)
    assert less != model
    view = np.random.default_rng(4).normal(size=(1, 3, 64, 64)).astype(np.float32)
    said = [
        onnxruntime.InferenceSession(m, providers=["CPUExecutionProvider"]).run(None, {"x": view})
        for m in (model, less)
    ]
    assert np.abs(said[0][0] - said[1][0]).max() < 1e-6
