"""Clips of parts: each has its own place and name, beside the case and never over it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import media_zoo
import pytest
from test_make import Shell, case_folder

from pipeline.media.probe import probe
from pipeline.model.survey import Survey
from pipeline.model.time import Span
from pipeline.settings import load_options
from pipeline.stages.cues import cuts_of, part_name
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked, ClipCut

QUICK = '[output]\ncrf = 34\nx264_preset = "ultrafast"\n'


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    path = tmp_path_factory.mktemp("clips") / "a.mp4"
    return media_zoo.scope_clip(path, 6.0, size=(320, 240), seed=5)


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    shell = Shell(tmp_path)
    shell.config.write_text(shell.config.read_text() + QUICK)
    return shell


def state(folder: Path) -> dict[str, bytes]:
    """Every file of a case's private folder but its clips and the lock, with its content."""
    return {p.name: p.read_bytes() for p in folder.glob("*") if p.is_file() and p.name != ".lock"}


@pytest.mark.slow
def test_a_clip_has_its_own_place_and_leaves_the_case_alone(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    folder, out = case_folder(tmp_path / "case", recording), tmp_path / "out"
    made = fieldstop("make", folder, "--out", out, "--looked", "AB")
    assert made.code == 0, made.value
    before = state(out / "private" / "QM-0300")
    cut = ("clip", folder, "--from", "0:02", "--to", "4.5", "--title", "Crusts",
           "--out", out, "--looked", "AB")  # fmt: skip
    first = fieldstop(*cut)
    assert first.code == 0, first.value
    release = Path(first.value["release"])
    assert release.name == "QM-0300-lecture-0m02s0-0m04s5-r1.mp4"
    assert first.value["clip"] == "0m02s0-0m04s5"
    own = out / "private" / "QM-0300" / "clips" / "0m02s0-0m04s5"
    assert {"plan.json", "report.html", "events.csv"} <= {p.name for p in own.iterdir()}
    assert not list(own.glob("survey*")) + list(own.glob("proxy*")) + list(own.glob("series*"))
    assert own.stat().st_mode & 0o777 == 0o700
    assert state(out / "private" / "QM-0300") == before, "the case is as it was"
    for path in first.value["survey"]:
        assert Path(path).parent == out / "private" / "QM-0300"

    # The same again is left as it is; another title is another revision.
    for more in ((), ("--approve", "AB")):  # an answer to nothing
        again = fieldstop(*cut, *more)
        assert again.code == 0 and again.value["unchanged"]
        assert again.value["release"] == str(release) and again.value["checks"]
    assert len(list((out / "releases" / "QM-0300").glob("*.mp4"))) == 2
    other = fieldstop(*cut[:7], "Another look", *cut[8:])
    assert other.value["release"].endswith("-0m02s0-0m04s5-r2.mp4")

    listed = fieldstop("catalogue").value["releases"]
    assert {r["case"] for r in listed} == {"QM-0300"} and len(listed) == 3
    # A clip that a killed run left without its row is entered by the next run of the case.
    (tmp_path / "catalogue.sqlite3").unlink()
    rebuilt = fieldstop("catalogue", "rebuild", out)
    assert len(rebuilt.value["releases"]) == 3
    gone = fieldstop("withdraw", "QM-0300")
    assert {Path(r["file"]).name for r in gone.value["take_down"]} == {
        Path(r["file"]).name for r in listed
    }


def test_what_is_ready_of_a_clip_is_released_by_its_name(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    folder, out = case_folder(tmp_path / "case", recording), tmp_path / "out"
    cut = ("clip", folder, "--profile", "web", "--from", "1", "--to", "3.5", "--out", out)
    made = fieldstop(*cut)
    assert made.code == 0 and made.value["release"] is None, made.value
    ready = Path(made.value["ready"])
    assert ready.parent.name == "0m01s0-0m03s5" and ready.is_file()
    assert fieldstop(*cut).value["unchanged"]
    name = ready.name.removesuffix("-ready.mp4")
    left = fieldstop("release", name, "--out", out, "--by", "AB")
    assert left.code == 0, left.value
    assert Path(left.value["release"]).name == f"{name}-r1.mp4" and not ready.exists()
    assert probe(Path(left.value["release"])).duration_s == pytest.approx(2.5, abs=0.05)


@pytest.mark.slow
def test_one_cue_that_fails_does_not_stop_the_others(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    folder, out = case_folder(tmp_path / "case", recording), tmp_path / "out"
    cues = tmp_path / "cues.csv"
    cues.write_text("from,to,title\n30,40,Beyond the end\n3,5.5,Second look\n")
    made = fieldstop("clip", folder, "--cues", cues, "--out", out, "--looked", "AB")
    assert made.code == 5
    beyond, second = made.value["clips"]
    assert "Nothing is kept" in beyond["error"]["what"] and beyond["release"] is None
    assert second["error"] is None and Path(second["release"]).is_file()
    assert made.value["error"] is None


def rows(text: str, path: Path) -> list[Any]:
    path.write_text(text)
    return cuts_of(None, None, "", path)


def test_names_are_made_of_times_only(tmp_path: Path) -> None:
    assert part_name(Span(2.5, 8)) == "0m02s5-0m08s0"
    assert part_name(Span(61.25, 3725)) == "1m01s25-62m05s0"
    cuts = rows("from,to,title\n0:02,8,Ada Quillmere\n2,8,Other\n2,8.001,\n", tmp_path / "c.csv")
    assert [c.name for c in cuts] == ["0m02s0-0m08s0", "0m02s0-0m08s0-2", "0m02s0-0m08s001"]


@pytest.mark.slow
def test_the_list_of_cases_has_the_clips_below_their_case(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    from pipeline.model.options import Options
    from pipeline.review.folder import FolderBackend

    folder, out = case_folder(tmp_path / "case", recording), tmp_path / "out"
    fieldstop("clip", folder, "--from", "1", "--to", "3.5", "--out", out, "--looked", "AB")
    fieldstop("clip", folder, "--from", "2", "--to", "4.5", "--profile", "web", "--out", out)
    backend = FolderBackend(out, Options(), proxies=False)
    try:
        found = backend.list_cases()
    finally:
        backend.close()
    assert [(c.case, c.title, c.state) for c in found] == [("QM-0300", "Crusts", "planned")]
    assert [(c.name, c.state) for c in found[0].clips] == [
        ("0m01s0-0m03s5", "released"), ("0m02s0-0m04s5", "ready")
    ]  # fmt: skip
    sheet = json.loads(next((out / "releases").rglob("*.sheet.json")).read_text())
    assert sheet["title"] == "Crusts" and sheet["number"] is None


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_any_range_of_a_good_case_comes_out(sample_case: Path, tmp_path: Path) -> None:
    """Starts a second and a half apart, lengths of 2 to 6 s, every sixth one searched."""
    searched, plain = load_options("lecture"), load_options("lecture")
    plain.anonymity.lettering = plain.anonymity.faces = False
    length_s, withheld = 38.0, []
    for number in range(24):
        from_s = 1.5 * number
        to_s = min(length_s, from_s + (2.0, 3.5, 2.5, 6.0)[number % 4])
        part = ClipCut(Span(from_s, to_s), name=part_name(Span(from_s, to_s)))
        run = run_case(
            sample_case, tmp_path / "out", plain if number % 6 else searched,
            Asked(looked="AB", narrated=False, clip=part), catalogue=tmp_path / "c.sqlite3",
        )  # fmt: skip
        if run.ending.released is None:
            withheld.append((from_s, to_s, run.withheld))
            continue
        found = probe(run.ending.released.path)
        assert found.duration_s == pytest.approx(to_s - from_s, abs=0.06)
        if number == 0:  # by its generator, the sample has lettering in its surround alone
            texts = [p.read_text() for p in (tmp_path / "out" / "private").rglob("survey*.json")]
            seen = [i.where for text in texts for i in Survey.model_validate_json(text).lettering]
            assert len(texts) == 3 and set(seen) == {"surround"}
    assert withheld == []
