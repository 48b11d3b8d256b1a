"""What a killed process left is removed by the next command on the folder, whichever it is."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.review.link import only_one
from pipeline.store.stale import drop_work, new_work, sweep
from pipeline.store.work import WorkFolder

CASE = "HL-0142"


@pytest.fixture
def living() -> Iterator[int]:
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    yield process.pid
    process.communicate(b"\n")


@pytest.fixture
def dead() -> int:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def plant(out: Path, process: int) -> list[Path]:
    """Raw sound, a clip that nobody verified and the like, of a process."""
    private = out / "private" / CASE
    places = [
        private / f".work.part-{process}-k3j" / "room.f32",
        private / "clips" / "from-1-to-2" / f".work.part-{process}-ab_" / "deep" / "voice.f32",
        private / f".{CASE}-web-draft.part-{process}-0.mp4",
        private / "clips" / "from-1-to-2" / f".plan.part-{process}-7.json",
        out / "releases" / CASE / f".{CASE}-web-r1.part-{process}-1.mp4",
        out / "private" / f".names.part-{process}-2.csv",
        out / f".batch.part-{process}-3.json",
    ]
    for path in places:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"raw sound")
    return places


def there(paths: list[Path]) -> list[bool]:
    return [path.exists() for path in paths]


@pytest.mark.parametrize(
    "command",
    [
        "make none.mp4 --out OUT",
        "clip none.mp4 --from 1 --to 2 --out OUT",
        "batch none --out OUT",
        "batch EMPTY --dry-run --out OUT",
        "survey none.mp4 --out OUT",
        "review OUT --no-browser",
        f"release {CASE} --by AB --out OUT",
        f"withdraw {CASE} --out OUT",
        "catalogue rebuild OUT",
    ],
)
def test_every_command_removes_what_a_dead_process_left(
    command: str, tmp_path: Path, dead: int, living: int
) -> None:
    out = tmp_path / "out"
    stale, alive = plant(out, dead), plant(out, living)
    whole = out / "private" / CASE / "plan.json"
    whole.write_text("{}")
    (tmp_path / "empty").mkdir()
    words = [{"OUT": str(out), "EMPTY": str(tmp_path / "empty")}.get(w, w) for w in command.split()]
    words[1:1] = ["--catalogue", str(tmp_path / "c.sqlite3")]
    # The page is open elsewhere, so that `review` ends at once.
    with only_one(out), pytest.raises(SystemExit):
        main.main(words)
    assert not any(there(stale))
    assert not list((out / "private").rglob(f".work.part-{dead}-*"))
    assert all(there(alive)) and whole.exists()


def test_a_case_that_is_worked_on_is_passed_by(tmp_path: Path, dead: int) -> None:
    stale = plant(tmp_path, dead)
    with WorkFolder(tmp_path, CASE).case_lock():
        assert sweep(tmp_path) == 0
        assert there(stale) == [True] * 5 + [False] * 2
    assert sweep(tmp_path) == 0
    assert not any(there(stale))


def test_a_number_that_was_given_again_does_not_keep_it(tmp_path: Path) -> None:
    """In a container every run may have the same process number."""
    stale = plant(tmp_path, os.getpid())
    work = new_work(tmp_path / "private" / CASE)
    sweep(tmp_path)
    assert not any(there(stale)) and work.is_dir()
    drop_work(work)
    assert not work.exists()


def test_a_case_named_like_a_temporary_file_keeps_its_owner(
    tmp_path: Path, dead: int, living: int
) -> None:
    folder = tmp_path / "private" / f"a.part-{dead}"
    folder.mkdir(parents=True)
    mine = folder / f".a.part-{dead}-web-draft.part-{living}-0.mp4"
    mine.write_bytes(b"")
    assert sweep(tmp_path) == 0 and mine.exists()


def test_what_cannot_be_removed_is_counted(
    tmp_path: Path, dead: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Root may remove anything, so that the refusal is played."""
    stale = plant(tmp_path, dead)

    def refuse(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "refused")

    monkeypatch.setattr(Path, "unlink", refuse)
    assert sweep(tmp_path) == sum(there(stale)) == 5


def test_a_link_is_removed_and_what_it_points_to_stays(tmp_path: Path, dead: int) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "a.wav").write_bytes(b"x")
    private = tmp_path / "out" / "private" / CASE
    private.mkdir(parents=True)
    link = private / f".work.part-{dead}-x"
    link.symlink_to(other)
    sweep(tmp_path / "out")
    assert not link.is_symlink() and (other / "a.wav").exists()
