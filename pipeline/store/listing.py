"""The list of the series from the catalogue's columns: no release record is read for it.

Functions over an open connection `db`.
"""

from __future__ import annotations

import datetime
import json
import sqlite3
from collections.abc import Sequence
from typing import Any

from pipeline.model.beside import BesideFile, BesideList
from pipeline.model.consent import narrowest
from pipeline.model.release import Sheet
from pipeline.model.series import SeriesEntry, Wanted
from pipeline.store import consent as book


def listed_of(sheet: Sheet) -> tuple[Any, ...]:
    """What the list shows of a release: the last columns of `releases`, in their order."""
    sides = f",{','.join(sheet.sides)}," if sheet.sides else ""
    value = sheet.measured
    shown = (value.label, value.value, value.unit) if value is not None else (None, None, None)
    return (sheet.title, sheet.file, sheet.duration_s, sides, *shown)


def listed(db: sqlite3.Connection, wanted: Wanted) -> list[tuple[int, SeriesEntry]]:
    """(id, entry) of the newest revision of each numbered case and profile that is wanted.

    In the order of series, number, audience and profile. Clips of parts stand outside.
    """
    newest = (
        "revision = (SELECT max(revision) FROM releases AS other WHERE"
        " (other.case_name, other.profile) = (releases.case_name, releases.profile))"
    )
    where = ["number IS NOT NULL", newest]
    values: list[Any] = []
    for clause, value in (
        ("substr(released_at, 1, 10) >= ?", wanted.since and str(wanted.since)),
        ("substr(released_at, 1, 10) <= ?", wanted.until and str(wanted.until)),
        ("audience = ?", wanted.audience),
        ("instr(sides, ',' || ? || ',')", wanted.side),
        ("same_words(measured_label, ?)", wanted.measured),
        ("measured_value >= ?", wanted.least),
        ("measured_value <= ?", wanted.most),
    ):
        if value is not None:
            where.append(clause)
            values.append(value)
    db.create_function("same_words", 2, _same_words, deterministic=True)
    rows = db.execute(
        "SELECT id, series, number, case_name, profile, revision, audience, title, sides,"
        " duration_s, measured_label, measured_value, measured_unit, file,"
        " substr(released_at, 1, 10) AS released_on"
        f" FROM releases WHERE {' AND '.join(where)}"
        " ORDER BY series, number, audience, profile",
        values,
    )
    return [(row["id"], _entry(row)) for row in rows]


def _same_words(one: str | None, other: str) -> bool:
    return one is not None and one.casefold().split() == other.casefold().split()


def _entry(row: sqlite3.Row) -> SeriesEntry:
    return SeriesEntry(
        series=row["series"], number=row["number"], title=row["title"],
        sides=tuple(filter(None, row["sides"].split(","))),
        measured_label=row["measured_label"], measured_value=row["measured_value"],
        measured_unit=row["measured_unit"], duration_s=row["duration_s"],
        audience=row["audience"], released_on=datetime.date.fromisoformat(row["released_on"]),
        case=row["case_name"], profile=row["profile"], revision=row["revision"],
        file=row["file"],
    )  # fmt: skip


def uncovered(
    db: sqlite3.Connection,
    found: Sequence[tuple[int, SeriesEntry]],
    today: datetime.date,
    newest: datetime.datetime | None,
) -> set[int]:
    """Ids of those of `found` that consent does not cover today.

    Asked of those that something noted may touch: a case that looks alike, a source of its own,
    or of withdrawn and refused material one that shares coded packets. All others were released
    under consent that nothing has narrowed since. newest: of `Catalogue.newest`.
    """
    judged = max(today, newest.astimezone().date()) if newest is not None else today
    touched = _touched(db, judged)
    out = set()
    for number, entry in found:
        if number not in touched[entry.audience == "public"]:
            continue
        sources = [r[0] for r in db.execute(
            "SELECT sha256 FROM release_sources WHERE release_id = ?1 UNION"
            " SELECT sha256 FROM release_heard WHERE release_id = ?1", (number,))]  # fmt: skip
        known = narrowest(
            book.notes(db, entry.case, sources), newest=newest,
            withdrawn=book.is_withdrawn(db, entry.case, sources),
        )  # fmt: skip
        if not known.covers(entry.audience, today):
            out.add(number)
    return out


def _touched(db: sqlite3.Connection, today: datetime.date) -> tuple[set[int], set[int]]:
    """Ids of releases that narrower notes or withdrawals may touch: of teaching, of public."""
    barred = [
        row[0]
        for row in db.execute(
            "SELECT sha256 FROM withdrawn_sources UNION SELECT sha256 FROM consent_sources"
            " JOIN consent ON consent.id = consent_id WHERE scope = 'none'"
        )
    ]
    kin = json.dumps(book.kin(db, barred) if barred else [])
    answers = []
    for scopes in (("none",), ("none", "teaching")):
        noted = (
            "SELECT id FROM consent WHERE scope IN (SELECT value FROM json_each(:scopes))"
            " OR expires_on < :today OR given_on > :today OR review_on < :today"
        )
        rows = db.execute(
            "SELECT id FROM releases WHERE case_name IN (SELECT case_name FROM case_keys WHERE key"
            " IN (SELECT key FROM case_keys WHERE case_name IN (SELECT case_name FROM"
            f" withdrawn_cases UNION SELECT case_name FROM consent WHERE id IN ({noted}))))"
            " UNION SELECT release_id FROM (SELECT * FROM release_sources UNION ALL SELECT * FROM"
            " release_heard) WHERE sha256 IN (SELECT value FROM json_each(:kin) UNION SELECT"
            f" sha256 FROM consent_sources WHERE consent_id IN ({noted}))",
            {"scopes": json.dumps(scopes), "today": str(today), "kin": kin},
        )
        answers.append({row[0] for row in rows})
    return answers[0], answers[1]


def note_beside(db: sqlite3.Connection, made: BesideList) -> None:
    """Add files made beside a release; the same again changes nothing."""
    db.executemany(
        "INSERT OR IGNORE INTO made_beside VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (made.case, made.profile, made.revision, f.file, f.sha256, f.what, f.made_at)
            for f in made.files
        ],
    )


def made_beside(
    db: sqlite3.Connection, case: str, profile: str, revision: int
) -> list[BesideFile]:
    """Files that were made beside a release, sorted by name."""
    rows = db.execute(
        "SELECT file, sha256, what, made_at FROM made_beside"
        " WHERE (case_name, profile, revision) = (?, ?, ?) ORDER BY file, made_at",
        (case, profile, revision),
    )
    return [BesideFile(**dict(row)) for row in rows]
