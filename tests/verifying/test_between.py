"""Between the windows in which a long part is compared with its source, the mark is seen too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from long_clip import made_long

from pipeline.media.probe import probe
from pipeline.media.write import planes_of
from pipeline.stages.progress import no_progress
from pipeline.stages.rendering import pictures as rendering
from pipeline.stages.verifying.pictures import picture_checks
from pipeline.stages.verifying.result import Verifying
from pipeline.stages.verifying.throughout import NAME as SURVEYED

RATE = 10
Planes = tuple[np.ndarray, np.ndarray, np.ndarray]
pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Long:
    """A clip of one long part, and the middle of a stretch that is not compared with the source.

    key_s: a key frame of the source that is compared by itself.
    """

    given: tuple[Any, ...]
    middle_s: float
    key_s: float

    def failed(self, into: Path, change: Callable[[float, Planes], Any], plan: Any = None) -> set:
        """Names of the checks of its pictures that fail when each was changed before coding."""
        made, media, coverage, options, series = self.given
        plain = rendering.compose

        def changed(*arguments: Any, **named: Any) -> Any:
            for shown in plain(*arguments, **named):
                change(shown.time_s - self.middle_s, planes_of(shown.frame))
                yield shown

        path = into / "pictures.mp4"
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(rendering, "compose", changed)
            rendering.render_pictures(plan or made, media, coverage, options, path)
        checks = picture_checks(path, probe(path), made, media, coverage, options,
                                Verifying(), (), no_progress, series)  # fmt: skip
        assert {"mark seen throughout", SURVEYED} <= {c.check for c in checks}
        return {c.check for c in checks if not c.passed}


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Long:
    given, expected = made_long(tmp_path_factory.mktemp("long"), RATE, 50)
    times = np.array(expected.compared)
    widest = int(np.diff(times).argmax())
    assert times[widest + 1] - times[widest] > 5
    middle_s = float(times[widest : widest + 2].mean())
    apart = np.diff(times, prepend=-np.inf, append=np.inf) > 1
    keys_s = times[apart[:-1] & apart[1:]]
    return Long(given, middle_s, float(keys_s[np.abs(keys_s - middle_s).argmin()]))


def flattened(t: float, planes: Planes) -> None:
    """As if the mark had been smoothed away."""
    if abs(t) < 1.2:
        planes[0][:] = cv2.medianBlur(planes[0], 9)


def test_the_good_clip_passes(clip: Long, tmp_path: Path) -> None:
    assert clip.failed(tmp_path, lambda t, planes: None) == set()


def test_what_is_painted_over_a_key_frame_of_the_source_is_named(
    clip: Long, tmp_path: Path
) -> None:
    """A patch as large as a letter, over one picture before it and one after."""

    def painted(t: float, planes: Planes) -> None:
        if abs(t + clip.middle_s - clip.key_s) < 1.5 / RATE:
            planes[0][100:112, 130:142] = 200

    assert clip.failed(tmp_path, painted) == {"picture like its source"}


class Late:
    """Two seconds that were shown a second before."""

    def __init__(self) -> None:
        self.before: list[Planes] = []

    def __call__(self, t: float, planes: Planes) -> None:
        self.before.append(tuple(p.copy() for p in planes))  # type: ignore[arg-type]
        if abs(t) < 1.0:
            for plane, old in zip(planes, self.before[-1 - RATE], strict=True):
                plane[:] = old


def painted(t: float, planes: Planes) -> None:
    if abs(t) < 0.5:
        planes[0][90:120, 110:140] = 120


def browner(t: float, planes: Planes) -> None:
    if abs(t) < 0.5:
        planes[1][30:90, 40:120] = np.minimum(planes[1][30:90, 40:120].astype(int) + 14, 240)


def inset(t: float, planes: Planes) -> None:
    """The whole picture once more, small, in a corner of the field."""
    if abs(t) < 0.3:
        for plane, part in zip(planes, (1, 2, 2), strict=True):
            rows, cols = 60 // part, 80 // part
            at = slice(50 // part, 50 // part + rows), slice(100 // part, 100 // part + cols)
            plane[at] = cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA)


def exchanged(t: float, planes: Planes) -> None:
    if abs(t) < 0.3:
        planes[1][:], planes[2][:] = planes[2].copy(), planes[1].copy()


def mirrored(t: float, planes: Planes) -> None:
    if abs(t) < 0.3:
        for plane in planes:
            plane[:] = plane[:, ::-1].copy()


@pytest.mark.parametrize("change", [painted, browner, Late(), inset, exchanged, mirrored],
                         ids=["painted over", "browner", "a second before", "a small picture in it",
                              "colours exchanged", "mirrored"])  # fmt: skip
def test_what_only_the_source_tells_is_named_between_its_key_frames(
    clip: Long, tmp_path: Path, change: Callable[[float, Planes], Any]
) -> None:
    assert SURVEYED in clip.failed(tmp_path, change)


def test_a_mark_that_is_smoothed_away_is_named(clip: Long, tmp_path: Path) -> None:
    assert "mark seen throughout" in clip.failed(tmp_path, flattened)


@pytest.mark.parametrize("share", [0.0, 0.3, 2.6])
def test_a_mark_of_another_strength_for_two_seconds_is_named(
    clip: Long, tmp_path: Path, share: float
) -> None:
    plan, media, coverage, options, _ = clip.given
    mark = plan.mark.model_copy(update={"target": share * plan.mark.target}) if share else None
    other = {
        round(s.time_s, 4): [p.copy() for p in planes_of(s.frame)]
        for s in rendering.compose(plan.model_copy(update={"mark": mark}), media, coverage, options)
        if abs(s.time_s - clip.middle_s) < 1.1
    }

    def change(t: float, planes: Planes) -> None:
        for plane, new in zip(planes, other.get(round(t + clip.middle_s, 4), []), strict=False):
            plane[:] = new

    assert "mark seen throughout" in clip.failed(tmp_path, change)
