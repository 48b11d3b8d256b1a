"""Remembered hashes: spared work, never a wrong answer where the file shows a change."""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path

import pytest

from pipeline.store.hashes import LARGE_BYTES, HashMemory


class Counter:
    """Takes a hash in full, and counts how often."""

    def __init__(self) -> None:
        self.taken = 0

    def __call__(self, path: Path) -> str:
        self.taken += 1
        return hashlib.sha256(path.read_bytes()).hexdigest()


def large(path: Path, fill: bytes = b"a", age_s: float = 100) -> Path:
    path.write_bytes(fill * (LARGE_BYTES + 10))
    return path


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch) -> None:
    """A minute has passed since the files were written."""
    real = time.time
    monkeypatch.setattr("pipeline.store.hashes.time.time", lambda: real() + 60)


@pytest.mark.usefixtures("later")
def test_a_large_file_is_read_once(tmp_path: Path) -> None:
    path, take, memory = large(tmp_path / "a"), Counter(), HashMemory(tmp_path / "h")
    first = memory.sha256(path, take)
    assert memory.sha256(path, take) == first == hashlib.sha256(path.read_bytes()).hexdigest()
    assert take.taken == 1
    assert HashMemory(tmp_path / "h").known(path) == first


@pytest.mark.usefixtures("later")
@pytest.mark.parametrize("change", ["content", "same size and time", "replaced"])
def test_a_changed_file_is_read_again(tmp_path: Path, change: str) -> None:
    path, take, memory = large(tmp_path / "a"), Counter(), HashMemory(tmp_path / "h")
    before = path.stat()
    memory.sha256(path, take)
    time.sleep(0.01)  # longer than the time stamps of the file system are coarse
    if change == "replaced":
        os.replace(large(tmp_path / "b", b"b"), path)
    else:
        path.write_bytes(b"b" * (LARGE_BYTES + (10 if "same" in change else 20)))
    if change != "content":
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert memory.known(path) is None
    assert memory.sha256(path, take) == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.usefixtures("later")
def test_forgetting(tmp_path: Path) -> None:
    path, memory = large(tmp_path / "a"), HashMemory(tmp_path / "h")
    memory.sha256(path, Counter())
    memory.forget(path)
    assert memory.known(path) is None
    memory.sha256(path, Counter())
    memory.clear()
    assert memory.known(path) is None


def test_a_file_written_just_now_is_not_remembered(tmp_path: Path) -> None:
    """It may change again within one time stamp, and nothing would show it."""
    path, take, memory = large(tmp_path / "a"), Counter(), HashMemory(tmp_path / "h")
    memory.sha256(path, take)
    memory.sha256(path, take)
    assert take.taken == 2


@pytest.mark.usefixtures("later")
def test_a_file_that_grows_while_it_is_read_is_not_remembered(tmp_path: Path) -> None:
    path, memory = large(tmp_path / "a"), HashMemory(tmp_path / "h")

    def slow(of: Path) -> str:
        found = hashlib.sha256(of.read_bytes()).hexdigest()
        with of.open("ab") as file:
            file.write(b"more")
        return found

    memory.sha256(path, slow)
    assert memory.known(path) is None


@pytest.mark.usefixtures("later")
def test_a_damaged_memory_costs_time_only(tmp_path: Path) -> None:
    path, take = large(tmp_path / "a"), Counter()
    store = tmp_path / "h"
    store.write_bytes(b"not a database at all" * 100)
    memory = HashMemory(store)
    true = hashlib.sha256(path.read_bytes()).hexdigest()
    assert memory.sha256(path, take) == true
    assert memory.sha256(path, take) == true and memory.sha256(path, take) == true
    assert take.taken == 1, "it was made anew and remembers again"


@pytest.mark.usefixtures("later")
def test_no_name_is_kept(tmp_path: Path) -> None:
    """Recorders put patients' names into file names."""
    store = tmp_path / "h"
    HashMemory(store).sha256(large(tmp_path / "Ivy Quill 1967.mp4"), Counter())
    kept = b"".join(p.read_bytes() for p in tmp_path.glob("h*"))
    assert b"Ivy" not in kept and str(tmp_path).encode() not in kept


def test_errors_of_reading_pass_through(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        HashMemory(tmp_path / "h").sha256(tmp_path / "missing", Counter())
