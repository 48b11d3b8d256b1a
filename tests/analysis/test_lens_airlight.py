"""Fog that never leaves: no clear picture to compare with, so no number."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pipeline.analysis.lens.airlight import standing_airlight
from pipeline.analysis.lens.events import find_events
from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.lens.registration import LUMA
from pipeline.analysis.lens.tables import LensResult
from pipeline.model.findings import Event
from tests.analysis.test_lens import field_of
from tests.scenes_lens import (
    COLS,
    ROWS,
    Clip,
    Disturbance,
    Scene,
    picture_canvas,
    reduced,
    tissue_canvas,
)

cv2.setNumThreads(1)


def measure(scene: Scene) -> tuple[Clip, LensResult, list[Event]]:
    clip = Clip(replace(scene, coarse=True))
    fold = LensFold(field_of(clip), COLS, ROWS)
    for time_s, rgb, _loss in clip.frames():
        fold.step(time_s, reduced(rgb))
    result = fold.finish()
    return clip, result, find_events(result.series(), field_of(clip), scene.duration_s)


@pytest.mark.parametrize("texture", ["invented", "photograph"])
def test_fogged_from_the_first_to_the_last_has_no_number(texture: str) -> None:
    """The photograph is `skimage.data.retina`; the airlight follows Koschmieder's law."""
    from skimage import data

    canvas = (
        tissue_canvas(61, 0.6, 0.5)
        if texture == "invented"
        else picture_canvas(data.retina()[300:1100, 300:1100])
    )
    clear = Scene(seed=62, duration_s=20, canvas=canvas)
    fogged = replace(clear, disturbances=(Disturbance("fog", -2, 0.5, 40, 2, 0.65),))
    _clip, result, events = measure(fogged)
    assert np.isnan(result.contrast_loss).mean() > 0.9
    assert [e for e in events if e.kind == "fog" and e.stop_s - e.start_s > 15]
    assert all(e.peak_loss is None for e in events if e.kind == "fog")
    # at least so much, and the true loss is not ruled out
    at = np.isfinite(result.contrast_loss_low)
    assert np.nanmax(result.contrast_loss_low) <= 0.65
    assert (result.contrast_loss_high[at] > 0.65).mean() > 0.9
    _clip, result, events = measure(clear)
    assert np.isfinite(result.contrast_loss).mean() > 0.95
    assert np.nanmean(result.contrast_loss) < 0.05
    assert not [e for e in events if e.kind == "fog"]


@pytest.mark.parametrize("bright", [0.3, 0.9])
def test_smooth_tissue_without_dark_content_keeps_its_number(bright: float) -> None:
    scene = Scene(
        seed=63,
        duration_s=20,
        canvas=tissue_canvas(64, 0.05, bright),
        hole=0.0,
        falloff=0.1,
        level=0.35,
        highlights=0.3,
    )
    _clip, result, events = measure(scene)
    assert np.isfinite(result.contrast_loss).mean() > 0.9
    assert np.nanmean(result.contrast_loss) < 0.05
    assert not [e for e in events if e.kind == "fog"]


def test_fog_that_stays_is_still_there_after_a_look_elsewhere() -> None:
    """No picture after the hop was seen clear; the lens is the same as before."""
    scene = Scene(
        seed=65,
        duration_s=30,
        canvas=tissue_canvas(66, 0.7, 0.4),
        disturbances=(Disturbance("fog", 8, 1.0, 40, 2, 0.6),),
        hops=(16.0,),
    )
    clip, result, events = measure(scene)
    late = result.time_s > 18
    assert np.abs(result.contrast_loss - np.array(clip.losses))[late].mean() < 0.1
    assert [e for e in events if e.kind == "fog" and e.start_s < 9 and e.stop_s > 28]


def airlight_of(mean: np.ndarray, dark: np.ndarray, contrast: float, colour: float) -> np.ndarray:
    n = 20
    i = np.arange(n - 1)
    return standing_airlight(
        i,
        i + 1,
        np.zeros(n),
        np.ones(n),
        np.full(3, 0.6),
        np.repeat(mean[None], n, 0),
        np.repeat(dark[None], n, 0),
        np.full(n, colour),
        np.full(n, contrast),
    )[0]


def test_more_airlight_is_more_evidence_and_gain_is_none() -> None:
    """Airlight added by the law to the numbers of one clear scene."""
    mean, dark, contrast = np.array([0.35, 0.18, 0.15]), np.array([0.06, 0.02, 0.015]), 0.08
    evidence = []
    for loss in (0.0, 0.3, 0.6, 0.8):
        t, air = 1 - loss, 0.6 * loss
        veiled, low = mean * t + air, dark * t + air
        coded = (veiled ** (1 / 2.2)).round(6)
        colour = 1 - coded.min() / coded.max()
        evidence.append(airlight_of(veiled, low, contrast * t, colour)[0])
        again = airlight_of(1.4 * veiled, 1.4 * low, 1.4 * contrast * t, colour)[0]
        assert again == pytest.approx(evidence[-1])
    assert np.all(np.diff(evidence) >= 0)
    assert evidence[0] < 0
    assert evidence[-1] > 4.5
    assert mean @ LUMA > 0.2


@pytest.mark.parametrize("left_out", ["dark", "colour", "contrast"])
def test_no_cue_is_enough_by_two_of_three(left_out: str) -> None:
    """Pale, flat or evenly bright tissue alone is not airlight that is there for sure."""
    mean = np.array([0.5, 0.45, 0.42])
    dark = mean * (0.1 if left_out == "dark" else 0.9)
    colour = 0.55 if left_out == "colour" else 0.05
    contrast = 0.2 if left_out == "contrast" else 0.01
    assert airlight_of(mean, dark, contrast, colour)[0] < 3.0
