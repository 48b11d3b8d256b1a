"""The depth that is drawn: the measure of the checks, on the axis that people read."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.model.plan import Piece
from pipeline.model.timeline import Timeline
from pipeline.review.ducking import HOP_S, Levels, at_clip_times, depth_of


def plan(depth_lu: float, gain_db: float) -> Any:
    mix = SimpleNamespace(
        narration_gain=[(0.0, 0.0)], background_gain=[(0.0, gain_db)], depth_lu=depth_lu
    )
    return SimpleNamespace(mix=mix, narration=[(1.0, 5.0), (8.0, 9.0)])


def levels() -> Levels:
    """Narration at -20 dB from 1 to 5 s and from 8 to 9 s, background at -30 dB all along."""
    time_s = (np.arange(500) + 0.5) * HOP_S
    on = ((time_s >= 1) & (time_s < 5)) | ((time_s >= 8) & (time_s < 9))
    return Levels(np.where(on, 1e-2, 0.0), np.full(500, 1e-3), HOP_S, True)


def test_the_difference_is_that_of_the_levels_under_the_gains() -> None:
    """BS.1770: equal weighting of both tracks, so 10 dB apart and 8 dB of gain are 18 LU."""
    found = depth_of(levels(), plan(15.0, -8.0))
    inside = (found.time_s > 1.5) & (found.time_s < 4.5)
    assert found.difference_lu[inside] == pytest.approx(18.0, abs=0.01)
    assert found.share is not None and found.share > 0.9
    assert depth_of(levels(), plan(25.0, -8.0)).share == 0.0


def test_where_nobody_narrates_there_is_a_gap_not_a_zero() -> None:
    found = depth_of(levels(), plan(15.0, -8.0))
    quiet = (found.time_s > 5.3) & (found.time_s < 7.7)
    assert np.isnan(found.difference_lu[quiet]).all()


def test_it_stands_where_the_case_shows_it() -> None:
    def piece(case_s: float, out_s: float, length_s: float) -> Piece:
        return Piece(
            kind="play", source=0, start_s=case_s, length_s=length_s, case_start_s=case_s,
            out_start_s=out_s,
        )  # fmt: skip

    found = depth_of(levels(), plan(15.0, -8.0))
    pieces = [piece(0.0, 0.0, 6.0), piece(16.0, 6.0, 4.0)]  # ten seconds are cut out
    drawn = at_clip_times(found, Timeline(pieces=pieces).clip_times([3.0, 8.5, 18.5]))
    assert np.isfinite(drawn[[0, 2]]).all() and np.isnan(drawn[1])
