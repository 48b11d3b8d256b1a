"""Names from the command line: what a file is called, everywhere alike, and found again."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import pty
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import media_zoo
import pytest

ROOT = Path(__file__).resolve().parent.parent
NAME = "Berglund_Astrid_1967-03-12.mp4"


class Shell:
    """Runs `fieldstop` in a process of its own; `text` is all that it printed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config = folder / "config.toml"
        self.config.write_text("[anonymity]\nlettering = false\nfaces = false\n")
        self.text = ""

    def command(self, *arguments: str | Path) -> list[str]:
        return [sys.executable, "-m", "pipeline.cli", "--config", str(self.config),
                "--catalogue", str(self.folder / "catalogue.sqlite3"),
                *map(str, arguments)]  # fmt: skip

    def __call__(self, *arguments: str | Path, json_: bool = True) -> tuple[int, Any]:
        more = ["--json"] if json_ else []
        done = subprocess.run(
            [*self.command(*arguments), *more], capture_output=True, cwd=ROOT, timeout=200
        )
        self.text = os.fsdecode(done.stdout + done.stderr)
        assert "Traceback" not in self.text
        return done.returncode, json.loads(done.stdout) if json_ and done.stdout else None

    def on_a_terminal(self, *arguments: str | Path) -> str:
        ours, theirs = pty.openpty()
        with subprocess.Popen(
            self.command(*arguments), stdin=theirs, stdout=theirs, stderr=theirs, cwd=ROOT,
            env=os.environ | {"COLUMNS": "200"},
        ) as process:  # fmt: skip
            os.close(theirs)
            said = b""
            while True:
                try:
                    more = os.read(ours, 4096)
                except OSError:  # the other end is closed: all has been read
                    break
                if not more:
                    break
                said += more
            process.wait(timeout=100)
        os.close(ours)
        return os.fsdecode(said)


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


