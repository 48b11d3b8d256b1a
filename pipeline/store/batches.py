"""What batches made of cases, in the catalogue's tables: to go on, and to tell what one costs.

Functions over an open connection `db`; `note` is called in a transaction.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import Any


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


def put(
    db: sqlite3.Connection, place: str, case: str, profile: str, note: BatchNote, now: str
) -> None:
    """In place of what was noted before."""
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
            now,
        ),
    )


def get(db: sqlite3.Connection, place: str, case: str, profile: str) -> BatchNote | None:
    """What the last batch made of a case in that place."""
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


def costs(db: sqlite3.Connection, newest: int) -> list[tuple[float, float]]:
    """(load_s, cpu_s) of the cases made last."""
    rows = db.execute(
        "SELECT load_s, cpu_s FROM batch_cases WHERE load_s > 0 AND cpu_s > 0"
        " AND state = 'released' ORDER BY noted_at DESC LIMIT ?",
        (newest,),
    ).fetchall()
    return [(float(row[0]), float(row[1])) for row in rows]
