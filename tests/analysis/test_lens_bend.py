"""Drops on the glass bend the picture: what is seen in them does not move with the scene."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.analysis.lens import bend
from pipeline.analysis.lens.events import find_events
from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.lens.registration import Motion
from tests.analysis.test_lens import field_of
from tests.scenes_lens import COLS, ROWS, Clip, Disturbance, Scene, match, reduced, tissue_canvas

cv2.setNumThreads(1)
PLACE = np.zeros((8, 8))
PLACE[2:5, 4:6] = 1


def moved(factor: float, speed_px: float) -> np.ndarray:
    """(8, 8) what is said of a view that moves, and by `factor` as much in PLACE."""
    rng = np.random.default_rng(3)
    at = rng.uniform(0, 88, (400, 2))
    affine = np.zeros((2, 3))
    affine[0, 2] = speed_px
    block = (at / 11).astype(int)
    inside = PLACE[block[:, 1], block[:, 0]] > 0
    apart = rng.normal(0, 0.2, at.shape)
    apart[inside, 0] += (factor - 1) * speed_px
    motion = Motion(affine, np.zeros((10, 10, 2), np.float32), 1.0, at, apart)
    return bend.anyhow(motion, 88, 88).reshape(8, 8)


@pytest.mark.parametrize("factor", [-1.0, 3.0])
def test_what_moves_faster_or_backwards_is_told_and_more_so_the_faster_the_view(
    factor: float,
) -> None:
    """A lens shows its picture upside down past its focus, and larger before it (thin lens)."""
    told = moved(factor, 2.0)
    assert (told[PLACE > 0] > 0).mean() > 0.8
    assert (told[PLACE == 0] <= 0).mean() > 0.9
    assert (told * PLACE).sum() > (moved(factor, 0.7) * PLACE).sum() > 0
    assert (moved(1.0, 2.0) * PLACE).sum() < 0


def test_a_still_camera_tells_nothing() -> None:
    assert np.abs(moved(-1.0, 0.0)).max() < 0.2


def test_what_reaches_in_from_the_rim_is_an_instrument() -> None:
    drop = np.where(PLACE > 0, 1.0, -0.5)
    rod = drop.copy()
    rod[2:5] = 1.0
    assert bend.beyond_strips(drop.ravel(), PLACE.ravel()) > 2
    assert bend.beyond_strips(rod.ravel(), PLACE.ravel()) < 0


def test_a_drop_is_found_as_a_smudge() -> None:
    scene = Scene(
        seed=14, duration_s=16, canvas=tissue_canvas(3, 0.9, 0.5), coarse=True, speed=0.1,
        disturbances=(Disturbance("drop", 4.0, 0.3, 7.0, 0.3, 1.0),),
    )  # fmt: skip
    clip = Clip(scene)
    fold = LensFold(field_of(clip), COLS, ROWS)
    for time_s, rgb, _loss in clip.frames():
        fold.step(time_s, reduced(rgb))
    events = find_events(fold.finish().series(), field_of(clip), scene.duration_s)
    found = [(e.start_s, e.stop_s) for e in events if e.kind == "smudge"]
    assert len(match(found, [(4.2, 11.5)])) == len(found) == 1
