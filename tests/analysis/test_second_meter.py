"""The second meter of loudness: it agrees with ours, and a fault of ours shows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.analysis.sound import loudness
from pipeline.analysis.sound.loudness import measure
from pipeline.analysis.sound.second_meter import SecondMeter
from pipeline.model.options import Options
from pipeline.model.recording import AudioStream, Recording, VideoStream
from pipeline.stages.verifying import sound
from pipeline.stages.verifying.result import Verifying

RATE_HZ = 48000


def apart_lu(samples: np.ndarray, block: int = 7000) -> float | None:
    blocks = [samples[:, at : at + block] for at in range(0, samples.shape[1], block)]
    second = SecondMeter(samples.shape[0], RATE_HZ)
    for one in blocks:
        second.step(one)
    return second.finish(measure(blocks, samples.shape[0], RATE_HZ).hop_power)


def noise(seconds: float, channels: int = 2, level: float = 0.05) -> np.ndarray:
    rng = np.random.default_rng(7)
    size = round(seconds * RATE_HZ)
    swell = np.interp(np.arange(size), np.linspace(0, size, 9), rng.uniform(0.1, 1.0, 9))
    return (rng.normal(0, level, (channels, size)) * swell).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 2])
def test_both_meters_agree_on_every_minute(channels: int) -> None:
    """EBU Tech 3341 allows a meter 0.1 LU; the two differ by rounding only."""
    found = apart_lu(noise(64.3, channels))
    assert found is not None and found < 0.001


@pytest.mark.parametrize(
    ("samples", "measured"),
    [
        (np.zeros((2, 5 * RATE_HZ), np.float32), False),  # silence
        (noise(0.3), False),  # shorter than one block of 400 ms
        (noise(0.5), True),
        (noise(5.0, level=1e-4), False),  # beside the absolute gate
        (np.where(noise(4.0) > 0.2, np.float32(np.nan), noise(4.0)), True),
        (np.concatenate([np.zeros((2, 70 * RATE_HZ), np.float32), noise(4.0)], axis=1), True),
    ],
    ids=["silence", "too-short", "short", "quiet", "nan", "late"],
)
def test_what_can_and_cannot_be_measured(samples: np.ndarray, measured: bool) -> None:
    found = apart_lu(samples)
    assert (found is not None) == measured
    assert found is None or found < 0.01


def test_a_fault_in_one_minute_is_not_averaged_away() -> None:
    samples = noise(130.0)
    second = SecondMeter(2, RATE_HZ)
    second.step(samples)
    power = measure([samples], 2, RATE_HZ).hop_power.copy()
    power[600:1200] *= 10 ** (0.3 / 10)
    found = second.finish(power)
    assert found == pytest.approx(0.3, abs=0.01)


def test_a_meter_that_reads_wrong_fails_the_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(5.0).T, RATE_HZ, subtype="FLOAT")
    recording = Recording.model_construct(
        audio=[AudioStream.model_construct(channels=2)],
        video=VideoStream.model_construct(start_s=0.0),
    )

    def passed() -> bool:
        result = Verifying()
        checks = sound.sound_checks(path, recording, Options(), result)
        (one,) = [c for c in checks if c.check == "two meters of loudness agree"]
        return one.passed

    assert passed()
    monkeypatch.setattr(loudness, "_OFFSET_LU", -0.691 + 0.3)
    assert not passed()
