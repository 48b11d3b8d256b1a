"""Residuals added up: faint lettering that stands still over tissue that moves. Relations on made
pictures; nothing published is compared with."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.analysis.identity.letter_moved import residual
from pipeline.analysis.identity.letter_net import LetterNet, mean_view
from pipeline.analysis.identity.letter_spans import counted, told_apart
from pipeline.analysis.identity.letter_stays import BLOCK_S, Stays
from pipeline.analysis.identity.letter_watch import LetterWatch, Sight
from pipeline.analysis.identity.lettering import merge_lettering

SIDE = 256
BOX = (40, 100, 180, 44)
LINE = (200, 150, 160, 24)
WIDE = cv2.GaussianBlur(
    np.random.default_rng(3).normal(0, 60, (SIDE + 120, SIDE + 120)).astype(np.float32), (0, 0), 2
)


def ink() -> NDArray[np.float32]:
    out = np.zeros((SIDE, SIDE), np.uint8)
    cv2.putText(out, "HN48213", (44, 134), cv2.FONT_HERSHEY_SIMPLEX, 1.2, 255, 3, cv2.LINE_AA)
    return out.astype(np.float32) / 255


def picture(time_s: float, opacity: float, still: bool = False) -> NDArray[np.uint8]:
    """Rough texture that wanders to and fro, as a held camera does, with noise of the sensor."""
    t = 0.0 if still else time_s
    x, y = 25 * math.sin(1.3 * t), 20 * math.sin(0.9 * t + 1)
    move = np.array([[1, 0, x - 60], [0, 1, y - 60]], np.float32)
    tissue = 110 + 3 * cv2.warpAffine(WIDE, move, (SIDE, SIDE))
    noise = np.random.default_rng(round(1000 * time_s)).normal(0, 2, tissue.shape)
    share = opacity * ink()
    return np.clip(tissue * (1 - share) + 250 * share + noise, 0, 255).astype(np.uint8)


def stays(seconds: float, shown: tuple[float, float], opacity: float) -> Stays:
    out, before = Stays(), None
    for number in range(round(9 * seconds)):
        time_s = number / 9
        now = picture(time_s, opacity if shown[0] <= time_s < shown[1] else 0.0)
        if before is not None:
            out.add(time_s - 1 / 9, time_s, residual(before, now))
        before = now
    return out


def likeness(seen: NDArray[np.float32]) -> float:
    """Correlation with the ink of what is fine in a picture."""
    near = cv2.dilate((ink() > 0).astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    fine = seen - cv2.blur(seen, (31, 31))
    return float(np.corrcoef(fine[near], ink()[near])[0, 1])


def test_what_stands_still_adds_up_as_it_does_not_in_pictures() -> None:
    """Of 5 %: in one residual, in the average of the pictures, and in that of residuals."""
    held = stays(6.2, (0, 9), 0.05)
    seen = held.mean(6.0)
    assert seen is not None and seen[0] == pytest.approx(0, abs=0.01)
    shown = [picture(n / 9, 0.05).astype(np.float32) for n in range(55)]
    one = residual(picture(2.0, 0.05), picture(2 + 1 / 9, 0.05))
    assert likeness(seen[1]) > 0.7
    assert likeness(seen[1]) > 1.4 * likeness(one)
    assert likeness(seen[1]) > 1.4 * likeness(np.mean(shown, axis=0, dtype=np.float32))
    short = held.mean(2.0)
    assert short is not None and likeness(one) < likeness(short[1]) < likeness(seen[1])


def test_it_is_known_to_half_a_second_from_when_to_when_it_stood() -> None:
    first_s, last_s = stays(6.2, (2.2, 4.7), 0.08).stood(BOX, (0, 0, SIDE, SIDE), 0.0)
    assert abs(first_s - 2.2) <= BLOCK_S and abs(last_s - 4.7) <= BLOCK_S


def test_too_short_a_time_is_not_looked_at_and_no_more_is_kept_than_is_looked_at() -> None:
    assert Stays().mean(2.0) is None
    assert stays(1.0, (0, 9), 0.05).mean(2.0) is None
    long = stays(12.0, (0, 9), 0.05)
    assert sum(b.total.nbytes for b in long.blocks) <= 15 * 4 * SIDE * SIDE


def spans(sights: list[Sight]) -> list[tuple[float, float]]:
    found = merge_lettering(counted(sights), 0.25, [], 640, 480, 30.0)
    return [(entry.start_s, entry.stop_s) for entry in found]


def test_one_sure_look_is_enough_and_takes_doubtful_ones_at_its_place_with_it() -> None:
    assert spans([Sight(4, 10, "stays", LINE, 7.5)]) == [(3.75, 10.25)]
    doubtful = [Sight(t - 2, t, "stays", LINE, 5.6) for t in (6.0, 8.0, 10.0)]
    elsewhere = [Sight(t - 2, t, "stays", (20, 20 * int(t), 40, 12), 5.6) for t in (6.0, 8.0, 10.0)]
    assert not spans([*doubtful, *elsewhere])
    assert spans([*doubtful, *elsewhere, Sight(7, 9, "stays", LINE, 7.5)]) == [(3.75, 10.25)]


def test_a_streak_on_the_glass_is_not_seen_from_both_sides() -> None:
    """Log odds as of one in a made clean film, 7.2 and 2.1, and of a faint line of 4 %."""
    streak = Sight(4, 6, "stays", LINE, 7.2, again=2.1)
    assert told_apart([streak]) == ([], [streak])
    line = Sight(4, 6, "stays", LINE, 7.2, again=12.7)
    assert told_apart([line]) == ([line], [])
    assert told_apart([streak, line]) == ([streak, line], [])


def test_what_plain_looks_see_ends_with_them() -> None:
    plain = [Sight(5 + n / 9, 5 + n / 9, "whole", LINE, 12.0) for n in range(28)]  # to 8.0 s
    (both,) = spans([*plain, Sight(4.6, 8.4, "stays", LINE, 12.0)])
    assert both == (4.75, 8.25)
    # Plain looks that stop long before it goes do not end it.
    assert max(b for _, b in spans([*plain, Sight(4.6, 10.4, "stays", LINE, 12.0)])) == 10.65


def test_the_network_sees_it_and_nothing_where_nothing_is() -> None:
    net, here = LetterNet(), cv2.resize(ink(), (SIDE // 4, SIDE // 4), interpolation=cv2.INTER_AREA)
    for opacity in (0.06, 0.0):
        seen = stays(2.2, (0, 9), opacity).mean(2.0)
        assert seen is not None
        cells = net.cells(mean_view(seen[1]), "mean")
        assert (float(np.median(cells[here > 0.4])) > 6) == (opacity > 0)
        assert opacity or cells.max() < 5


@pytest.mark.slow
@pytest.mark.parametrize("still", [False, True])
def test_the_watch_finds_it_and_nothing_where_nothing_is(still: bool) -> None:
    """With the network itself. Of a camera that does not move either, nothing is left."""
    chroma = np.full((SIDE // 2, SIDE // 2), 128, np.uint8)
    for opacity in (0.06, 0.0):
        watch = LetterWatch()
        for number in range(36):
            luma = picture(number / 9, opacity, still)
            watch.step(number / 9, (luma, chroma, chroma), (0, 0, SIDE, SIDE))
        kept = [s for s in counted(watch.sights) if s.kind == "stays"]
        assert bool(kept) == (opacity > 0 and not still)
