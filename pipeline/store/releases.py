"""Releases and numbers of the series in the catalogue's tables, and records read from files.

Functions over an open connection `db`; those that write are called in a transaction.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.errors import InputError, UsageError
from pipeline.model.case import CaseConsent
from pipeline.model.release import ReleaseRecord
from pipeline.store import consent as book
from pipeline.store.listing import listed_of


def claim_number(db: sqlite3.Connection, series: str, case: str, number: int | None = None) -> int:
    """See `Catalogue.claim_number`."""
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
        last = db.execute("SELECT max(number) FROM numbers WHERE series = ?", (series,)).fetchone()
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


def add(db: sqlite3.Connection, record: ReleaseRecord, now: str) -> bool:
    """Adds a release with its number and its consent; False where the same one is held.

    Raises UsageError if the number belongs to another case or the revision to another file.
    """
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
        " sha256, path, released_at, record, title, file, duration_s, sides, measured_label,"
        " measured_value, measured_unit)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
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
            *listed_of(sheet),
        ),
    )
    db.executemany(
        "INSERT OR IGNORE INTO release_sources VALUES (?, ?)",
        [(cursor.lastrowid, sha) for sha in record.sources],
    )
    if record.narration:
        db.execute("INSERT INTO release_heard VALUES (?, ?)", (cursor.lastrowid, record.narration))
    book.note(db, sheet.case, book.known_sources(record.sources), consent_of(record.consent), now)
    return True


def from_sources(db: sqlite3.Connection, sources: list[str]) -> list[ReleaseRecord]:
    """Records of every release made from any of the sources (sha256), of whatever case.

    A source may be its narration.
    """
    rows = db.execute(
        "SELECT record FROM releases WHERE id IN (SELECT release_id FROM release_sources"
        " WHERE sha256 IN (SELECT value FROM json_each(?1)) UNION SELECT release_id FROM"
        " release_heard WHERE sha256 IN (SELECT value FROM json_each(?1)))"
        " ORDER BY released_at, id",
        (json.dumps(sources),),
    ).fetchall()
    return [ReleaseRecord.model_validate_json(row["record"]) for row in rows]


def read_records(paths: Iterable[Path]) -> list[ReleaseRecord]:
    """The records of `release.json` files, each with the place of its file now; oldest first.

    Raises InputError for a file that is no release record.
    """
    records = []
    for path in paths:
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
    return records


def _where_it_lies(record: ReleaseRecord, path: Path) -> ReleaseRecord:
    """The record with the place of its file: in the OUT folder in which the record lies."""
    for out in Path(os.path.abspath(path)).parents:
        here = out / "releases" / record.sheet.case / record.sheet.file
        if here.is_file():
            return record.model_copy(update={"path": str(here)})
    return record


def consent_of(value: dict[str, Any]) -> CaseConsent:
    """The consent of a release record; unknown keys are left out, a broken one counts as none."""
    known = {key: value[key] for key in CaseConsent.model_fields if key in value}
    try:
        return CaseConsent.model_validate(known)
    except ValidationError:
        return CaseConsent(scope="none")
