"""The OUT folder: whole writes, permissions, one lock per case, stale files."""

from __future__ import annotations

import errno
import os
import resource
import signal
import stat
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from pipeline.errors import EXIT_OUTPUT, OutputError, UsageError
from pipeline.store.stale import clean
from pipeline.store.work import WorkFolder, atomic_path, atomic_write, output_error

ROOT = Path(__file__).resolve().parents[2]


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.rglob("*") if ".part-" in p.name]


def test_layout_is_the_agreed_one(tmp_path: Path) -> None:
    work = WorkFolder(tmp_path, "HL-0142")
    work.prepare()
    assert not work.releases_dir.exists()  # nothing of it may leave yet
    assert work.release_file("web", 1) == tmp_path / "releases/HL-0142/HL-0142-web-r1.mp4"
    assert work.sheet_file("web", 1).name == "HL-0142-web-r1.sheet.json"
    assert work.record_file("web", 2).parent == tmp_path / "private/HL-0142"
    assert stat.S_IMODE(work.private_dir.stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "private").stat().st_mode) == 0o700


def test_a_loose_private_folder_is_closed(tmp_path: Path) -> None:
    (tmp_path / "private/HL-1").mkdir(parents=True, mode=0o755)
    WorkFolder(tmp_path, "HL-1").prepare()
    assert stat.S_IMODE((tmp_path / "private/HL-1").stat().st_mode) == 0o700


@pytest.mark.parametrize("case", ["", "..", "../x", "a/b", ".hidden", "x" * 41, "a\nb"])
def test_case_names_that_leave_the_folder_are_refused(tmp_path: Path, case: str) -> None:
    with pytest.raises(UsageError):
        WorkFolder(tmp_path, case)


def test_private_files_are_for_the_owner_only(tmp_path: Path) -> None:
    work = WorkFolder(tmp_path, "HL-1")
    work.atomic_write(work.private_file("plan.json"), "{}")
    assert stat.S_IMODE(work.private_file("plan.json").stat().st_mode) == 0o600
    with pytest.raises(UsageError):
        work.private_file("../plan.json")


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "a.mp4"
    atomic_write(target, b"old")
    with pytest.raises(KeyError), atomic_path(target) as temp:
        assert temp.parent == target.parent and temp.suffix == ".mp4"
        temp.write_bytes(b"half")
        raise KeyError
    assert target.read_bytes() == b"old" and leftovers(tmp_path) == []


def test_a_reader_never_sees_half_a_file(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    with atomic_path(target) as temp:
        temp.write_text("half")
        assert not target.exists()
    assert target.read_text() == "half" and leftovers(tmp_path) == []


def test_a_block_that_made_no_file_is_an_output_error(tmp_path: Path) -> None:
    with pytest.raises(OutputError), atomic_path(tmp_path / "a"):
        pass


@pytest.mark.parametrize(
    ("number", "word"),
    [(errno.ENOSPC, "full"), (errno.EDQUOT, "full"), (errno.EACCES, "cannot be written"),
     (errno.EROFS, "cannot be written"), (errno.EIO, "could not be written")],
)
def test_os_errors_become_output_errors_without_a_path(number: int, word: str) -> None:
    error = output_error(OSError(number, os.strerror(number), "/home/maria jensen/x"))
    assert error.exit_code == EXIT_OUTPUT and word in error.what and error.do
    assert "jensen" not in str(error)


def test_a_full_disk_met_by_the_block(tmp_path: Path) -> None:
    target = tmp_path / "a"
    with pytest.raises(OutputError, match="full"), atomic_path(target) as temp:
        temp.write_bytes(b"x")
        raise OSError(errno.ENOSPC, "no space")
    assert not target.exists() and leftovers(tmp_path) == []


def test_a_source_that_cannot_be_read_is_not_blamed_on_the_output(tmp_path: Path) -> None:
    with pytest.raises(PermissionError), atomic_path(tmp_path / "a"):
        raise PermissionError(errno.EACCES, "denied", str(tmp_path / "source.mp4"))


def test_a_real_size_limit(tmp_path: Path) -> None:
    """The kernel refuses the write (EFBIG), as a quota would."""
    code = textwrap.dedent(
        f"""
        import resource, signal, sys
        sys.path.insert(0, {str(ROOT)!r})
        from pipeline.errors import OutputError
        from pipeline.store.work import atomic_write
        from pathlib import Path
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
        try:
            atomic_write(Path({str(tmp_path)!r}) / "a", b"x" * 5000)
        except OutputError as error:
            sys.exit(error.exit_code)
        """
    )
    assert resource.RLIMIT_FSIZE is not None
    done = subprocess.run([sys.executable, "-c", code], check=False)
    assert done.returncode == EXIT_OUTPUT and os.listdir(tmp_path) == []


def test_one_lock_per_case(tmp_path: Path) -> None:
    one, other = WorkFolder(tmp_path, "HL-1"), WorkFolder(tmp_path, "HL-2")
    with one.case_lock():
        again = WorkFolder(tmp_path, "HL-1")
        with pytest.raises(OutputError, match="HL-1 is being worked on") as info, again.case_lock():
            pass
        assert str(os.getpid()) in info.value.got and info.value.do
        with other.case_lock():
            pass
    with one.case_lock():
        pass


def test_a_killed_run_frees_the_lock_and_its_files_are_cleaned(tmp_path: Path) -> None:
    code = textwrap.dedent(
        f"""
        import sys, time
        sys.path.insert(0, {str(ROOT)!r})
        from pipeline.store.work import WorkFolder
        work = WorkFolder({str(tmp_path)!r}, "HL-1")
        with work.case_lock(), work.atomic_path(work.release_file("web", 1)) as temp:
            temp.write_bytes(b"half")
            print("ready", flush=True)
            time.sleep(60)
        """
    )
    work = WorkFolder(tmp_path, "HL-1")
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None and child.stdout.readline() == "ready\n"
    with pytest.raises(OutputError), work.case_lock():
        pass
    assert clean(work) == []  # its owner lives
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()
    with work.case_lock():
        assert len(clean(work)) == 1
    assert leftovers(tmp_path) == []


def test_clean_stale_spares_whole_files(tmp_path: Path) -> None:
    work = WorkFolder(tmp_path, "HL-1")
    work.atomic_write(work.release_file("web", 1), b"x")
    clean(work)
    assert work.release_file("web", 1).exists()
