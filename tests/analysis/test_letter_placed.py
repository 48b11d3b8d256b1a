"""What was put into the picture is no line together with what lies beside it.

Turned boxes are held against OpenCV's boxPoints; the rest are relations on made pictures.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from test_letter_moved import picture, tissue

from pipeline.analysis.identity import letter_watch
from pipeline.analysis.identity.detect import Detectors, Shown
from pipeline.analysis.identity.letter_moved import LastLook
from pipeline.analysis.identity.letter_placed import STEP_S, Place, Placed, unseen


@pytest.mark.parametrize("turn_deg", [0.0, 12.0, -35.0, 90.0])
def test_corners_are_those_of_a_turned_box(turn_deg: float) -> None:
    place = Place(0, 1, 120.5, 80, 90, 20, turn_deg)
    expected = cv2.boxPoints(((120.5, 80), (90, 20), turn_deg))
    apart = np.linalg.norm(place.corners()[:, None] - expected[None], axis=2)
    assert apart.min(axis=0).max() < 0.01 > apart.min(axis=1).max()


def test_a_place_is_known_in_its_span_and_lingers_in_averages() -> None:
    placed = Placed([(2.0, 2.5, 60, 30, 40, 10, 0)])
    crop = (20, 10, 100, 60)

    def some(since_s: float, time_s: float, averaged: bool = False) -> int:
        mask = placed.plane(since_s, time_s, crop, (120, 200), averaged)
        return 0 if mask is None else int(mask.sum())

    assert some(1.0, 1.9) == some(2.6, 3.0) == 0 == some(5.5, 6, True)
    assert some(2.2, 2.2) == pytest.approx(4 * 40 * 10, rel=0.15)
    assert some(1.0, 4.0) == some(4.0, 4.5, True) == some(2.2, 2.2)
    mask = placed.plane(2.2, 2.2, crop, (120, 200))
    assert mask is not None and mask[40, 80] and not mask[40, 30] and not mask[60, 80]
    assert placed.boxes(2.2) == [(40, 25, 40, 10)] and STEP_S >= 0.5


def test_cells_on_it_and_close_around_say_nothing() -> None:
    cells = np.full((20, 40), 9.0, np.float32)
    put = np.zeros((80, 160), np.uint8)
    put[32:40, 40:80] = 1
    left = unseen(cells, put)
    assert (left[8:10, 10:20] < -9).all() and (left[6, 8:22] < -9).all()
    assert (left[:5] == 9).all() and (left[13:] == 9).all() and (left[:, 24:] == 9).all()
    assert unseen(cells, None) is cells


def test_what_is_left_of_it_twice_is_known_at_both_places() -> None:
    """A mark over tissue that moved 9 px: the one that was taken away lies 9 px further."""
    clear = [tissue(s).clip(0, 255).astype(np.uint8) for s in (0, 9)]
    marked = [picture(s, 0.4) for s in (0, 9)]
    put = (np.abs(marked[1].astype(int) - clear[1]) > 2).astype(np.uint8)
    look = LastLook()
    assert look.left(0.0, marked[0], put) is None
    left = look.left(0.1, marked[1], put)
    plain = LastLook()
    plain.left(0.0, clear[0], None)
    other = plain.left(0.1, clear[1], None)
    assert left is not None and other is not None and look.left_put is not None
    inner = (slice(60, -60),) * 2
    more = np.abs(left - other)[inner]
    known = cv2.dilate(look.left_put, np.ones((5, 5), np.uint8))[inner] > 0
    only_now = cv2.dilate(put, np.ones((5, 5), np.uint8))[inner] > 0
    assert more[~known].mean() < 0.5 and more[known & ~only_now].mean() > 10
    assert plain.left_put is None


class Bright:
    """In place of the network: sees what is bright."""

    def __init__(self, *_: object) -> None:
        pass

    def cells(self, view: NDArray[np.uint8], kind: str = "one") -> NDArray[np.float32]:
        out = np.full((view.shape[0] // 4, view.shape[1] // 4), -9.0, np.float32)
        if kind == "one":
            small = cv2.resize(view[..., 0], out.shape[::-1], interpolation=cv2.INTER_AREA)
            out[small > 150] = 12.0
        return out


@pytest.mark.parametrize("name", [False, True])
def test_a_name_that_goes_past_the_mark_is_found_and_the_mark_is_not(
    name: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a place where the mark may be at other times, for which all of it was left out."""
    monkeypatch.setattr(letter_watch, "LetterNet", Bright)
    mark = (100, 100, 120, 24)
    luma = np.full((240, 320), 60, np.uint8)
    luma[104:120, 104:216] = 200
    if name:
        luma[124:140, 100:220] = 220
    planes = (luma, *(np.full((120, 160), 128, np.uint8) for _ in range(2)))
    places = [(0.5 * k, 0.5 * k + 0.5, 160, 112, 120, 24, 0) for k in range(4)]
    reach = (90, 80, 140, 70)
    found = {}
    for given in ((), places):
        detectors = Detectors([], faces=False, placed=given)
        for number in range(20):
            detectors.step(Shown(number / 10, planes, lambda: np.zeros((8, 8, 3), np.uint8)))
        found[bool(given)], _ = detectors.finish(2.0, [reach])
    assert found[False] == []
    assert bool(found[True]) == name
    assert all(i.box_px[1] > mark[1] + 10 for i in found[True])


def test_a_line_may_go_on_under_it_as_far_as_it_is_seen_to_be_long() -> None:
    placed = Placed([(2.0, 2.5, 160, 112, 120, 24, 0)])  # 100 to 220, 100 to 124
    assert placed.hidden(2.2, 2.2, [(40, 104, 50, 14)]) == [(100, 104, 55, 15)]
    assert placed.hidden(2.2, 2.2, [(230, 104, 200, 14)]) == [(100, 104, 121, 15)]
    upright = placed.hidden(2.2, 2.2, [(150, 60, 14, 36)])
    assert upright == [(150, 100, 15, 25)]
    for box in ((20, 104, 50, 14), (110, 126, 60, 14), (40, 60, 50, 14)):
        assert placed.hidden(2.2, 2.2, [box]) == []
    assert placed.hidden(4.0, 4.2, [(40, 104, 50, 14)]) == []


@pytest.mark.parametrize("turn_deg", [0.0, 20.0])
def test_a_name_over_the_end_of_the_mark_gets_a_box_under_it_too(
    turn_deg: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(letter_watch, "LetterNet", Bright)
    luma = np.full((240, 320), 60, np.uint8)
    luma[104:120, 50:140] = 220
    planes = (luma, *(np.full((120, 160), 128, np.uint8) for _ in range(2)))
    places = [(0.5 * k, 0.5 * k + 0.5, 160, 112, 120, 24, turn_deg) for k in range(4)]
    detectors = Detectors([], faces=False, placed=places)
    for number in range(20):
        detectors.step(Shown(number / 10, planes, lambda: np.zeros((8, 8, 3), np.uint8)))
    found, _ = detectors.finish(2.0)
    for time_s in (0.3, 1.0, 1.7):
        left = luma > 100
        for x, y, w, h in (i.box_px for i in found if i.start_s <= time_s < i.stop_s):
            left[y : y + h, x : x + w] = False
        assert left.sum() == 0, time_s
    assert all(i.box_px[0] + i.box_px[2] < 200 for i in found), "not all of the mark"
