"""Pictures that are kept to step through are those that a fresh reading gives."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.media.frame import Picture
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.review.case import reel
from pipeline.review.case.reel import Reel
from tests.media_zoo import scope_clip


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("reel") / "clip.mp4"
    scope_clip(path, 8.0, 10, (160, 120), audio="none")
    return path


def seen(pictures: Iterator[Picture]) -> list[tuple[float, bytes]]:
    return [(p.time_s, np.ascontiguousarray(p.planes()[0]).tobytes()) for p in pictures]


@pytest.mark.parametrize("pictures_kept", [2, 12, 1000])
def test_any_order_of_moments_gives_what_a_fresh_reading_gives(
    clip: Path, pictures_kept: int
) -> None:
    recording, rng = probe(clip), np.random.default_rng(pictures_kept)
    kept = Reel(pictures_kept * 160 * 120 * 3 // 2)
    at = [0.0, 7.9, 7.8, 7.7, 7.6, 0.1, *rng.uniform(0, 8.2, 25), *np.arange(3.0, 4.0, 0.1)]
    for start in np.round(at, 3).tolist():
        stop = start + 0.4
        fresh = seen(read_pictures(clip, recording, start_s=start, stop_s=stop))
        assert seen(kept.read(clip, recording, start_s=start, stop_s=stop)) == fresh, start


def test_stepping_on_and_back_decodes_nothing_twice(
    clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[float] = []

    def counted(*args: Any, **named: Any) -> Iterator[Picture]:
        begun.append(named["start_s"])
        return read_pictures(*args, **named)

    monkeypatch.setattr(reel, "read_pictures", counted)
    recording, kept = probe(clip), Reel(12 * 160 * 120 * 3 // 2)
    for at in (5.0, 5.1, 5.2, 5.3, 5.2, 5.1, 5.0, 6.8):
        assert next(kept.read(clip, recording, start_s=at)).time_s == pytest.approx(at)
    assert begun == [5.0]
    assert next(kept.read(clip, recording, start_s=0.0)).time_s == 0.0  # a seek
    assert next(kept.read(clip, recording, start_s=5.0, size_px=(80, 60))).time_s == 5.0
    assert len(begun) == 3
