"""Work folders, and what is left of processes that ended without removing theirs.

A temporary file or folder has the number of its process in its name: `.NAME.part-PROCESS-...`.
Raw sound and clips that nobody verified lie in them, so that every command on an OUT folder
begins with `sweep`.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.model.pseudonym import SAFE
from pipeline.store.work import TEMP_MARK, WorkFolder, in_use, is_alive, writing

_OWNER = re.compile(r"\..*" + re.escape(TEMP_MARK) + r"(\d+)", re.DOTALL)  # the last mark


def new_work(parent: Path) -> Path:
    """A private folder for raw sound and the like; `drop_work` removes it. Raises OutputError."""
    with writing():
        path = Path(tempfile.mkdtemp(prefix=f".work{TEMP_MARK}{os.getpid()}-", dir=parent))
    in_use.add(path.name)
    return path


def drop_work(path: Path) -> None:
    shutil.rmtree(path, ignore_errors=True)
    in_use.discard(path.name)


@contextlib.contextmanager
def work_folder(folder: WorkFolder) -> Iterator[Path]:
    """A work folder of a case that goes with the block."""
    path = new_work(folder.private_dir)
    try:
        yield path
    finally:
        drop_work(path)


def clean(folder: WorkFolder) -> list[str]:
    """Remove what ended processes left in a case and its clips. Call it holding the lock.

    Returns the names removed; what belongs to a process that lives is left.
    """
    whole = folder.whole
    found = [p for area in (whole.releases_dir, whole.private_dir) for p in _stale(area.rglob)]
    return [path.name for path in found if _remove(path)]


def sweep(out: Path) -> int:
    """Remove what ended processes left anywhere in an OUT folder.

    A case that somebody works on is passed by. Returns how many could not be removed.
    """
    areas = [out / "private", out / "releases"]
    found = defaultdict(list)
    for path in [p for glob in (out.glob, *(a.rglob for a in areas)) for p in _stale(glob)]:
        inside = path.relative_to(out).parts[1:-1]
        case = inside[0] if inside and re.fullmatch(SAFE, inside[0]) else ""
        found[case].append(path)
    left = 0
    for case, paths in found.items():
        with contextlib.suppress(OutputError), _held(out, case):
            left += sum(not _remove(path) for path in paths)
    return left


def _held(out: Path, case: str) -> contextlib.AbstractContextManager[None]:
    """The lock of a case; of none where nobody can hold one."""
    folder = WorkFolder(out, case) if case else None
    if folder is None or not folder.private_dir.is_dir():
        return contextlib.nullcontext()
    return folder.case_lock(prepare=False)


def _stale(glob: Callable[[str], Iterable[Path]]) -> list[Path]:
    """Temporary files and folders whose process has ended, a folder before what is in it."""
    found = []
    for path in glob(f".*{TEMP_MARK}*"):
        owner = _OWNER.match(path.name)
        if owner is None:
            continue
        process = int(owner.group(1))
        # A number is given again: one like our own that we did not make is of an earlier process.
        ours = process == os.getpid()
        if path.name not in in_use if ours else not is_alive(process):
            found.append(path)
    return sorted(found)


def _remove(path: Path) -> bool:
    """Whether it is gone."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
    return not os.path.lexists(path)
