"""Copies for recipients: a code each, labels that never leave, and a leak that is traced back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from unittest import mock

import media_zoo
import pytest
from click.testing import CliRunner
from test_trace import stolen

from pipeline.cli import main
from pipeline.store.names import copy_name

LABELS = "Dr Berglund", "Ward 7"


class Shelf:
    """A case, and copies of it, made by the command line."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.case, self.out = folder, folder / "case", folder / "out"
        self.case.mkdir()
        media_zoo.scope_clip(self.case / "a.mp4", 9.0, 15, (480, 360), seed=31, audio="none")
        (self.case / "case.toml").write_text(
            'case = "HL-0142"\ntitle = "Crusts"\n[[recording]]\nfiles = ["a.mp4"]\n'
            '[consent]\nscope = "public"\ngiven_on = 2026-03-02\n'
        )
        self.config = folder / "own.toml"
        self.config.write_text("[anonymity]\nlettering = false\nfaces = false\n")

    def __call__(self, *arguments: str | Path) -> tuple[int, dict[str, Any]]:
        words = ["--json", "--quiet", "--catalogue", str(self.folder / "c.sqlite3"),
                 "--config", str(self.config), *map(str, arguments)]  # fmt: skip
        with mock.patch("sys.argv", ["fieldstop", *words]):
            found = CliRunner().invoke(main, words)
        assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
        return found.exit_code, json.loads(found.stdout.strip().splitlines()[-1])

    def make(self, *more: str) -> Path:
        code, said = self("make", self.case, "--out", self.out, "--approve", "AB",
                          "--looked", "AB", *more)  # fmt: skip
        assert code == 0, said
        return Path(said["release"])

    def trace(self, suspect: Path) -> dict[str, Any]:
        code, said = self("trace", suspect, "--out", self.folder / "evidence")
        assert code == 0 and said["found"], said
        found: dict[str, Any] = said["found"][0]
        text = Path(said["report"]).read_text()
        assert "The invisible code" in text
        assert all((label in text) == (label in found["code"]["recipients"]) for label in LABELS)
        return found


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return Shelf(tmp_path_factory.mktemp("recipients"))


@pytest.fixture(scope="module")
def copies(shelf: Shelf) -> list[Path]:
    return [shelf.make("--recipient", label) for label in LABELS] + [shelf.make()]


@pytest.mark.slow
def test_labels_stay_private_and_copies_have_names_of_their_own(
    shelf: Shelf, copies: list[Path]
) -> None:
    assert len({c.name for c in copies}) == 3
    for path in shelf.out.rglob("*"):
        assert "erglund" not in path.name and "ward" not in path.name.lower()
    for path in (shelf.out / "releases").rglob("*"):
        if path.is_file():
            assert not any(w in path.read_bytes() for w in (b"erglund", b"Ward 7", b"recipient"))
    records = [json.loads(p.read_text()) for p in shelf.out.rglob("*-r1.release.json")]
    assert sorted(r["recipient"] for r in records) == ["", *LABELS]
    assert len({r["code"]["number"] for r in records}) == 3
    assert copy_name(" dr BERGLUND") == copy_name(LABELS[0]) != copy_name(LABELS[1])


@pytest.mark.slow
@pytest.mark.parametrize(("number", "filters"), [
    (0, "hflip,scale=400:-2"), (1, "crop=ih*0.8:ih*0.8,eq=gamma=1.3"), (2, "setpts=PTS/1.1"),
])  # fmt: skip
def test_a_leak_is_traced_to_its_copy(
    shelf: Shelf, copies: list[Path], tmp_path: Path, number: int, filters: str
) -> None:
    suspect = stolen(copies[number], tmp_path / "s.mp4", filters)
    read = shelf.trace(suspect)["code"]
    assert read["state"] == "read" and read["chance"] <= 1e-4, read
    assert copies[number].stem in read["releases"]
    assert read["recipients"] == ([LABELS[number]] if number < 2 else [])


@pytest.mark.slow
def test_the_recording_itself_names_nobody(shelf: Shelf, copies: list[Path]) -> None:
    read = shelf.trace(shelf.case / "a.mp4")["code"]
    assert read["state"] == "not read" and not read["recipients"] and read["pictures"] > 8, read


@pytest.mark.slow
def test_a_withdrawal_says_whose_copies_to_ask_for(shelf: Shelf, copies: list[Path]) -> None:
    code, said = shelf("withdraw", "HL-0142", "--out", shelf.out)
    assert code == 0, said
    told = {Path(row["file"]): row["recipient"] for row in said["take_down"]}
    assert told == dict(zip(copies, [*LABELS, ""], strict=True))


def test_a_label_that_is_none_is_refused(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    for label in ("", " ", "x" * 61, "a\nb"):
        code, said = shelf("make", shelf.case, "--out", shelf.out, "--recipient", label)
        assert code == 2 and "--recipient" in said["error"]["what"], said
    shelf.config.write_text(shelf.config.read_text() + "[mark]\nrelease_code = false\n")
    code, said = shelf("make", shelf.case, "--out", shelf.out, "--recipient", "A")
    assert code == 2 and "release_code" in said["error"]["got"], said
