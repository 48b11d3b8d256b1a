"""A long part is compared in windows; between them every picture is counted all the same."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import av
import pytest
from long_clip import LENGTH_S, made_long

from pipeline.stages.verifying.expected import EVERY_S
from pipeline.stages.verifying.moments import times_check

RATE = 5


@pytest.mark.slow
@pytest.mark.parametrize("key_every_s", [5.0, 60.0])
def test_a_picture_that_is_missing_between_the_windows_is_counted(
    tmp_path: Path, key_every_s: float
) -> None:
    """Also where only the first picture stands for itself: then all are compared."""
    found: list[float] = []

    def stamped(path: Path) -> None:
        with closing(av.open(str(path))) as clip:
            video = clip.streams.video[0]
            # The last round counts: what verify hears in one is replaced in the next.
            found[:] = [float(p.pts * video.time_base) for p in clip.demux(video) if p.size]

    (plan, *_), expected = made_long(tmp_path, RATE, round(key_every_s * RATE), stamped)
    compared = set(expected.compared)
    assert len(compared) == LENGTH_S * RATE if key_every_s > EVERY_S else max(compared) > 40
    stamps = sorted(found)
    assert len(stamps) == LENGTH_S * RATE

    def passed(times_s: list[float]) -> bool:
        return times_check(plan, times_s, expected.times, expected.parts).passed

    assert passed(stamps)
    for number in range(1, len(stamps) - 1):
        assert not passed(stamps[:number] + stamps[number + 1 :]), stamps[number]
        assert not passed([*stamps, stamps[number] + 0.1]), stamps[number]
