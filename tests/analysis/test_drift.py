"""A narration of another clock: found by the room that both heard, brought into step by soxr."""

from __future__ import annotations

import numpy as np
import pytest
from sound_makers import RATE_HZ

from pipeline.analysis.sound.drift import find_drift, in_step
from pipeline.analysis.sound.offset import ENVELOPE_HOP_S

_FINE = 10  # values a hop


def levels(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Levels of a room in dB, (4, n) at 1 ms: switched and slow sounds, each band alike in part."""
    count = round(seconds / ENVELOPE_HOP_S) * _FINE
    shared = np.repeat(rng.standard_normal(count // 400 + 1) * 6, 400)[:count]
    rows = []
    for _ in range(4):
        own = np.repeat(rng.standard_normal(count // 150 + 1) * 4, 150)[:count]
        rows.append(shared + own - 40)
    return np.asarray(rows, np.float32)


def hops(fine: np.ndarray, rng: np.random.Generator, noise_db: float) -> np.ndarray:
    count = fine.shape[1] // _FINE
    out = fine[:, : count * _FINE].reshape(4, count, _FINE).mean(axis=2)
    return out + rng.standard_normal(out.shape).astype(np.float32) * noise_db


def taken(fine: np.ndarray, offset_s: float, rate_ppm: float, seconds: float) -> np.ndarray:
    """The same room on a device that started at offset_s and whose take is rate_ppm too long."""
    own_s = np.arange(round(seconds * 1000)) / 1000
    at = np.round((offset_s + own_s / (1 + rate_ppm * 1e-6)) * 1000).astype(int)
    return fine[:, np.clip(at, 0, fine.shape[1] - 1)]


@pytest.mark.parametrize(
    ("minutes", "rate_ppm"), [(60, 100.0), (60, -100.0), (60, 12.0), (60, -37.0), (10, 80.0)]
)
@pytest.mark.parametrize("given", [True, False])
def test_within_40_ms_over_the_whole_take(minutes: int, rate_ppm: float, given: bool) -> None:
    rng = np.random.default_rng(round(abs(rate_ppm)) + minutes)
    fine = levels(rng, 60 * minutes)
    seconds = 60 * minutes - 20
    take = hops(taken(fine, 4.2, rate_ppm, seconds), rng, 4.0)
    speech = rng.random(take.shape[1] // 500 + 1) < 0.5  # a voice over the room half of the time
    take[:, np.repeat(speech, 500)[: take.shape[1]]] += 10 * rng.random((4, 1), np.float32)
    found = find_drift(hops(fine, rng, 2.0), take, 4.2 if given else None)
    assert found is not None
    for own_s in (0.0, seconds):
        true_s = 4.2 + own_s / (1 + rate_ppm * 1e-6)
        told_s = found.offset_s + own_s / (1 + found.rate_ppm * 1e-6)
        assert told_s == pytest.approx(true_s, abs=0.04)


@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_mended_where_nothing_shows_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fine = levels(rng, 900)
    heard = hops(fine, rng, 2.0)
    assert find_drift(heard, hops(levels(rng, 800), rng, 2.0)) is None, "another room"
    assert find_drift(heard, hops(levels(rng, 800), rng, 2.0), 3.0) is None
    assert find_drift(heard, hops(taken(fine, 3.0, 0.0, 800), rng, 4.0), 3.0) is None, "in step"
    assert find_drift(heard, np.full((4, 80_000), -90.0, np.float32), 3.0) is None, "silence"
    assert find_drift(heard, hops(taken(fine, 3.0, 90.0, 60), rng, 4.0), 3.0) is None, "short"


@pytest.mark.parametrize("rate_ppm", [100.0, -250.0])
def test_a_take_is_brought_into_step(rate_ppm: float) -> None:
    """Clicks that a clock wrote too far apart lie on the seconds again; a tone keeps its level."""
    seconds = 40
    length = round(seconds * RATE_HZ * (1 + rate_ppm * 1e-6))
    at = np.arange(length) / RATE_HZ / (1 + rate_ppm * 1e-6)
    tone = (0.1 * np.sin(2 * np.pi * 1000 * at)).astype(np.float32)
    out = np.concatenate(
        list(in_step([tone[None, k : k + 30_011] for k in range(0, length, 30_011)], rate_ppm)),
        axis=1,
    )[0]
    assert out.size == pytest.approx(seconds * RATE_HZ, abs=2)
    right = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(out.size) / RATE_HZ)
    inside = slice(RATE_HZ, -RATE_HZ)
    assert np.abs(out[inside] - right[inside]).max() < 1e-4
