"""Before a batch writes anything: one batch a folder and an OUT, and a copy of the catalogue."""

from __future__ import annotations

import contextlib
import errno
import os
import time
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.store.catalogue import Catalogue
from pipeline.store.catalogue_file import BACKUP_EVERY_S
from pipeline.store.work import output_error, writing


def keep_backup(catalogue: Catalogue) -> Path:
    """A copy of the catalogue beside it, once a day at most, before a batch writes to it."""
    copy = catalogue.backup_path
    try:
        fresh = 0 <= time.time() - copy.stat().st_mtime < BACKUP_EVERY_S
    except OSError:
        fresh = False
    return copy if fresh else catalogue.backup(copy)


@contextlib.contextmanager
def folder_lock(folder: Path) -> Iterator[None]:
    """One batch a folder of cases, without writing there: the lock is on the folder itself.

    Raises OutputError where another holds it. File systems that cannot lock a folder that
    is open for reading are left to the lock of OUT.
    """
    with contextlib.ExitStack() as stack:
        try:
            handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            yield  # the search says what is wrong with it
            return
        stack.callback(os.close, handle)
        _lock(handle, "Another batch works on this folder of cases", "")
        yield


@contextlib.contextmanager
def out_lock(out: Path) -> Iterator[None]:
    """One batch an OUT folder. Raises OutputError where another holds it."""
    place = out / "private"
    with writing():
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC
        handle = os.open(place / ".batch-lock", flags, 0o600)
    try:
        held = os.pread(handle, 20, 0).decode("ascii", "replace").strip()
        _lock(handle, "Another batch writes to this output folder", held)
        os.ftruncate(handle, 0)
        os.pwrite(handle, str(os.getpid()).encode(), 0)
        yield
    finally:
        os.close(handle)


def _lock(handle: int, what: str, holder: str) -> None:
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
            raise OutputError(
                what,
                f"process {holder}" if holder.isdecimal() else "",
                "wait until it has finished, or stop it; then run this again",
            ) from None
        if error.errno not in (errno.EBADF, errno.ENOTSUP, errno.EINVAL, errno.ENOLCK):
            raise output_error(error) from None
