"""The file of the catalogue: opened, checked, migrated, written in transactions, copied.

Errors of SQLite become sentences that a person can act on. What the tables mean is in
`store.catalogue` and the modules that it calls.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Self

from pipeline.errors import NeedsPerson, OutputError
from pipeline.model.consent import case_key
from pipeline.settings import user_folder
from pipeline.store.schema import MIGRATIONS, statements
from pipeline.store.work import atomic_path, atomic_write, output_error, writing

APPLICATION_ID = 0x46535450  # "FSTP", kept in the header of the file
BACKUP_EVERY_S = 20 * 3600.0
_BUSY_S = 20.0
_LARGE_BYTES = 64_000_000
_NEW_S = 60.0  # an empty file older than this is no catalogue that is just being made


def default_catalogue() -> Path:
    return user_folder("data") / "catalogue.sqlite3"


class CatalogueFile:
    """The file `path` with its connection; made with its folder if missing (mode 0600).

    May be used by several processes at once (write-ahead log, 20 s wait).
    Raises OutputError if the file is damaged, of a newer version, locked for
    too long or not writable. A damaged file is kept; a copy is put beside it. Raises
    NeedsPerson for a file that was emptied.
    """

    def __init__(self, path: Path | str | None = None, *, anew: bool = False) -> None:
        """anew: an emptied file may be filled again, as a rebuild does."""
        self.path = Path(path) if path is not None else default_catalogue()
        self._db: sqlite3.Connection | None = None
        self._turn = threading.RLock()
        with writing():
            self.path.parent.mkdir(parents=True, exist_ok=True)
            if not self.path.exists():
                os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
            found = self.path.stat()
        if found.st_size == 0 and time.time() - found.st_mtime > _NEW_S and not anew:
            # A new one would forget withdrawals.
            raise NeedsPerson(
                "The catalogue file is empty: it was cut to nothing",
                self.path.name,
                "restore it from a backup, or run `fieldstop catalogue rebuild` with every"
                " output folder",
            )
        with self._guard():
            self._db = sqlite3.connect(
                self.path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
            )
            self._db.row_factory = sqlite3.Row
            self._db.create_function("case_key", 1, case_key, deterministic=True)
            self._db.execute("PRAGMA foreign_keys = ON")
            self._db.execute("PRAGMA synchronous = FULL")
            self._check()
            self._db.execute("PRAGMA journal_mode = WAL")
            self._migrate()

    def close(self) -> None:
        if self._db is not None:
            self._db.close()
            self._db = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def backup(self, path: Path | str) -> Path:
        """Writes a whole, consistent copy to `path` (mode 0600), while others may go on writing."""
        target = Path(path)
        with atomic_path(target, private=True) as temp, self._guard() as db:
            copy = sqlite3.connect(temp)
            try:
                db.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
            finally:
                copy.close()
        return target

    # inner parts; `db` is in a transaction where something is written

    def _check(self) -> None:
        assert self._db is not None
        version = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        identity = int(self._db.execute("PRAGMA application_id").fetchone()[0])
        tables = int(self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
        if identity != APPLICATION_ID and tables:
            raise OutputError(
                "The catalogue file belongs to another program",
                self.path.name,
                "give another file with --catalogue",
            )
        if version > len(MIGRATIONS):
            raise OutputError(
                "The catalogue was written by a newer version of the program",
                f"version {version}, known up to {len(MIGRATIONS)}",
                "update the program",
            )
        if self._checked_today():
            return
        problems = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if problems != "ok":
            raise sqlite3.DatabaseError("quick_check failed")

    def _checked_today(self) -> bool:
        """True for a large file of which a batch has kept a copy in the last day, after it
        had checked it: reading all of it takes 4 ms a megabyte, at every start."""
        try:
            size = self.path.stat().st_size
            age_s = time.time() - self.backup_path.stat().st_mtime
        except OSError:
            return False
        return size > _LARGE_BYTES and 0 <= age_s < BACKUP_EVERY_S

    @property
    def backup_path(self) -> Path:
        """The copy beside the catalogue that a batch keeps."""
        return self.path.with_name(f"{self.path.name}.backup")

    def _migrate(self) -> None:
        assert self._db is not None
        db = self._db
        if int(db.execute("PRAGMA user_version").fetchone()[0]) == len(MIGRATIONS):
            return
        db.execute("BEGIN IMMEDIATE")
        try:
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            for number, step in enumerate(MIGRATIONS[version:], start=version + 1):
                for statement in statements(step):
                    db.execute(statement)
                db.execute(f"PRAGMA user_version = {number}")
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute("COMMIT")
        except BaseException:
            _roll_back(db)
            raise

    @contextlib.contextmanager
    def _write(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of the block or nothing."""
        with self._guard() as db:
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("UPDATE meta SET value = value + 1 WHERE name = 'writes'")
                db.execute("COMMIT")
            except BaseException:
                _roll_back(db)
                raise

    @contextlib.contextmanager
    def _guard(self) -> Iterator[sqlite3.Connection]:
        """Turns errors of SQLite into errors a person can act on."""
        try:
            with self._turn:
                yield self._db  # type: ignore[misc]
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_ERROR:
                raise  # a broken statement: a bug
            raise self._operational(error) from error
        except sqlite3.DatabaseError as error:
            if type(error) is not sqlite3.DatabaseError:
                raise  # a broken rule of the schema: a bug, not damage
            raise self._damaged() from error
        except OSError as error:
            raise output_error(error) from error

    def _operational(self, error: sqlite3.OperationalError) -> OutputError:
        code = error.sqlite_errorcode & 0xFF
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return OutputError(
                "The catalogue is in use by another process",
                f"waited {_BUSY_S:.0f} s",
                "wait until it has finished, then run this again",
            )
        if code == sqlite3.SQLITE_FULL:
            return OutputError(
                "The catalogue could not be written: the disk is full",
                self.path.name,
                "free some space, then run this again",
            )
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return OutputError(
                "The catalogue cannot be opened for writing",
                self.path.name,
                "change its permissions, or give another file with --catalogue",
            )
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            return self._damaged()
        return OutputError(
            "The catalogue cannot be used",
            error.sqlite_errorname,
            "check the disk, or give another file with --catalogue",
        )

    def _damaged(self) -> OutputError:
        """Keeps a copy of the damaged file beside it and says how to go on."""
        copy = self.path.with_name(f"{self.path.name}.damaged")
        number = 1
        while copy.exists() and copy.read_bytes() != self.path.read_bytes():
            number += 1
            copy = self.path.with_name(f"{self.path.name}.damaged-{number}")
        try:
            if not copy.exists():
                atomic_write(copy, self.path.read_bytes(), private=True)
            kept = f"a copy is kept as {copy.name}"
        except (OSError, OutputError):
            kept = "no copy could be made"
        return OutputError(
            "The catalogue file is damaged",
            kept,
            "restore it from a backup, or move it away and run `fieldstop catalogue rebuild`"
            " with every output folder",
        )


def _roll_back(db: sqlite3.Connection) -> None:
    """Undo; after a full disk SQLite may have done so itself (sqlite.org/lang_transaction)."""
    if db.in_transaction:
        with contextlib.suppress(sqlite3.Error):
            db.execute("ROLLBACK")
