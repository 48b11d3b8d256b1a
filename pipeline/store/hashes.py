"""Content hashes of large files, remembered by device, inode, size and times.

A hash says which recording a file is; taking it reads the whole file. What is
remembered spares that on a second look and is never trusted for a release: there
the hash is taken in full. It holds no name and no path. Losing it costs time only.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

from pipeline.settings import user_folder

LARGE_BYTES = 4_000_000  # smaller files are read faster than looked up safely
# A file that was written just now may change again within the same time stamp.
_SETTLED_S = 2.0
_BUSY_S = 5.0
_TABLE = """
CREATE TABLE IF NOT EXISTS hashes (
    device INTEGER NOT NULL, inode INTEGER NOT NULL, size INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL, ctime_ns INTEGER NOT NULL, sha256 TEXT NOT NULL,
    PRIMARY KEY (device, inode)
)
"""


class HashMemory:
    """Remembered hashes in one small SQLite file of the user's cache folder.

    Every fault of that file counts as 'not known': a damaged one is made anew.
    Used by several processes at once.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or user_folder("cache") / "hashes.sqlite3"

    def sha256(self, path: Path, take: Callable[[Path], str]) -> str:
        """The hash of a file, remembered or taken now by `take`. Passes on its errors."""
        known = self.known(path)
        if known is not None:
            return known
        before = _facts(path)
        found = take(path)
        if before is not None and before == _facts(path):
            self._keep(before, found)
        return found

    def known(self, path: Path) -> str | None:
        """The remembered hash, if the file looks as it did then; None otherwise."""
        facts = _facts(path)
        if facts is None or facts[2] < LARGE_BYTES:
            return None
        for row in self._run(
            "SELECT sha256 FROM hashes WHERE device = ? AND inode = ? AND size = ?"
            " AND mtime_ns = ? AND ctime_ns = ?",
            facts,
        ):
            return str(row[0])
        return None

    def forget(self, path: Path) -> None:
        """Drop what is remembered of a file, for one whose content turned out to differ."""
        facts = _facts(path)
        if facts is not None:
            self._run("DELETE FROM hashes WHERE device = ? AND inode = ?", facts[:2])

    def clear(self) -> None:
        for name in ("", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                os.unlink(f"{self.path}{name}")

    def _keep(self, facts: tuple[int, ...], sha256: str) -> None:
        age_s = time.time() - max(facts[3], facts[4]) / 1e9
        if facts[2] < LARGE_BYTES or age_s < _SETTLED_S:
            return
        self._run("INSERT OR REPLACE INTO hashes VALUES (?, ?, ?, ?, ?, ?)", (*facts, sha256))

    def _run(self, statement: str, values: tuple[object, ...]) -> list[tuple[object, ...]]:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            with contextlib.closing(sqlite3.connect(self.path, timeout=_BUSY_S)) as db, db:
                db.execute(_TABLE)
                return db.execute(statement, values).fetchall()
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                self.clear()
        except OSError:
            pass
        return []


def _facts(path: Path) -> tuple[int, ...] | None:
    """(device, inode, size, mtime_ns, ctime_ns), or None where it cannot be looked at."""
    try:
        found = path.stat()
    except OSError:
        return None
    # SQLite holds 63 bits; device and inode of some file systems have 64.
    device, inode = found.st_dev & (2**63 - 1), found.st_ino & (2**63 - 1)
    return device, inode, found.st_size, found.st_mtime_ns, found.st_ctime_ns
