"""Mistakes on the command line: a sentence, the right exit code, and no name repeated."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.errors import UsageError

NAME = "Berglund Astrid.mp4"


def run(*arguments: str) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, list(arguments))
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    return found.exit_code, found.stdout, found.stderr


@pytest.mark.parametrize(("arguments", "words"), [
    (["maek", "x"], ["no such command", "maek", "write make"]),
    (["Berglund", "x"], ["no such command", "batch"]),
    (["make"], ["CASE is missing", "fieldstop make -h"]),
    (["make", NAME], ["--out is missing"]),
    (["make", NAME, "--out"], ["--out needs a value"]),
    (["make", "Berglund", "Astrid.mp4", "--out", "o"], ["more words", "quotes"]),
    (["make", NAME, "--outt", "o"], ["--outt", "write --out"]),
    (["make", NAME, "--Berglund", "o"], ["no such option"]),
    (["make", NAME, "--out", "o", "--consent", "Berglund"], ["--consent", "none, teaching"]),
    (["make", NAME, "--quiet=Berglund", "--out", "o"], ["--quiet takes no value"]),
    (["make", NAME, "--out", __file__], ["--out takes a folder"]),
    (["batch", __file__, "--out", "o"], ["FOLDER takes a folder"]),
    (["batch", ".", "--out", "o", "--jobs", "Berglund"], ["a whole number from 1 to 256"]),
    (["catalogue", "rebiuld"], ["ACTION", "rebuild, backup"]),
    (["clip", NAME, "--from", "Berglund", "--to", "2", "--out", "o"], ["time", "1:30"]),
    (["clip", NAME, "--from", "2.m", "--to", "2", "--out", "o"], ["'2.m'"]),
])  # fmt: skip
def test_mistakes(arguments: list[str], words: list[str]) -> None:
    code, _, said = run(*arguments)
    assert code == 2 and said.startswith("fieldstop: ") and len(said.splitlines()) == 1
    for word in words:
        assert word in said, said
    assert "Berglund" not in said and "Astrid" not in said
    assert "Traceback" not in said and "Invalid value" not in said


def test_a_mistake_with_json_is_one_object(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.argv", ["fieldstop", "make", "--json"])
    code, out, _ = run("make", "--json")
    assert code == 2 and json.loads(out)["error"]["what"] == "CASE is missing"


@pytest.mark.parametrize(("sheet", "words"), [
    ("from,to,title\n1,3,a,Berglund\n", "cue 1 has more columns"),
    ("from;to;title\n1;Berglund;a\n", "cue 1: a time cannot be read"),
    ("from\tto\n1\t0.5\n", "cue 1 is too short"),
    ("from,to,Berglund\n1,3,a\n", "a key that is not known"),
    ("from,to\n1,\n", "cue 1: a time cannot be read"),
    ("from,to\n", "lists no clips"),
    ("Berglund\n1\n", "cue 1 lacks from or to"),
])  # fmt: skip
def test_cue_sheets(tmp_path: Path, sheet: str, words: str) -> None:
    (tmp_path / "cues.csv").write_text(sheet)
    code, _, said = run("clip", NAME, "--cues", str(tmp_path / "cues.csv"), "--out", "o")
    assert code in (2, 3) and words in said and "Berglund" not in said


@pytest.mark.parametrize("argument", ["nosuch Berglund.mp4", "", ".", "\u200b", "a\nBerglund.mp4"])
def test_what_is_not_there(tmp_path: Path, argument: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for command in ("make", "survey"):
        code, _, said = run(command, argument, "--out", "o")
        assert code == 3 and "Berglund" not in said and len(said.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_question_ends_with_its_own_sign() -> None:
    assert str(UsageError("There is no case", "QQ-1", "did you mean QM-0217?")).endswith("217?")
    assert str(UsageError("There is no case", "QQ-1", "check it")).endswith("check it.")


def test_the_end_of_a_file_is_no_key_that_was_pressed(monkeypatch: pytest.MonkeyPatch) -> None:
    """click takes an EOFError for Ctrl-D at a prompt; numpy and PyAV raise it for a cut file."""

    def ended(**_: object) -> None:
        raise EOFError("No data left in file")

    monkeypatch.setattr(main.commands["probe"], "callback", ended)
    code, said, told = run("--json", "probe", __file__)
    assert code == 1, told
    assert "EOFError at" in told and "Interrupted" not in told + said
