"""What is said at the end says what is left to do, and the commands in it are those to type."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import media_zoo
import pytest
from test_consent import PUBLIC, Here, add, fieldstop, released, short, write_case

from pipeline.cli import main
from pipeline.commands.say import Say
from pipeline.commands.told import tell_ready
from pipeline.errors import UsageError
from pipeline.stages.released import found_release
from pipeline.store.work import WorkFolder

__all__ = ["fieldstop", "short"]


def told(here: Here, *arguments: str | Path) -> tuple[int, str]:
    """Exit code, and what a person reads on standard output."""
    command = ["fieldstop", "--quiet", "--config", str(here.config), "--catalogue",
               str(here.folder / "catalogue.sqlite3"), *map(str, arguments)]  # fmt: skip
    here.patch.setattr(sys, "argv", command)
    here.caught.readouterr()
    with pytest.raises(SystemExit) as end:
        main()
    return int(str(end.value.code)), here.caught.readouterr().out


def ready(profile: str) -> Any:
    options = SimpleNamespace(output=SimpleNamespace(profile=profile))
    opened = SimpleNamespace(
        name=f"QM-7-{profile}", options=options, asked=SimpleNamespace(clip=None),
        case=SimpleNamespace(case="QM-7"),
    )  # fmt: skip
    return SimpleNamespace(opened=opened, ending=SimpleNamespace(ready=Path("x.mp4")))


def test_each_profile_has_the_page_that_signs_it(capsys: pytest.CaptureFixture[str]) -> None:
    """A page signs off clips of one profile: `web` where none is named."""
    runs = cast(Any, [ready("web"), ready("lecture"), ready("lecture")])
    tell_ready(Say(False, True), runs, Path("my clips"))
    said = capsys.readouterr().out
    assert said.count("fieldstop review") == 2, said
    assert "`fieldstop review 'my clips'`" in said
    assert "`fieldstop review 'my clips' --profile lecture`" in said


def test_a_withdrawal_says_what_is_left_to_do(fieldstop: Here, tmp_path: Path) -> None:
    out = tmp_path / "out"
    record = released(out)
    record.recipient = "course of May"
    add(fieldstop, record)
    code, said = told(fieldstop, "withdraw", "QM-1001")
    assert code == 0
    steps = [line for line in said.splitlines() if line.startswith("next ")]
    assert "take down" in steps[0] and "published" in steps[0], said
    assert "course of May" in steps[1]
    assert "fieldstop withdraw QM-1001 --move-to DIR" in steps[2]
    assert f"fieldstop retention --out {out}" in steps[3] and "--purge" in steps[3]
    code, said = told(fieldstop, "withdraw", "QM-1001", "--move-to", tmp_path / "away")
    assert code == 0 and "--move-to" not in said, "what was moved is not to be moved"


def test_a_withdrawal_before_anything_was_made_leaves_nothing_to_do(fieldstop: Here) -> None:
    code, said = told(fieldstop, "withdraw", "QM-9", "--future")
    assert code == 0 and "next" not in said


def test_a_dry_run_names_the_step_and_says_nothing_untrue_of_a_broken_file(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """One case that nobody was asked about, one of teaching, one broken."""
    write_case(tmp_path / "day/QM-1", short, "QM-1", 'scope = "none"')
    write_case(tmp_path / "day/QM-2", short, "QM-2", PUBLIC.replace("public", "teaching"))
    broken = write_case(tmp_path / "day/QM-3", short, "QM-3", 'scope = "none"')
    (broken / "a.mp4").write_bytes(b"no film" * 99)
    code, said = told(fieldstop, "batch", tmp_path / "day", "--out", tmp_path / "o", "--dry-run")
    of = {name: said.split(f"{name}/a.mp4")[1].splitlines()[1] for name in ("QM-1", "QM-2", "QM-3")}
    assert code == 5, said
    assert "will be withheld: " in of["QM-1"] and "say it in case.toml" in of["QM-1"], said
    assert "will be withheld: " in of["QM-2"] and "with a profile for teaching" in of["QM-2"], said
    assert "failed" in said and "withheld" not in of["QM-3"], said


def test_the_name_of_a_case_means_the_whole_case(tmp_path: Path) -> None:
    """Parts and copies lie below it; they have names of their own, and are meant where alone."""
    out = tmp_path / "out"
    first = released(out)

    def part(clip: str, base: str = "lecture") -> None:
        folder = WorkFolder(out, "QM-1001", clip)
        folder.prepare()
        sheet = first.sheet.model_copy(update={"profile": f"{base}-{clip}"})
        record = first.model_copy(update={"sheet": sheet})
        folder.release_file(sheet.profile, 1).write_text("a clip")
        folder.record_file(sheet.profile, 1).write_text(record.to_json())

    part("0m02s0-0m08s0")
    part("0m02s0-0m08s0", "web")
    assert found_release(out, "QM-1001", None)[1].clip == ""
    assert found_release(out, "QM-1001", "web")[0].sheet.profile == "web"
    assert found_release(out, "QM-1001", "lecture")[1].clip == "0m02s0-0m08s0"
    assert found_release(out, "QM-1001-web-0m02s0-0m08s0", None)[1].clip == "0m02s0-0m08s0"
    part("0m03s0-0m09s0")
    with pytest.raises(UsageError, match="2 clips that left"):
        found_release(out, "QM-1001", "lecture")
    (out / "private/QM-1001/QM-1001-web-r1.release.json").unlink()
    with pytest.raises(UsageError, match="3 clips that left"):
        found_release(out, "QM-1001", None)
