"""The catalogue: one SQLite file with numbers of the series, releases and consent.

What it holds: pseudonyms, hashes, paths of releases and of OUT folders, dates of consent,
the mark of each release. No names, no words from pictures or sound. It can be rebuilt from
the OUT folders: from their `release.json` files, and from the `consent.jsonl` and
take-down sheets for what narrows or ends consent.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import sqlite3
import sys
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.errors import InputError, NeedsPerson, OutputError, UsageError
from pipeline.model.case import CaseConsent
from pipeline.model.consent import ConsentFact, KnownConsent, KnownSource, case_key, narrowest
from pipeline.model.release import ReleaseRecord
from pipeline.store import consent as book
from pipeline.store import schema
from pipeline.store.consent import Source
from pipeline.store.consent_files import out_of, stamp
from pipeline.store.work import output_error, writing

APPLICATION_ID = 0x46535450  # "FSTP", kept in the header of the file
_BUSY_S = 20.0
_LARGE_BYTES = 64_000_000
BACKUP_EVERY_S = 20 * 3600.0
_NEW_S = 60.0  # an empty file older than this is no catalogue that is just being made


def data_folder() -> Path:
    """The user's data folder of this program.

    XDG Base Directory Specification 0.8 (XDG_DATA_HOME, else ~/.local/share);
    on Windows LOCALAPPDATA; on macOS ~/Library/Application Support (common
    practice, no source).
    """
    given = os.environ.get("XDG_DATA_HOME", "")
    if given and Path(given).is_absolute():  # the specification ignores relative paths
        base = Path(given)
    elif sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path.home() / ".local" / "share"
    return base / "fieldstop"


def default_catalogue() -> Path:
    return data_folder() / "catalogue.sqlite3"


@dataclass(frozen=True)
class BatchNote:
    """What a batch made of a case.

    inputs_sha256: of what it was made from. state: released, withheld or failed. outcome:
    reasons and error for people. load_s: seconds of 1920x1080 at 30 Hz; cpu_s: what it took.
    """

    inputs_sha256: str
    state: str
    program_version: str
    outcome: dict[str, Any]
    load_s: float
    cpu_s: float


_statements = schema.statements
_MIGRATIONS = schema.MIGRATIONS
SCHEMA_VERSION = len(_MIGRATIONS)


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


class Catalogue:
    """The catalogue in the file `path`; made with its folder if missing (mode 0600).

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

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # numbers and revisions

    def next_number(self, series: str) -> int:
        """The lowest number above every number ever given in the series; it is not reserved."""
        with self._guard() as db:
            row = db.execute(
                "SELECT max(number) FROM numbers WHERE series = ?", (series,)
            ).fetchone()
        return int(row[0] or 0) + 1

    def claim_number(self, series: str, case: str, number: int | None = None) -> int:
        """The case's number in the series: the one it has, else `number`, else the next free one.

        Kept for ever once given. Raises UsageError if `number` belongs to
        another case, or if the case already has another number.
        """
        with self._write() as db:
            row = db.execute(
                "SELECT number FROM numbers WHERE series = ? AND case_name = ?", (series, case)
            ).fetchone()
            if row is not None:
                if number is not None and number != row[0]:
                    raise UsageError(
                        f"The case {case} already has a number in the series",
                        f"{number}, had {row[0]}",
                        "leave `number` out of case.toml, or give the number it had",
                    )
                return int(row[0])
            if number is None:
                last = db.execute(
                    "SELECT max(number) FROM numbers WHERE series = ?", (series,)
                ).fetchone()
                number = int(last[0] or 0) + 1
            owner = db.execute(
                "SELECT case_name FROM numbers WHERE series = ? AND number = ?", (series, number)
            ).fetchone()
            if owner is not None:
                raise UsageError(
                    "That number of the series is taken",
                    f"{number}, used by {owner[0]}",
                    "leave `number` out of case.toml to get the next free one",
                )
            db.execute("INSERT INTO numbers VALUES (?, ?, ?)", (series, number, case))
            return number

    def next_revision(self, case: str, profile: str) -> int:
        with self._guard() as db:
            row = db.execute(
                "SELECT max(revision) FROM releases WHERE case_name = ? AND profile = ?",
                (case, profile),
            ).fetchone()
        return int(row[0] or 0) + 1

    # releases

    def add_release(self, record: ReleaseRecord) -> None:
        """Adds a release with its number and the consent it was made under.

        Adding the same record again changes nothing. Raises UsageError if the
        number belongs to another case or the revision is taken by another file.
        """
        with self._write() as db:
            self._add(db, record)
        stamp(out_of(record.path), self)

    def latest_release(self, case: str, profile: str) -> ReleaseRecord | None:
        """The record of the highest revision of a case and profile."""
        with self._guard() as db:
            row = db.execute(
                "SELECT record FROM releases WHERE case_name = ? AND profile = ?"
                " ORDER BY revision DESC LIMIT 1",
                (case, profile),
            ).fetchone()
        return ReleaseRecord.model_validate_json(row[0]) if row is not None else None

    def has_release(self, case: str, profile: str, revision: int) -> bool:
        with self._guard() as db:
            row = db.execute(
                "SELECT 1 FROM releases WHERE case_name = ? AND profile = ? AND revision = ?",
                (case, profile, revision),
            ).fetchone()
        return row is not None

    def releases(self, case: str | None = None) -> list[ReleaseRecord]:
        """Records of all releases, or of one case; oldest first."""
        with self._guard() as db:
            rows = db.execute(
                "SELECT record FROM releases WHERE ?1 IS NULL OR case_name = ?1"
                " ORDER BY released_at, id",
                (case,),
            ).fetchall()
            return [ReleaseRecord.model_validate_json(row[0]) for row in rows]

    def releases_from(self, sources: Iterable[str]) -> list[ReleaseRecord]:
        """Records of every release made from any of the sources (sha256), of whatever case."""
        with self._guard() as db:
            return self._from_sources(db, list(sources))

    # batches

    def note_batch(self, place: str, case: str, profile: str, note: BatchNote) -> None:
        """What a batch made of a case, in place of what was noted before."""
        with self._write() as db:
            db.execute(
                "INSERT OR REPLACE INTO batch_cases VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    place,
                    case,
                    profile,
                    note.inputs_sha256,
                    note.state,
                    note.program_version,
                    json.dumps(note.outcome),
                    note.load_s,
                    note.cpu_s,
                    _now(),
                ),
            )

    def batch_note(self, place: str, case: str, profile: str) -> BatchNote | None:
        """What the last batch made of a case in that place."""
        with self._guard() as db:
            row = db.execute(
                "SELECT * FROM batch_cases WHERE place = ? AND case_name = ? AND profile = ?",
                (place, case, profile),
            ).fetchone()
        if row is None:
            return None
        return BatchNote(
            row["inputs_sha256"], row["state"], row["program_version"],
            json.loads(row["outcome"]), row["load_s"], row["cpu_s"],
        )  # fmt: skip

    def batch_costs(self, newest: int = 200) -> list[tuple[float, float]]:
        """(load_s, cpu_s) of the cases made last."""
        with self._guard() as db:
            rows = db.execute(
                "SELECT load_s, cpu_s FROM batch_cases WHERE load_s > 0 AND cpu_s > 0"
                " AND state = 'released' ORDER BY noted_at DESC LIMIT ?",
                (newest,),
            ).fetchall()
        return [(float(row[0]), float(row[1])) for row in rows]

    # consent; the rules are in `model.consent`, the tables in `store.consent`

    def note_consent(
        self, case: str, sources: Sequence[Source], consent: CaseConsent, at: str | None = None
    ) -> None:
        """Notes what a case says about consent, for the case and its sources.

        Append-only: the same note again changes nothing, another is added to it. 'Not yet
        asked' (scope none without a date) binds nothing; the sources are remembered as
        those of the case.
        """
        with self._write() as db:
            book.note(db, case, book.known_sources(sources), consent, at or _now())

    def consent_for(
        self, sources: Sequence[Source], case: str, consent: CaseConsent | None = None
    ) -> KnownConsent:
        """The narrowest consent known for the case or any of the sources, or of their kin.

        consent: what the case says now, taken into account without being noted.
        """
        with self._guard() as db:
            notes = book.notes(db, case, sources)
            withdrawn = book.is_withdrawn(db, case, sources)
        return narrowest(notes, consent, withdrawn=withdrawn, newest=self.newest())

    def recall(self, hashes: Iterable[str]) -> list[KnownSource]:
        """Sources by their hashes, with all that they are recognised by."""
        with self._guard() as db:
            return book.recall(db, hashes)

    def learn(self, sources: Sequence[KnownSource]) -> None:
        """Keeps what sources are recognised by."""
        with self._write() as db:
            book.learn(db, sources)

    def lookalikes(
        self, case: str, sources: Sequence[Source], audience: str, today: datetime.date
    ) -> list[tuple[str, str, KnownSource]]:
        """Other recordings with a fingerprint whose own consent does not cover `audience`.

        (case, state of consent, source); those of `case` and the kin of `sources` are left out.
        """
        with self._guard() as db:
            return book.narrower_sources(db, case, sources, audience, today)

    def facts_for(self, case: str, sources: Sequence[Source]) -> list[ConsentFact]:
        """What narrows or ends consent for the case and its sources, to be kept elsewhere too."""
        with self._guard() as db:
            return book.facts(db, case, sources)

    def unknown_facts(self, facts: Sequence[ConsentFact]) -> list[ConsentFact]:
        """Those of the facts that are not held."""
        with self._guard() as db:
            return book.unknown(db, facts)

    def feed(self, facts: Sequence[ConsentFact]) -> int:
        """Takes facts found elsewhere in; how many were new."""
        if not self.unknown_facts(facts):
            return 0
        with self._write() as db:
            return book.feed(db, facts)

    def case_names(self) -> list[str]:
        """Every case that was ever named here."""
        with self._guard() as db:
            return [row[0] for row in db.execute("SELECT case_name FROM case_keys ORDER BY 1")]

    def alike(self, case: str) -> list[str]:
        """Known names that look like `case` (`model.consent.case_key`)."""
        with self._guard() as db:
            return book.alike(db, case)

    def note_place(self, case: str, out: Path) -> None:
        """Remembers the OUT folder in which a case is worked on."""
        place = (case, os.path.abspath(out))
        with self._guard() as db:
            known = db.execute("SELECT 1 FROM places WHERE (case_name, out) = (?, ?)", place)
            if known.fetchone():
                return
        with self._write() as db:
            book.name_case(db, case)
            db.execute("INSERT OR IGNORE INTO places VALUES (?, ?)", place)

    def places(self, cases: Sequence[str]) -> list[tuple[str, Path]]:
        """(case, OUT folder) of everywhere the cases were worked on or released."""
        with self._guard() as db:
            rows = db.execute(
                "SELECT case_name, out FROM places WHERE case_name IN"
                " (SELECT value FROM json_each(?)) ORDER BY 1, 2",
                (json.dumps(list(cases)),),
            )
            return [(row[0], Path(row[1])) for row in rows]

    def identity(self) -> tuple[str, int]:
        """Which catalogue this is, and how often it was written: a copy that was put back
        has the same name and a smaller number."""
        with self._guard() as db:
            values = dict(db.execute("SELECT name, value FROM meta").fetchall())
        return str(values["id"]), int(values["writes"])

    def newest(self) -> datetime.datetime | None:
        """Time of the newest release, note of consent or withdrawal; None if there is none."""
        with self._guard() as db:
            rows = db.execute(
                "SELECT max(released_at) FROM releases UNION ALL SELECT max(noted_at) FROM consent"
                " UNION ALL SELECT max(at) FROM withdrawn_cases"
            ).fetchall()
        found = []
        for row in rows:
            with contextlib.suppress(TypeError, ValueError):
                at = datetime.datetime.fromisoformat(row[0])
                found.append(at if at.tzinfo else at.replace(tzinfo=datetime.UTC))
        return max(found, default=None)

    def withdraw(self, case: str, sources: Sequence[Source] = ()) -> list[ReleaseRecord]:
        """Marks consent as withdrawn, for good, and lists every release to take down.

        Bound to the case, to those that look like it, and to every source known for them.
        The list holds releases of other cases made from the same sources, or from others
        that share coded packets with them. Never deletes a file.
        """
        with self._write() as db:
            cases, hashes = book.withdraw(db, case, sources, _now())
            out = {
                (r.sheet.case, r.sheet.profile, r.sheet.revision): r
                for r in self._from_sources(db, hashes)
            }
            for row in db.execute(
                "SELECT record FROM releases WHERE case_name IN (SELECT value FROM json_each(?))",
                (json.dumps(cases),),
            ):
                record = ReleaseRecord.model_validate_json(row[0])
                out[record.sheet.case, record.sheet.profile, record.sheet.revision] = record
        return sorted(out.values(), key=lambda r: (r.released_at, r.path))

    def is_withdrawn(self, case: str, sources: Sequence[Source] = ()) -> bool:
        """True if consent was withdrawn for the case or for any of the sources or their kin."""
        with self._guard() as db:
            return book.is_withdrawn(db, case, sources)

    # upkeep

    def rebuild(
        self, release_json_paths: Iterable[Path], facts: Sequence[ConsentFact] = ()
    ) -> int:
        """Adds every release of the given `release.json` files that is not held yet.

        facts: of consent, found beside them. Nothing held is lost: numbers, consent and
        withdrawals stay. Where the OUT folder of a record was moved, its new place is
        remembered. Returns how many were added. Raises InputError for a file that is no
        release record; then nothing is changed.
        """
        records = []
        for path in release_json_paths:
            try:
                text = Path(path).read_text(encoding="utf-8")
                record = ReleaseRecord.model_validate_json(text)
            except (OSError, UnicodeDecodeError, ValidationError) as error:
                why = error.strerror if isinstance(error, OSError) else "it is no release record"
                raise InputError(
                    "A release record cannot be read",
                    f"{Path(path).name}: {why}",
                    "take it out of the folder, or restore it from a backup",
                ) from error
            records.append(_where_it_lies(record, Path(path)))
        records.sort(key=lambda record: (record.released_at, record.path))
        with self._write() as db:
            book.feed(db, facts)  # first: a withdrawn case takes the sources of its releases along
            return sum(self._add(db, record) for record in records)

    def backup(self, path: Path | str) -> Path:
        """Writes a whole, consistent copy to `path` (mode 0600), while others may go on writing."""
        from pipeline.store.work import atomic_path

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

    def _add(self, db: sqlite3.Connection, record: ReleaseRecord) -> bool:
        sheet = record.sheet
        row = db.execute(
            "SELECT sha256 FROM releases WHERE case_name = ? AND profile = ? AND revision = ?",
            (sheet.case, sheet.profile, sheet.revision),
        ).fetchone()
        if row is not None:
            if row[0] == sheet.sha256:
                return False
            raise UsageError(
                "That revision is already in the catalogue with another file",
                f"{sheet.case}, {sheet.profile}, r{sheet.revision}",
                "release it again: it gets the next revision",
            )
        if sheet.number is not None:
            owner = db.execute(
                "SELECT case_name FROM numbers WHERE series = ? AND number = ?",
                (sheet.series_title, sheet.number),
            ).fetchone()
            if owner is not None and owner[0] != sheet.case:
                raise UsageError(
                    "That number of the series is taken",
                    f"{sheet.number}, used by {owner[0]}",
                    "leave `number` out of case.toml to get the next free one",
                )
            db.execute(
                "INSERT OR IGNORE INTO numbers VALUES (?, ?, ?)",
                (sheet.series_title, sheet.number, sheet.case),
            )
        cursor = db.execute(
            "INSERT INTO releases (case_name, profile, revision, audience, series, number,"
            " sha256, path, released_at, record) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                sheet.case,
                sheet.profile,
                sheet.revision,
                sheet.audience,
                sheet.series_title,
                sheet.number,
                sheet.sha256,
                record.path,
                record.released_at,
                record.to_json(),
            ),
        )
        db.executemany(
            "INSERT OR IGNORE INTO release_sources VALUES (?, ?)",
            [(cursor.lastrowid, sha) for sha in record.sources],
        )
        book.note(
            db, sheet.case, book.known_sources(record.sources), _consent_of(record.consent), _now()
        )
        return True

    @staticmethod
    def _from_sources(db: sqlite3.Connection, sources: list[str]) -> list[ReleaseRecord]:
        rows = db.execute(
            "SELECT DISTINCT releases.id, record FROM releases"
            " JOIN release_sources ON release_id = releases.id"
            " WHERE release_sources.sha256 IN (SELECT value FROM json_each(?))"
            " ORDER BY released_at, releases.id",
            (json.dumps(sources),),
        ).fetchall()
        return [ReleaseRecord.model_validate_json(row["record"]) for row in rows]

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
        if version > SCHEMA_VERSION:
            raise OutputError(
                "The catalogue was written by a newer version of the program",
                f"version {version}, known up to {SCHEMA_VERSION}",
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
        if int(db.execute("PRAGMA user_version").fetchone()[0]) == SCHEMA_VERSION:
            return
        db.execute("BEGIN IMMEDIATE")
        try:
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            for number, step in enumerate(_MIGRATIONS[version:], start=version + 1):
                for statement in _statements(step):
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
                from pipeline.store.work import atomic_write

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


def _where_it_lies(record: ReleaseRecord, path: Path) -> ReleaseRecord:
    """The record with the place of its file: in the OUT folder in which the record lies."""
    for out in Path(os.path.abspath(path)).parents:
        here = out / "releases" / record.sheet.case / record.sheet.file
        if here.is_file():
            return record.model_copy(update={"path": str(here)})
    return record


def _consent_of(value: dict[str, Any]) -> CaseConsent:
    """The consent of a release record; unknown keys are left out, a broken one counts as none."""
    known = {key: value[key] for key in CaseConsent.model_fields if key in value}
    try:
        return CaseConsent.model_validate(known)
    except ValidationError:
        return CaseConsent(scope="none")