def listed(out: Path) -> list[dict[str, str]]:
    with (out / "private" / "names.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def other(source: Path, target: Path, tail: bytes) -> Path:
    """The recording with another content: a box that no reader looks at."""
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(source, target)
    with target.open("ab") as file:
        file.write((8 + len(tail)).to_bytes(4) + b"free" + tail)
    return target


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("names") / "recording.mp4"
    return media_zoo.scope_clip(path, 2.0, size=(320, 240), seed=5, audio="noise").path


@pytest.mark.slow
def test_one_name_for_one_recording_everywhere(
    fieldstop: Shell, recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    monday = other(recording, tmp_path / "monday" / "REC_0001.mp4", b"monday")
    tuesday = other(recording, tmp_path / "tuesday" / "REC_0001.mp4", b"tuesday")
    copy = Path(shutil.copy(monday, tmp_path / NAME))
    called = [fieldstop("survey", p, "--out", out)[1]["case"] for p in (monday, tuesday, copy)]
    assert called[0] == called[2] != called[1], "content alone makes the name"
    assert sorted(p.name for p in (out / "private").iterdir() if p.is_dir()) == sorted(set(called))
    for path, name in zip((monday, tuesday, copy), called, strict=True):
        code, value = fieldstop("probe", path)
        assert code == 0 and value["label"] == name
        row = next(r for r in listed(out) if r["path"] == str(path))
        assert row["label"] == row["case"] == name and row["file"] == path.name
        assert row["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (out / "private" / "names.csv").stat().st_mode & 0o777 == 0o600

    code, value = fieldstop("batch", tmp_path / "tuesday", "--out", out, "--dry-run")
    assert [c["case"] for c in value["cases"]] == [called[1]]

    # Nothing but the key list and what finds the recordings again knows the file's name.
    for path in out.rglob("*"):
        assert "Berglund" not in str(path.relative_to(out))
        if path.is_file() and path.name not in ("names.csv", "origin.json"):
            assert b"Berglund" not in path.read_bytes(), path
    # Another machine: what this OUT folder knows keeps its name, what is new gets another.
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "fresh"))
    assert fieldstop("survey", copy, "--out", out)[1]["case"] == called[0]
    assert fieldstop("probe", copy)[1]["label"] not in called


REFUSED = ["Berglund", "Astrid-Berglund", "1967-03-12", "19670312", "HN48213", "..", "QM 0001",
           "李-12", "QM-0001\\n", "QM-19670312", "MRN-48213",
           "qm-0001"]  # fmt: skip


def test_a_refused_name_creates_nothing(fieldstop: Shell, tmp_path: Path) -> None:
    day, out = tmp_path / "day", tmp_path / "out"
    for number, name in enumerate(REFUSED):
        case = day / str(number)
        case.mkdir(parents=True)
        (case / "a.mp4").write_bytes(b"x")
        (case / "case.toml").write_text(f'case = "{name}"\n[[recording]]\nfiles = ["a.mp4"]\n')
    found = [fieldstop(c, day / "0", "--out", out) for c in ("make", "survey")]
    assert [code for code, _ in found] == [3, 3] and not out.exists()
    assert "Berglund" not in fieldstop.text
    code, value = fieldstop("batch", day, "--out", out)
    assert code == 5 and len(value["cases"]) == len(REFUSED)
    for error in (*(v["error"] for _, v in found), *(c["error"] for c in value["cases"])):
        assert error["what"].startswith("The case name in case.toml cannot be used")
    assert not any(n in fieldstop.text for n in REFUSED if n not in ("..", "qm-0001"))
    assert not (out / "releases").exists()
    assert [p for p in (out / "private").iterdir() if p.is_dir()] == []


def test_one_s_own_pattern(fieldstop: Shell, tmp_path: Path) -> None:
    case = tmp_path / "case"
    case.mkdir()
    (case / "case.toml").write_text('case = "s7k12"\n[[recording]]\nfiles = ["a.mp4"]\n')
    assert "case name" in fieldstop("survey", case, "--out", tmp_path / "o")[1]["error"]["what"]
    with fieldstop.config.open("a") as file:
        file.write("case_pattern = 's[0-9]+k[0-9]+'\n")
    error = fieldstop("survey", case, "--out", tmp_path / "o")[1]["error"]
    assert error["what"] == "A file was not found" and error["got"] == "recording 1, file 1"


def day_of(folder: Path, recording: Path) -> Path:
    """A day's folder with everything that lies about in one."""
    day = folder / "day"
    other(recording, day / "HL-0142_left_1.mp4", b"1")
    other(recording, day / "HL-0142_left_2.mp4", b"2")
    other(recording, day / "HL-0142_right.mp4", b"3")
    other(recording, day / NAME, b"4")
    shutil.copy(day / NAME, day / "again.mp4")
    (day / "photo Berglund.JPG").write_bytes(b"x")
    (day / "lone.wav").write_bytes(b"x")
    (day / "HL-0142_left_1.xml").write_bytes(b"x")
    (day / "notes.docx").write_bytes(b"x")
    (day / ".DS_Store").write_bytes(b"x")
    (day / "case.toml.txt").write_bytes(b"x")
    (day / "talk.vtt").write_bytes(b"x")
    (day / "out.mp4").symlink_to(recording)
    os.mkfifo(day / "pipe.mp4")
    case = day / "case"
    other(recording, case / "a.mp4", b"5")
    other(recording, case / "b.mp4", b"6")
    (case / "case.toml").write_text(
        'case = "QM-0001"\n[[recording]]\nfiles = ["a.mp4"]\n[consent]\nscope = "public"\n'
        "given_on = 2026-03-02\n"
    )
    return day


LEFT = {
    "photo Berglund.JPG": "a photograph", "lone.wav": "a sound", "HL-0142_left_1.xml": "beside",
    "notes.docx": "ending", ".DS_Store": "hidden", "case.toml.txt": "case.toml",
    "talk.vtt": "captions", "out.mp4": "leads out", "pipe.mp4": "not a file",
    "case/b.mp4": "does not list it",
}  # fmt: skip


@pytest.mark.slow
def test_a_dry_run_shows_what_makes_which_case(
    fieldstop: Shell, recording: Path, tmp_path: Path
) -> None:
    day, out = day_of(tmp_path, recording), tmp_path / "out"
    code, _ = fieldstop("batch", day, "--out", out, "--dry-run", json_=False)
    text = fieldstop.text
    assert code == 4 and not out.exists(), "two cases have no consent"
    for line in (
        "recording 1, left: HL-0142_left_1.mp4, HL-0142_left_2.mp4",
        "recording 2, right: HL-0142_right.mp4",
        "consent covers public",
        "will be withheld: consent was not asked for yet, the profile needs public: say it in",
    ):
        assert line in text, text
    for name, why in LEFT.items():
        assert any(name in line and why in line for line in text.splitlines()), name
    assert "again.mp4: recording" not in text.replace(NAME, "")
    same = next(line for line in text.splitlines() if "a second copy" in line)
    assert "again.mp4" in same or NAME in same

    code, value = fieldstop("batch", day, "--out", out, "--dry-run")
    assert code == 4 and "Berglund" not in fieldstop.text and ".mp4" not in fieldstop.text
    assert {c["case"]: c["covered"] for c in value["cases"] if c["case"][:3] != "rec"} == {
        "HL-0142": False, "QM-0001": True,
    }  # fmt: skip
    assert len(value["left_out"]) == len(LEFT) + 1
    labels = [one["label"] for one in value["left_out"]]
    for path in (day / "case" / "b.mp4", day / "again.mp4"):
        assert fieldstop("probe", path)[1]["label"] in labels
    assert fieldstop("batch", day, "--out", out, "--dry-run", "--consent", "public")[0] == 0
    (day / "broken.mp4").write_bytes(b"no recording")
    code, value = fieldstop("batch", day, "--out", out, "--dry-run")
    assert code == 5 and not out.exists()
    (bad,) = [c for c in value["cases"] if c["state"] == "failed"]
    assert bad["case"] in bad["error"]["got"]


@pytest.mark.slow
def test_a_day_can_be_traced_back(fieldstop: Shell, recording: Path, tmp_path: Path) -> None:
    """Every name in batch.json and batch.html is in the key list; no file name is in them."""
    day, out = tmp_path / "day", tmp_path / "out"
    day.mkdir()
    (day / NAME).write_bytes(b"no recording")
    (day / "empty Berglund.mp4").write_bytes(b"")
    (day / "two\nlines.mp4").write_bytes(b"nor this")
    (day / "HL-0142_1.mp4").write_bytes(b"nor that")
    (day / "HL-0143_1.mp4").symlink_to(day / "gone.mp4")
    (day / "photo Berglund.jpg").write_bytes(b"x")
    (day / "Berglund").mkdir()
    (day / "Berglund" / "case.toml").write_text("Berglund\n")
    (day / "QM").mkdir()
    (day / "QM" / "case.toml").write_text('case = "QM-0007"\nBerglund = 1\n')
    code, value = fieldstop("batch", day, "--out", out)
    assert code == 5 and value["counts"]["failed"] == len(value["cases"]) == 7
    rows = listed(out)
    for case in value["cases"]:
        assert case["error"]["what"] and case["error"]["do"]
        assert any(r["case"] == case["case"] for r in rows), case
        for file in case["files"]:
            assert any(r["label"] == file["label"] for r in rows)
    names = {r["case"]: r["file"] for r in rows if r["place"] == "recording 1, file 1"}
    assert set(names.values()) == {
        NAME, "empty Berglund.mp4", "two\\nlines.mp4", "HL-0142_1.mp4", "HL-0143_1.mp4"
    }  # fmt: skip
    assert "QM-0007" in {c["case"] for c in value["cases"]}
    (left,) = value["left_out"]
    assert [r["file"] for r in rows if r["label"] == left["label"]] == ["photo Berglund.jpg"]
    for path in (out / "batch.json", out / "batch.html"):
        text = path.read_text()
        assert "Berglund" not in text and str(tmp_path) not in text and ".mp4" not in text
        assert left["label"] in text and all(c["case"] in text for c in value["cases"])
    assert "Berglund" not in fieldstop.text and ".mp4" not in fieldstop.text

    again = fieldstop("batch", day, "--out", out)[1]
    assert [c["case"] for c in again["cases"]] == [c["case"] for c in value["cases"]]
    assert len(listed(out)) == len(rows), "the same day adds nothing"

    # Two days whose loose recordings the rule gives one name: patients are not mixed up.
    (tmp_path / "next").mkdir()
    (tmp_path / "next" / "HL-0142_1.mp4").write_bytes(b"another day")
    code, value = fieldstop("batch", tmp_path / "next", "--out", out)
    assert code == 5 and "other recordings" in value["cases"][0]["error"]["what"]
    value = fieldstop("batch", tmp_path / "next", "--out", out)[1]
    assert "other recordings" in value["cases"][0]["error"]["what"], "also when tried again"

    said = fieldstop.on_a_terminal("batch", day, "--out", out)
    assert NAME in said and "photo Berglund.jpg" in said and "two\\nlines.mp4" in said


def test_a_terminal_shows_the_file_s_own_name(fieldstop: Shell, tmp_path: Path) -> None:
    path = tmp_path / NAME
    path.write_bytes(b"no recording")
    said = fieldstop.on_a_terminal("make", path, "--out", tmp_path / "out")
    assert f"is {path}" in said and "rec-" in said
    assert fieldstop("make", path, "--out", tmp_path / "out", json_=False)[0] == 3
    assert "Berglund" not in fieldstop.text and "rec-" in fieldstop.text
