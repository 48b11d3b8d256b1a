"""A face that shows for two or three pictures is met: in a cut, drawn in, or within tissue.

The photograph is the public-domain one in scikit-image (see `scenes_faces`).
"""

from __future__ import annotations

import dataclasses
import importlib.util
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
import pytest
import scenes_faces
import scenes_lettering as scenes

from pipeline.analysis.identity.face_watch import FaceWatch
from pipeline.analysis.identity.newcomers import Newcomers

BOX = (80, 0, 480, 480)
FAINT = 24  # levels


@pytest.fixture(scope="module")
def benchmark() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "faces.py"
    spec = importlib.util.spec_from_file_location("faces_benchmark", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def plain(seed: int) -> scenes_faces.Shown | None:
    """The face of a seed where it is not hidden nor much turned, for two or three pictures."""
    one = scenes_faces.shown(seed, 2 + seed % 2)
    film = scenes.film(seed)
    if film.height > 480 or not film.radius or one.hidden != "no" or abs(one.turn_deg) > 40:
        return None
    if one.way == "swept" or not 0.2 < one.share < 0.7:
        return None
    return dataclasses.replace(one, first=6 + seed % 9)


@pytest.mark.parametrize("count", [2, pytest.param(10, marks=pytest.mark.slow)])
def test_faces_of_two_or_three_pictures_are_found(benchmark: ModuleType, count: int) -> None:
    """Before each picture was looked at, all of these were missed: black around the field made a
    cut look like no cut, and inside the body faces were looked for every 2 s."""
    plates, shares = scenes.plates(None), []
    for seed in range(40_000, 40_400):
        one = plain(seed)
        if one is not None:
            seconds = (one.first + one.count + 4) / scenes.film(seed).rate
            made = scenes_faces.FaceFilm(seed, plates, one, seconds)
            shares.append(benchmark.covered(made, benchmark.looked_at(made, False)[0]) or 0.0)
        if len(shares) == count:
            break
    assert len(shares) == count
    assert sum(s >= 0.9 for s in shares) >= 0.9 * count, shares


def moving(number: int, thing: tuple[int, int, int] | None = None) -> np.ndarray:
    """Tissue that moves by 3 px a picture in a round field, maybe with a thing in it."""
    eye = scenes.plates(None)[0]
    rgb = np.zeros((480, 640, 3), np.uint8)
    y, x = np.mgrid[:480, :640]
    part = cv2.resize(eye[:, 3 * number : 3 * number + 300], (640, 480))
    inside = np.hypot(x - 320, y - 240) < 230
    rgb[inside] = part[inside]
    if thing is not None:
        cv2.circle(rgb, thing[:2], thing[2], (190, 160, 140), -1)
    return rgb


def test_what_moves_is_not_new_and_what_comes_is(benchmark: ModuleType) -> None:
    news = Newcomers()
    for number in range(20):
        assert news.step(benchmark.planes(moving(number)), BOX) is None
    new = news.step(benchmark.planes(moving(20, (400, 200, 40))), BOX)
    assert new is not None and not new.cut
    x, y, w, h = new.box
    assert x <= 400 < x + w and y <= 200 < y + h and max(w, h) < 200
    assert news.step(benchmark.planes(moving(21, (403, 200, 40))), BOX) is None
    cut = news.step(benchmark.planes(np.full((480, 640, 3), 140, np.uint8)), BOX)
    assert cut is not None and cut.cut is False  # flat: nothing tells it from the same, darker
    news.step(benchmark.planes(moving(22)), BOX)
    blocks = np.random.default_rng(3).integers(20, 230, (12, 16, 3)).astype(np.uint8)
    other = news.step(benchmark.planes(cv2.resize(blocks, (640, 480))), BOX)
    assert other is not None and other.cut


def test_what_is_hardly_unlike_the_tissue_is_new_too(benchmark: ModuleType) -> None:
    news = Newcomers()
    for number in range(20):
        assert news.step(benchmark.planes(moving(number)), BOX) is None
    shown = moving(20)
    shown[160:260, 340:440] = np.clip(shown[160:260, 340:440].astype(int) + FAINT, 0, 255)
    new = news.step(benchmark.planes(shown), BOX)
    assert new is not None and not new.cut


def test_what_is_new_is_looked_at_once_more_soon_after(benchmark: ModuleType) -> None:
    """It may have been blurred, or half in the picture, at first."""
    watch = FaceWatch()
    for number in range(40):
        rgb = moving(number, (400, 200, 40) if number >= 20 else None)
        watch.step(number / 25, benchmark.planes(rgb), lambda rgb=rgb: rgb, BOX, False)
    times = [round(25 * t) for t, _ in watch.looks]
    assert times == [0, 20, 22]


def test_much_that_is_new_costs_a_look_a_second(benchmark: ModuleType) -> None:
    """Glints that come and go all the time: closer looks are bounded, and there is no face."""
    watch = FaceWatch()
    for number in range(50):
        thing = (200 + 37 * number % 250, 120 + 53 * number % 240, 30) if number % 2 else None
        rgb = moving(number // 2, thing)
        watch.step(number / 25, benchmark.planes(rgb), lambda rgb=rgb: rgb, BOX, False)
    assert not any(boxes for _, boxes in watch.looks)
    assert 4 <= len(watch.looks) <= 2 * (4 + 2) + 3
