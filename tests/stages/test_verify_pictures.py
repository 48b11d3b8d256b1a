"""Verify compares the finished pictures with their source wherever a clip begins."""

from __future__ import annotations

from pathlib import Path

import av
import media_zoo
import pytest
from av.video.frame import PictureType

from pipeline.model.time import Span
from pipeline.settings import load_options
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked, ClipCut


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    """With pictures between that no other depends on: every second one is left out by a reader
    that skips them."""
    coding = media_zoo.Coding(options={"preset": "veryfast", "crf": "16", "bf": "3", "b-pyramid":
                                       "none", "b-adapt": "0", "g": "250"})  # fmt: skip
    path = tmp_path_factory.mktemp("verify") / "a.mp4"
    return media_zoo.scope_clip(path, 5.0, size=(320, 240), seed=5, coding=coding)


@pytest.mark.parametrize("start_s", [1.0, 1.4])
def test_the_mark_is_measured_wherever_a_clip_begins(
    recording: media_zoo.Clip, tmp_path: Path, start_s: float
) -> None:
    config = tmp_path / "config.toml"
    config.write_text("[anonymity]\nlettering = false\nfaces = false\n")
    run = run_case(
        recording.path, tmp_path / "out", load_options("lecture", config),
        Asked(consent="teaching", approve="AB", narrated=False,
              clip=ClipCut(Span(start_s, start_s + 3))),
        catalogue=tmp_path / "c.sqlite3",
    )  # fmt: skip
    measured = next(c.measured for c in run.checks if c.check.startswith("mark visible"))
    assert measured is not None and run.verified is not None
    assert len(run.verified.visibility) >= 5, "about two a second are compared"
    assert not run.withheld, run.withheld
    # In none that is coded in few bytes between two others.
    with av.open(str(next((tmp_path / "out").rglob("*-ready.mp4")))) as clip:
        kinds = {round(f.time, 3): f.pict_type for f in clip.decode(video=0)}
    assert PictureType.B in kinds.values()
    assert all(kinds[time_s] != PictureType.B for time_s, _ in run.verified.visibility)


def test_a_recording_without_sound_is_released(tmp_path: Path) -> None:
    made = media_zoo.scope_clip(tmp_path / "a.mp4", 4.0, seed=5, audio="none")
    config = tmp_path / "config.toml"
    config.write_text("[anonymity]\nlettering = false\nfaces = false\n")
    run = run_case(
        made.path, tmp_path / "out", load_options("lecture", config),
        Asked(consent="teaching", approve="AB"),
        catalogue=tmp_path / "c.sqlite3",
    )  # fmt: skip
    assert not run.withheld, run.withheld
