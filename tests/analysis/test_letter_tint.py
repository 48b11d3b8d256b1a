"""Lettering that is as light as the tissue, and what the closer look at the average is not
pointed at. Relations on made pictures; nothing published is compared with."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage import data

from pipeline.analysis.identity.letter_spans import counted
from pipeline.analysis.identity.letter_views import away_from_dark, without
from pipeline.analysis.identity.letter_watch import LetterWatch

SIDE = 480


def planes(shift: int, colour: int) -> tuple[NDArray[np.uint8], ...]:
    """A retina that moves, yuv420p, and a line in the planes of colour alone."""
    ycc = cv2.cvtColor(data.retina()[300:, 300:], cv2.COLOR_RGB2YCrCb)
    part = ycc[2 * shift : 2 * shift + SIDE, shift : shift + SIDE]
    luma = (16 + part[..., 0] * (219 / 255)).astype(np.uint8)
    blue, red = (np.ascontiguousarray(part[::2, ::2, n]) for n in (2, 1))
    line = np.zeros((SIDE // 2, SIDE // 2), np.uint8)
    cv2.putText(line, "BREKKESTAD I", (50, 90), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 255, 1, cv2.LINE_AA)
    share = line.astype(np.float32) / 255
    blue = np.clip(blue - colour * share, 0, 255).astype(np.uint8)
    return luma, blue, red


@pytest.mark.parametrize("colour", [10, 0])
def test_a_line_as_light_as_the_tissue_is_seen(colour: int) -> None:
    watch = LetterWatch()
    for number in range(60):
        watch.step(number / 25, planes(2 * number, colour), (0, 0, SIDE, SIDE))
    seen = [s.box for s in counted(watch.sights)]
    hit = [b for b in seen if b[0] < 260 and b[0] + b[2] > 140 and b[1] < 182 and b[1] + b[3] > 165]
    assert bool(hit) == bool(colour), seen


def test_the_rim_and_what_is_known_point_nowhere() -> None:
    luma = np.full((320, 320), 16, np.float32)
    luma[:, 160:] = 90
    away = away_from_dark(luma, 32)
    assert not away[:, :17].any() and away[:, 17:].all()
    cells = without(np.ones((32, 32), np.float32), (100, 50, 640, 320), [(260, 90, 100, 15)])
    rows, cols = np.nonzero(cells == 0)
    assert (rows.min(), rows.max()) == (4, 6) and (cols.min(), cols.max()) == (8, 13)
