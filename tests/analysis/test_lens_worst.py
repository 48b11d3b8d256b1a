"""Worst first: what is found is ordered as it was laid over the picture."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.stats import spearmanr

from pipeline.analysis.lens.events import find_events
from pipeline.analysis.lens.fold import LensFold
from tests.analysis.test_lens import field_of
from tests.scenes_lens import (
    COLS,
    ROWS,
    Clip,
    Disturbance,
    Scene,
    default_canvases,
    match,
    reduced,
    tissue_canvas,
)

cv2.setNumThreads(1)

AGREES = 0.9  # asked of the rank correlation


def graded(seed: int) -> tuple[Disturbance, ...]:
    """Five fogs in 38 s, apart from each other in depth and in length."""
    rng = np.random.default_rng(seed)
    depths = rng.permutation([0.3, 0.45, 0.6, 0.75, 0.9])
    holds = rng.permutation([0.3, 1.0, 1.7, 2.4, 3.0])
    return tuple(
        Disturbance("fog", 3.0 + 7.0 * k, 0.8, float(hold), 2.0, float(depth))
        for k, (depth, hold) in enumerate(zip(depths, holds, strict=True))
    )


def lost(scene: Scene) -> list[tuple[float, float]]:
    """(what was laid over it, what was found over it) of each fog that was found, s of picture.

    Laid by Koschmieder's law: the share of the contrast that is gone, summed over time.
    """
    clip = Clip(scene)
    fold = LensFold(field_of(clip), COLS, ROWS)
    for time_s, rgb, _loss in clip.frames():
        fold.step(time_s, reduced(rgb))
    events = find_events(fold.finish().series(), field_of(clip), scene.duration_s)
    fogs = [e for e in events if e.kind == "fog"]
    laid = [
        (d.start_s, d.start_s + d.rise_s + d.hold_s + d.fall_s) for d in scene.disturbances
    ]
    out = []
    for found, true in match([(e.start_s, e.stop_s) for e in fogs], laid):
        a, b = laid[true]
        gone = sum(x for t, x in zip(clip.times, clip.losses, strict=True) if a <= t < b)
        out.append((0.2 * gone, fogs[found].lost_s))
    return out


def test_graded_fog_is_ordered_as_it_was_laid() -> None:
    scene = Scene(seed=6, duration_s=38.0, canvas=tissue_canvas(31, 0.6, 0.5), coarse=True)
    laid, told = zip(*lost(replace(scene, disturbances=graded(2))), strict=True)
    assert len(laid) == 5
    assert spearmanr(laid, told)[0] >= AGREES
    assert told == pytest.approx(laid, rel=0.25)


@pytest.mark.slow
def test_graded_fog_on_many_textures_is_ordered_as_it_was_laid() -> None:
    pairs = []
    for k, canvas in enumerate(default_canvases(77)):
        gain = ("fixed", "auto", "steps")[k % 3]
        pairs += lost(Scene(k, 38.0, canvas, graded(k), gain=gain, coarse=True))
    assert len(pairs) >= 48  # of 60
    laid, told = zip(*pairs, strict=True)
    assert spearmanr(laid, told)[0] >= AGREES
