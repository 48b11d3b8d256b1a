"""The average of the last second: what stands adds up, what has gone is gone within a second."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.analysis.identity import letter_mean
from pipeline.analysis.identity.letter_mean import PART_S, PARTS, Part

RATE_HZ = 25
STOP_S = 2.0
BOX = (60, 100, 130, 24)


def stencil() -> NDArray[np.float32]:
    ink = np.zeros((256, 256), np.uint8)
    cv2.putText(ink, "HL-0417 K", (64, 120), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 255, 2, cv2.LINE_AA)
    return ink.astype(np.float32) / 255


def tissue(seed: int) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    rough = cv2.GaussianBlur(rng.normal(0, 1, (400, 400)).astype(np.float32), (0, 0), 3)
    return np.asarray(110 + 18 * rough / rough.std(), np.float32)


def parts_until(
    time_s: float, levels: float, pace_px: float, seed: int = 1, start_s: float = 0.0
) -> list[Part]:
    """Tissue that moves to the right under a line that stands from start_s to `STOP_S`."""
    wide, ink, parts = tissue(seed), stencil(), list[Part]()
    for number in range(round(time_s * RATE_HZ)):
        off = round(number * pace_px) % 140
        luma = wide[40:296, off : off + 256].copy()
        if start_s <= number / RATE_HZ < STOP_S:
            luma += levels * ink
        letter_mean.add(parts, number / RATE_HZ, luma)
    return parts


def likeness(parts: list[Part]) -> float:
    """Correlation of the average with the line, in the box."""
    x, y, w, h = BOX
    a = letter_mean.mean(parts)[y : y + h, x : x + w].ravel()
    b = letter_mean.detail(stencil())[y : y + h, x : x + w].ravel()
    return float(np.corrcoef(a, b)[0, 1])


@pytest.mark.parametrize("levels", [14.0, 140.0])
def test_a_line_that_stands_adds_up_and_is_gone_a_second_after_it_went(levels: float) -> None:
    assert likeness(parts_until(STOP_S, levels, 1.6)) > 0.6
    assert abs(likeness(parts_until(STOP_S + PARTS * PART_S, levels, 1.6))) < 0.3


@pytest.mark.parametrize("levels", [60.0, 140.0])
@pytest.mark.parametrize("after_s", [0.25, 0.5])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_is_said_to_the_quarter_until_when_it_stood(
    levels: float, after_s: float, seed: int
) -> None:
    _, until_s = letter_mean.shown(parts_until(STOP_S + after_s, levels, 1.6, seed), BOX)
    assert abs(until_s - STOP_S) <= PART_S


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_of_a_faint_line_nothing_is_cut_off(seed: int) -> None:
    """Where the tissue is as strong as the line, it lasts rather too long than too short."""
    _, until_s = letter_mean.shown(parts_until(STOP_S + 0.25, 14.0, 1.6, seed), BOX)
    assert until_s >= STOP_S - PART_S


def test_and_from_when() -> None:
    since_s, until_s = letter_mean.shown(parts_until(1.5, 60.0, 1.6, start_s=1.0), BOX)
    assert 1.0 - PART_S <= since_s <= 1.0 and until_s >= 1.4


def test_what_flashes_counts_little() -> None:
    parts, flat = list[Part](), np.full((64, 64), 100.0, np.float32)
    for number in range(RATE_HZ):
        luma = flat.copy()
        if number == 12:
            luma[20:24, 20:24] = 255.0
        letter_mean.add(parts, number / RATE_HZ, luma)
    assert float(letter_mean.mean(parts).max()) <= letter_mean.MOST / RATE_HZ + 1e-3


def test_a_still_picture_says_nothing_of_when() -> None:
    """Then the whole second counts: too long rather than too short."""
    parts = parts_until(1.0, 0.0, 0.0)
    assert letter_mean.shown(parts, BOX) == (parts[0].since_s, parts[-1].until_s)
