"""A letter of our own words can pass for a face: it is not one, a face beside the words is."""

from __future__ import annotations

import pytest

from pipeline.analysis.identity.detect import Detectors

WORDS = (30, 100, 200, 60, 2.0, 5.0)  # of a card, from 2 to 5 s


@pytest.mark.parametrize(
    ("box", "time_s", "found"),
    [
        ((120, 120, 18, 18), 3.0, False),
        ((120, 120, 18, 18), 5.5, True),  # the card has gone
        ((120, 120, 18, 18), 1.0, True),
        ((20, 20, 220, 220), 3.0, True),  # larger than the words
        ((240, 120, 18, 18), 3.0, True),
    ],
)
def test_only_what_lies_in_words_while_they_stand_is_left_out(
    box: tuple[int, int, int, int], time_s: float, found: bool
) -> None:
    detectors = Detectors([], lettering=False)
    detectors._size = (320, 240)
    assert detectors._faces is not None
    detectors._faces.looks, detectors._faces.inside = [(time_s, [(*box, 0.61)])], [False]
    assert bool(detectors.finish(9.0, [WORDS, (0, 0, 320, 240)])[1]) is found


@pytest.mark.parametrize(
    ("box", "found"),
    [((120, 112, 18, 18), False), ((120, 112, 26, 26), True), ((20, 20, 18, 18), True)],
)
def test_a_letter_of_the_mark_is_no_face_but_a_larger_one_behind_it_is(
    box: tuple[int, int, int, int], found: bool
) -> None:
    """Looked at closely, a letter of 'TEACHING COPY' passed for a face with a score of .77."""
    detectors = Detectors([], lettering=False)
    detectors._size = (320, 240)
    assert detectors._faces is not None
    detectors._faces.looks = [(3.0, [(*box, 0.77)])]
    detectors._faces.inside = [True]
    assert bool(detectors.finish(9.0, [(100, 90, 180, 60)])[1]) is found
