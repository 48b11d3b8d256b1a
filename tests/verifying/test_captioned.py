"""Captions in the picture that are late, other, missing, or over the field are seen."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import pytest
from faults import with_options
from good import Good, Planes, make_good

from pipeline.stages.verifying.alone import verify_file

pytestmark = pytest.mark.slow

NAME = "captions in the picture as planned"
Change = Callable[[Good, Path], Path]


@pytest.fixture(scope="module")
def captioned(tmp_path_factory: pytest.TempPathFactory) -> Good:
    return make_good(tmp_path_factory.mktemp("captioned") / "made", drawn="below")


def drawn(good: Good, change: Callable[[Any], Any]) -> Any:
    """The plan with other captions in the picture; those beside it stay."""
    old = good.plan.drawn
    assert old is not None
    cues = [c for cue in old.cues if (c := change(cue)) is not None]
    return good.plan.model_copy(update={"drawn": old.model_copy(update={"cues": cues})})


def other(change: Callable[[Any], Any]) -> Change:
    """The renderer draws other captions than the plan says."""
    return lambda good, into: good.shown(into, plan=drawn(good, change))


def moved(good: Good, into: Path, by: int) -> Path:
    old = good.plan.drawn
    assert old is not None
    x, y, wide, high = old.box_px
    place = old.model_copy(update={"box_px": (x, y + by, wide, high)})
    return good.shown(into, plan=good.plan.model_copy(update={"drawn": place}))


def painted(good: Good, into: Path, level: int) -> Path:
    """A word that nobody planned, at the edge of the captions' place, while nothing is said."""
    assert good.plan.drawn is not None
    x, y, _, high = good.plan.drawn.box_px

    def change(shown: Any, planes: Planes) -> None:
        if 0.4 <= shown.time_s < 0.7:
            cv2.putText(planes[0], "QM", (x + 2, y + high - 4), cv2.FONT_HERSHEY_SIMPLEX, 0.35,
                        level, 1, cv2.LINE_AA)  # fmt: skip

    return good.shown(into, change)


FAULTS: dict[str, tuple[str, Change]] = {
    "half a second late": (NAME, other(lambda c: c.model_copy(
        update={"start_s": c.start_s + 0.5, "stop_s": c.stop_s + 0.5}))),
    "gone two pictures early": (NAME, other(lambda c: c.model_copy(
        update={"stop_s": c.stop_s - 0.08}))),
    "another word": (NAME, other(lambda c: c.model_copy(
        update={"text": c.text.replace("crust", "trust")}))),
    "one is missing": (NAME, other(lambda c: None if "crust" in c.text else c)),
    "over the field": ("picture like its source", lambda good, into: moved(good, into, -60)),
    "four rows higher": (NAME, lambda good, into: moved(good, into, -4)),
    "a word beside": (NAME, lambda good, into: painted(good, into, 160)),
    "a faint word beside": ("nothing beside captions in the picture",
                            lambda good, into: painted(good, into, 46)),
}  # fmt: skip


def failed(good: Good, path: Path, **other: Any) -> list[str]:
    return [c.check for c in good.checks(path, **other) if not c.passed]


def test_the_good_one_passes(captioned: Good) -> None:
    assert failed(captioned, captioned.path) == []
    said = [c.check for c in captioned.checks(captioned.path)]
    assert NAME in said and "captions off the field" in said


def seen(good: Good, name: str, into: Path) -> None:
    check, make = FAULTS[name]
    assert check in failed(good, make(good, into))


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_every_fault_is_named(captioned: Good, name: str, tmp_path: Path) -> None:
    seen(captioned, name, tmp_path)


def test_a_plan_that_draws_over_the_field_is_not_believed(captioned: Good) -> None:
    """Even where the clip is as the plan says."""
    place = captioned.plan.drawn
    assert place is not None
    x, y, wide, high = place.box_px
    over = place.model_copy(update={"box_px": (x, y - 60, wide, high)})
    plan = captioned.plan.model_copy(update={"drawn": over})
    assert "captions off the field" in failed(captioned, captioned.path, plan=plan)
    less = drawn(captioned, lambda c: None if "crust" in c.text else c)
    assert "captions in the picture are those beside it" in failed(
        captioned, captioned.path, plan=less
    )


def test_with_the_sheet_alone_their_place_is_left_out(captioned: Good) -> None:
    drawn = captioned.plan.drawn
    assert drawn is not None
    found = [
        {c.check: c.passed for c in
         verify_file(captioned.path, captioned.options, captions_px=box).checks}["surround black"]
        for box in (drawn.box_px, None)
    ]  # fmt: skip
    assert found == [True, False]


def test_they_pass_the_search_for_lettering_and_nothing_else_there_does(
    captioned: Good, tmp_path: Path
) -> None:
    options = with_options(captioned, lettering=True)
    assert failed(captioned, captioned.path, options=options) == []
