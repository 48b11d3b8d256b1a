"""`fieldstop verify FILE`: which checks were made, and which were not, of anybody's file."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import media_zoo
import pytest
from good import Good
from test_make import Shell

from pipeline.model.release import Sheet
from pipeline.stages.any_file import BECAUSE_TRACKS, NO_PLAN, TRACKS, verify_any
from pipeline.stages.verifying.throughout import NAME as SURVEYED
from pipeline.store.names import secret_file

CLIP = "QM-0417-web-r1"


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


@pytest.fixture
def mine(good: Good, tmp_path: Path) -> Path:
    """The OUT folder of the good clip, of this installation."""
    out = tmp_path / "out"
    shutil.copytree(good.folder / "out", out)
    secret_file().parent.mkdir(parents=True, exist_ok=True)
    secret_file().write_bytes(good.secret)
    return out / "releases/QM-0417" / f"{CLIP}.mp4"


def told(good: Good, path: Path) -> tuple[dict[str, bool], dict[str, str]]:
    """(checks that were made, those that could not be and why)."""
    found = verify_any(path, lambda _: good.options, None)
    could_not = {c.check: c.because for c in found.could_not}
    made = {c.check: c.passed for c in found.checks}
    assert not set(made) & set(could_not)
    return made, could_not


def recorded(good: Good) -> set[str]:
    """Every check that was made before the release."""
    path = good.folder / "out/releases/QM-0417" / f"{CLIP}.sheet.json"
    return {c.check for c in Sheet.model_validate_json(path.read_bytes()).checks}


def test_in_its_folder_all_is_checked_but_the_tracks(good: Good, mine: Path) -> None:
    made, could_not = told(good, mine)
    assert all(made.values()), made
    assert "picture like its source" in made and "captions as planned" in made
    assert "redacted boxes black" in made and "mark visible in every second" in made
    assert recorded(good) <= set(made) | set(could_not)
    left = {n for n, why in could_not.items() if why == BECAUSE_TRACKS}
    assert left and all(n.startswith(TRACKS) for n in left)
    assert {"lettering in the picture", "faces in the picture"} == set(could_not) - left


def test_without_the_recordings_that_is_said(good: Good, mine: Path, tmp_path: Path) -> None:
    document = next((mine.parents[2] / "private/QM-0417").glob("*.clip.json"))
    kept = document.read_text()
    hidden = good.folder / "case"
    hidden.rename(good.folder / "away")
    try:
        made, could_not = told(good, mine)
        (mine.parents[2] / "private/QM-0417/series-2.npz").write_bytes(b"PK\x03\x04")
        fewer, _ = told(good, mine)
    finally:
        (good.folder / "away").rename(hidden)
    # What the survey kept of them is held against the clip, where it can be read.
    assert set(made) - set(fewer) == {SURVEYED}
    assert all(made.values()) and "redacted boxes black" in made and "cards as planned" in made
    assert could_not["picture like its source"] == "its recordings are not where they were"
    assert recorded(good) <= set(made) | set(could_not)
    # A plan that somebody wrote into is not believed.
    document.write_text(kept.replace('"kind": "card"', '"kind": "play"', 1))
    made, could_not = told(good, mine)
    assert "changed" in could_not["chapters"]


def test_with_its_sheet_alone(good: Good, mine: Path, tmp_path: Path) -> None:
    folder = tmp_path / "sent"
    folder.mkdir()
    for path in mine.parent.iterdir():
        shutil.copyfile(path, folder / path.name.replace(CLIP, "lecture 3"))
    made, could_not = told(good, folder / "lecture 3.mp4")
    assert all(made.values()) and made["captions as released"] and made["poster as released"]
    assert made["poster is a picture of the clip"] and could_not["chapters"] == NO_PLAN
    # The hash in the sheet is of the captions that were as planned.
    assert recorded(good) - {"captions as planned"} <= set(made) | set(could_not)
    # Another picture under its name.
    shutil.copyfile(good.folder / "case/a.mp4", folder / "lecture 3.mp4")
    made, _ = told(good, folder / "lecture 3.mp4")
    assert not made["file is the one of its sheet"] and not made["poster is a picture of the clip"]


def test_of_a_bare_clip_all_else_is_named(good: Good, mine: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare.mp4"
    shutil.copyfile(mine, bare)
    made, could_not = told(good, bare)
    names = {n.replace("15 LU ", "") for n in recorded(good)}
    beside = {n for n in names if n.startswith(("captions", "poster"))}
    assert all(made.values()) and names - beside <= set(made) | set(could_not)


SPOILS: dict[str, tuple[str, Callable[[Path], Any]]] = {
    "a word in the sheet": (
        "sheet as recorded",
        lambda clip: clip.with_suffix(".sheet.json").write_text(
            clip.with_suffix(".sheet.json").read_text().replace("Crusts", "Ellery", 1)
        ),
    ),
    "another clip under its name": (
        "file is the one of its plan",
        lambda clip: media_zoo.scope_clip(clip, 2.0, size=(320, 240), seed=3),
    ),
    "captions of another length": (
        "captions end with the clip",
        lambda clip: clip.with_suffix(".vtt").write_text(
            "WEBVTT\n\n00:00:01.000 --> 00:09:02.000\nThe side wall is shown.\n"
        ),
    ),
}


@pytest.mark.parametrize("name", SPOILS)
def test_what_was_changed_in_its_folder_fails(good: Good, mine: Path, name: str) -> None:
    check, spoil = SPOILS[name]
    spoil(mine)
    made, _ = told(good, mine)
    assert made[check] is False


def test_the_command_says_so_and_only_what_failed_withholds(
    fieldstop: Shell, mine: Path, tmp_path: Path
) -> None:
    bare = tmp_path / "bare.mp4"
    shutil.copyfile(mine, bare)
    run = fieldstop("verify", bare)
    assert run.code == 0 and run.value["passed"] and not run.value["wholly_checked"]
    names = [c["check"] for c in run.value["could_not"]]
    assert "picture like its source" in names and "lettering in the picture" in names
    assert all(c["because"] for c in run.value["could_not"])
    bare.with_suffix(".sheet.json").write_text("{}")
    (tmp_path / "a[1]**-r1.mp4").write_bytes(bare.read_bytes())
    assert fieldstop("verify", tmp_path / "a[1]**-r1.mp4").code == 0
