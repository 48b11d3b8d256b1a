"""Words of a script: which of them stand by their sentence."""

from __future__ import annotations

import pytest

from pipeline.analysis.sound.script_times import _together
from pipeline.model.time import Span


def words(*starts_s: float) -> list[Span]:
    return [Span(s, s + 0.3) for s in starts_s]


@pytest.mark.parametrize(
    ("heard", "span"),
    [
        (words(1, 5, 5.4, 5.8, 6.2), (5, 6.5)),  # 'the', in an earlier sentence
        (words(1, 1.4, 5, 5.4, 5.8), (5, 6.1)),
        (words(1, 1.4, 1.8, 2.2, 9), (1, 2.5)),
        (words(1, 1.4, 1.8, 5, 5.4, 5.8), (1, 6.1)),  # a pause of the narrator
        (words(1, 5, 5.4, 5.8), (1, 6.1)),  # too short to tell
    ],
)
def test_a_word_far_from_its_sentence_says_nothing_of_where_it_begins(
    heard: list[Span], span: tuple[float, float]
) -> None:
    found = _together(heard)
    assert (found[0].start_s, found[-1].stop_s) == pytest.approx(span)
    assert len(found) == len(heard)
