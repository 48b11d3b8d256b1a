"""The loudness of a coded sound: the search for its gain, and what a gate leaves in doubt."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pipeline.analysis.sound.coded import ENOUGH_LU, MOST_TRIES, Try, next_gain_db
from pipeline.analysis.sound.loudness import gate_doubt_lu, integrated_lufs


def searched(over_lu: Callable[[float], float], first_db: float, most_db: float) -> list[Try]:
    tries: list[Try] = []
    gain_db: float | None = first_db
    while gain_db is not None:
        tries.append(Try(gain_db, over_lu(gain_db)))
        gain_db = next_gain_db(tries, most_db)
    return tries


@pytest.mark.parametrize("lost_lu", [0.0, 0.3, 0.8, 1.3])
@pytest.mark.parametrize("slope", [1.0, 0.6])
def test_what_coding_takes_is_given_back(lost_lu: float, slope: float) -> None:
    """A limiter that works makes the loudness rise more slowly than the gain."""
    tries = searched(lambda g: slope * (g - 5.0) - lost_lu, 5.0, 40.0)
    assert abs(tries[-1].over_lu) <= ENOUGH_LU and len(tries) <= 6


def test_a_line_with_jumps_is_searched_to_its_end() -> None:
    """Each tenth of a decibel coding takes another amount: still one of the tries is near."""
    lost = np.random.default_rng(4).uniform(0.4, 1.2, 200)
    tries = searched(lambda g: g - 5.0 - lost[round(10 * g)], 5.0, 40.0)
    assert min(abs(t.over_lu) for t in tries) <= ENOUGH_LU and len(tries) <= MOST_TRIES


def test_a_gain_that_does_not_help_is_not_raised_on_and_on() -> None:
    tries = searched(lambda g: -8.0, 5.0, 40.0)
    assert max(t.gain_db for t in tries) <= 7.5
    tries = searched(lambda g: g - 9.0, 5.0, 5.5)
    assert max(t.gain_db for t in tries) <= 5.5


def test_the_gate_leaves_a_doubt_only_where_blocks_lie_at_it() -> None:
    """BS.1770-5: blocks more than 10 LU under the mean of all do not count."""
    rng = np.random.default_rng(2)
    even = 10.0 ** (rng.normal(-20, 2, 600) / 10)
    assert gate_doubt_lu(even) < 0.1
    burst = np.full(120, 10.0**-4.0)
    burst[50:54] = 10.0**-1.5  # 4 of 120 blocks: the mean of all lies at about -29
    apart = 10 * np.log10(burst.max() / burst.min())
    assert gate_doubt_lu(burst) < 0.1, "the quiet blocks lie well under the gate"
    near = burst.copy()
    # The quiet blocks half a decibel over the gate: they count, and would not if it lay higher.
    gate = near.mean() / 10
    near[near < gate] = gate * 10**0.05
    assert apart > 20 and gate_doubt_lu(near) > 3.0
    plain = integrated_lufs(near)
    assert plain is not None and plain < -20
