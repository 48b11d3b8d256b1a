"""Narration cut at the ends of a part: no half word where a pause is near."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.analysis.sound.voice_cut import faded, heard_part
from pipeline.model.time import Span


def power(*pauses: tuple[float, float], length_s: float = 12.0) -> NDArray[np.float64]:
    """Speech all the time but for the pauses, a value every 0.1 s."""
    time_s = (np.arange(round(length_s * 10)) + 0.5) / 10
    out = np.full(len(time_s), 1e-2)
    for a, b in pauses:
        out[(time_s >= a) & (time_s < b)] = 1e-6
    return out


SPOKEN = [Span(1.0, 5.0), Span(6.0, 9.0)]


@pytest.mark.parametrize(
    ("part", "pauses", "heard"),
    [
        ((0.0, 5.5), [], (0.0, 5.5)),  # nobody speaks across its ends
        ((5.2, 9.5), [], (5.2, 9.5)),
        ((4.6, 9.5), [], (5.0, 9.5)),  # the sentence ends soon after
        ((0.0, 6.5), [], (0.0, 6.0)),  # the next one had begun just before
        ((2.0, 9.5), [(2.5, 2.8)], (2.6, 9.5)),  # a pause between two words
        ((0.0, 8.0), [(7.4, 7.7)], (0.0, 7.6)),
        ((2.0, 9.5), [(3.5, 3.8)], (2.0, 9.5)),  # too far away: the word is cut
    ],
)
def test_where_the_voice_begins_and_ends(
    part: tuple[float, float], pauses: list[tuple[float, float]], heard: tuple[float, float]
) -> None:
    found = heard_part(Span(*part), SPOKEN, power(*pauses), 0.0)
    assert tuple(found) == pytest.approx(heard, abs=0.11)
    assert found.start_s >= part[0] and found.stop_s <= part[1]
    moved = heard_part(Span(*(t + 3 for t in part)), [Span(a + 3, b + 3) for a, b in SPOKEN],
                       power(*pauses), 3.0)  # fmt: skip
    assert tuple(moved) == pytest.approx(tuple(t + 3 for t in heard), abs=0.11)


def test_a_part_inside_one_word_is_still_a_part() -> None:
    found = heard_part(Span(2.0, 2.3), SPOKEN, power(), 0.0)
    assert 2.0 <= found.start_s <= found.stop_s <= 2.3


def test_it_is_silent_outside_and_does_not_click() -> None:
    block = np.ones((1, 48_000), np.float32)
    out = faded(block, 10.0, 48_000, (10.25, 10.75))
    assert not out[:, :12_000].any() and not out[:, 36_000:].any()
    assert out[:, 20_000:30_000].min() == 1 and np.abs(np.diff(out)).max() < 1e-3
