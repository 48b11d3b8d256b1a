"""Consent in the catalogue's tables: notes, withdrawals, and which sources are of one kind.

Functions over an open connection `db`; those that write are called in a transaction. The
rules themselves are in `model.consent`. Sources are known by content: their hash, and the
hashes of their coded packets, so that a copy in another container or a part of one is
bound as they are.
"""

from __future__ import annotations

import datetime
import json
import sqlite3
from collections.abc import Collection, Iterable, Sequence

from pipeline.model.case import CaseConsent
from pipeline.model.consent import (
    ConsentFact,
    KnownSource,
    Noted,
    binds_later,
    case_key,
    corrected,
    narrowest,
    narrows,
)

Source = str | KnownSource
# A packet of the picture is a moment of one recording. Of sound it takes three: a single
# one may be what a coder makes of silence. Common practice, no source.
_SOUND_PACKETS = 3


def _signed(packet: int) -> int:
    """The 64 bits of a packet's hash as SQLite holds them."""
    return packet - (1 << 64) if packet >= 1 << 63 else packet


def known_sources(sources: Iterable[Source]) -> list[KnownSource]:
    return [s if isinstance(s, KnownSource) else KnownSource(sha256=s) for s in sources]


def kin(db: sqlite3.Connection, sources: Iterable[Source]) -> list[str]:
    """Hashes of the sources and of every source that shares coded packets with one of them."""
    given = known_sources(sources)
    found = {s.sha256 for s in given}
    packets = {int(p, 16) for s in given for p in (*s.pictures, *s.sounds)}
    values = json.dumps([_signed(p) for p in packets])
    rows = db.execute(
        "SELECT sha256, sound, count(*) AS shared FROM sources JOIN source_packets"
        " ON source_id = sources.id WHERE packet IN (SELECT value FROM json_each(?1)"
        " UNION SELECT packet FROM source_packets WHERE source_id IN (SELECT id FROM sources"
        " WHERE sha256 IN (SELECT value FROM json_each(?2)))) GROUP BY sources.id, sound",
        (values, json.dumps(sorted(found))),
    )
    for row in rows:
        if row["shared"] >= (_SOUND_PACKETS if row["sound"] else 1):
            found.add(row["sha256"])
    return sorted(found)


def learn(db: sqlite3.Connection, sources: Iterable[KnownSource]) -> None:
    """Keep what the sources are recognised by."""
    for source in sources:
        db.execute("INSERT OR IGNORE INTO sources (sha256) VALUES (?)", (source.sha256,))
        number = db.execute(
            "SELECT id FROM sources WHERE sha256 = ?", (source.sha256,)
        ).fetchone()[0]
        if source.prints:
            db.execute("UPDATE sources SET prints = ? WHERE id = ?", (source.prints, number))
        if source.heard:
            db.execute("UPDATE sources SET heard = ? WHERE id = ?", (source.heard, number))
        db.executemany(
            "INSERT OR IGNORE INTO source_packets VALUES (?, ?, ?)",
            [(_signed(int(p, 16)), number, sound)
             for sound, packets in ((0, source.pictures), (1, source.sounds)) for p in packets],
        )  # fmt: skip


def recall(db: sqlite3.Connection, hashes: Iterable[str]) -> list[KnownSource]:
    """The sources of those hashes with all that they are recognised by."""
    out = []
    for sha in sorted(set(hashes)):
        row = db.execute("SELECT * FROM sources WHERE sha256 = ?", (sha,)).fetchone()
        packets: tuple[list[str], list[str]] = ([], [])
        if row is not None:
            for packet, sound in db.execute(
                "SELECT packet, sound FROM source_packets WHERE source_id = ? ORDER BY packet",
                (row["id"],),
            ):
                packets[sound].append(f"{packet & (2**64 - 1):016x}")
        out.append(
            KnownSource(
                sha256=sha, pictures=packets[0], sounds=packets[1],
                prints=row["prints"] if row is not None else "",
                heard=row["heard"] if row is not None else "",
            )
        )  # fmt: skip
    return out


def name_case(db: sqlite3.Connection, case: str) -> None:
    """Keep a case's name, so that names that look alike find each other."""
    db.execute("INSERT OR IGNORE INTO case_keys VALUES (?, ?)", (case, case_key(case)))


def alike(db: sqlite3.Connection, case: str) -> list[str]:
    """Known names that look like `case`, itself among them if it is known."""
    rows = db.execute("SELECT case_name FROM case_keys WHERE key = ?", (case_key(case),))
    return [row[0] for row in rows]


def note(
    db: sqlite3.Connection,
    case: str,
    sources: Sequence[KnownSource],
    consent: CaseConsent,
    at: str,
) -> None:
    """Note what was said for a case and its sources. The same again changes nothing."""
    name_case(db, case)
    learn(db, sources)
    hashes = [s.sha256 for s in sources]
    db.executemany(
        "INSERT OR IGNORE INTO case_sources VALUES (?, ?)", [(case, sha) for sha in hashes]
    )
    if binds_later(consent):
        values, key = _note_key(case, hashes, consent)
        if _corrects(db, case, consent) and _is_noted(db, key):
            key = json.dumps([key, at])
        cursor = db.execute(
            "INSERT OR IGNORE INTO consent (case_name, scope, given_on, expires_on, reference,"
            " voice, review_on, noted_at, note_key) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*values, at, key),
        )
        if cursor.rowcount:
            db.executemany(
                "INSERT OR IGNORE INTO consent_sources VALUES (?, ?)",
                [(cursor.lastrowid, sha) for sha in hashes],
            )
    # A withdrawn case takes every source that it brings along with it.
    if _names_withdrawn(db, case):
        mark_withdrawn(db, case, hashes, at)


def _corrects(db: sqlite3.Connection, case: str, consent: CaseConsent) -> bool:
    """Whether this, said now, takes a mistyped day from a note of its case."""
    own, key = _noted(_rows(db, case, [])), case_key(case)
    return corrected(own, key, consent) != corrected(own, key)


def _is_noted(db: sqlite3.Connection, key: str) -> bool:
    row = db.execute("SELECT EXISTS (SELECT 1 FROM consent WHERE note_key = ?)", (key,))
    return bool(row.fetchone()[0])


def _note_key(
    case: str, hashes: Sequence[str], consent: CaseConsent
) -> tuple[tuple[str | int | None, ...], str]:
    values = (
        case,
        consent.scope,
        consent.given_on.isoformat() if consent.given_on else None,
        consent.expires_on.isoformat() if consent.expires_on else None,
        consent.reference,
        int(consent.voice),
        consent.review_on.isoformat() if consent.review_on else None,
    )
    # A note without a review keeps the key that it had before there were reviews.
    known = values if consent.review_on else values[:-1]
    return values, json.dumps([*known, sorted(set(hashes))])


def mark_withdrawn(db: sqlite3.Connection, case: str, hashes: Collection[str], at: str) -> None:
    name_case(db, case)
    db.executemany(
        "INSERT OR IGNORE INTO case_sources VALUES (?, ?)", [(case, sha) for sha in set(hashes)]
    )
    db.execute("INSERT OR IGNORE INTO withdrawn_cases VALUES (?, ?)", (case, at))
    db.executemany(
        "INSERT OR IGNORE INTO withdrawn_sources VALUES (?, ?, ?)",
        [(sha, case, at) for sha in sorted(set(hashes))],
    )


def _names_withdrawn(db: sqlite3.Connection, case: str) -> bool:
    row = db.execute(
        "SELECT EXISTS (SELECT 1 FROM withdrawn_cases WHERE case_name IN"
        " (SELECT case_name FROM case_keys WHERE key = ?))",
        (case_key(case),),
    ).fetchone()
    return bool(row[0])


def is_withdrawn(db: sqlite3.Connection, case: str, sources: Iterable[Source]) -> bool:
    row = db.execute(
        "SELECT EXISTS (SELECT 1 FROM withdrawn_sources WHERE sha256 IN"
        " (SELECT value FROM json_each(?)))",
        (json.dumps(kin(db, sources)),),
    ).fetchone()
    return bool(row[0]) or _names_withdrawn(db, case)


def notes(
    db: sqlite3.Connection, case: str, sources: Iterable[Source], now: CaseConsent | None = None
) -> list[CaseConsent]:
    """Every note for the case, for one that looks like it, or for any of the sources' kin.

    now: what the case says today, which may correct a day (`model.consent.corrected`).
    """
    return corrected(_noted(_rows(db, case, sources)), case_key(case), now)


def _noted(rows: Iterable[sqlite3.Row]) -> list[Noted]:
    return [Noted(_consent(row), case_key(row["case_name"]), row["noted_at"]) for row in rows]


def _rows(db: sqlite3.Connection, case: str, sources: Iterable[Source]) -> list[sqlite3.Row]:
    # Two look-ups by index; a join with OR reads every note there is.
    return db.execute(
        "SELECT * FROM consent WHERE case_name IN (SELECT case_name FROM case_keys WHERE"
        " key = ?1) OR id IN (SELECT consent_id FROM consent_sources WHERE sha256 IN"
        " (SELECT value FROM json_each(?2)))",
        (case_key(case), json.dumps(kin(db, sources))),
    ).fetchall()


def _consent(row: sqlite3.Row) -> CaseConsent:
    def date(text: str | None) -> datetime.date | None:
        return datetime.date.fromisoformat(text) if text else None

    return CaseConsent(
        scope=row["scope"],
        given_on=date(row["given_on"]),
        expires_on=date(row["expires_on"]),
        reference=row["reference"],
        voice=bool(row["voice"]),
        review_on=date(row["review_on"]),
    )


def facts(db: sqlite3.Connection, case: str, sources: Iterable[Source]) -> list[ConsentFact]:
    """What must not be lost of the case and its sources: whatever narrows or ends consent."""
    rows = _rows(db, case, sources)
    said = [(row, _consent(row)) for row in rows]
    voices = any(consent.voice for _, consent in said)
    out = [
        ConsentFact(
            at=row["noted_at"], case=row["case_name"], what="noted", consent=consent,
            sources=recall(db, (r[0] for r in db.execute(
                "SELECT sha256 FROM consent_sources WHERE consent_id = ?", (row["id"],)))),
        )
        for row, consent in said
        if narrows(consent) or (voices and not consent.voice)
    ]  # fmt: skip
    for row in db.execute(
        "SELECT case_name, at FROM withdrawn_cases WHERE case_name IN (SELECT case_name FROM"
        " case_keys WHERE key = ?1 UNION SELECT case_name FROM withdrawn_sources WHERE sha256 IN"
        " (SELECT value FROM json_each(?2)))",
        (case_key(case), json.dumps(kin(db, sources))),
    ).fetchall():
        hashes = db.execute(
            "SELECT sha256 FROM withdrawn_sources WHERE case_name = ?", (row["case_name"],)
        )
        known = recall(db, (r[0] for r in hashes))
        out.append(
            ConsentFact(at=row["at"], case=row["case_name"], what="withdrawn", sources=known)
        )
    return out


def ended_cases(db: sqlite3.Connection) -> list[str]:
    """Names of all cases with a withdrawal or a refusal."""
    rows = db.execute(
        "SELECT case_name FROM withdrawn_cases UNION"
        " SELECT case_name FROM consent WHERE scope = 'none' ORDER BY 1"
    )
    return [row[0] for row in rows]


def narrower_sources(
    db: sqlite3.Connection, case: str, sources: Iterable[Source], audience: str,
    today: datetime.date,
) -> list[tuple[str, str, KnownSource]]:  # fmt: skip
    """See `Catalogue.lookalikes`."""
    own, key = set(kin(db, sources)), case_key(case)
    rows = db.execute(
        "SELECT sha256, prints, heard, (SELECT case_name FROM case_sources WHERE"
        " case_sources.sha256 = sources.sha256) AS named FROM sources WHERE prints || heard != ''"
        " AND (sha256 IN (SELECT sha256 FROM withdrawn_sources) OR sha256 IN (SELECT sha256 FROM"
        " consent_sources JOIN consent ON consent.id = consent_id WHERE scope != 'public'"
        " OR expires_on IS NOT NULL OR review_on IS NOT NULL))"
    ).fetchall()
    out = []
    for row in rows:
        sha, named = row["sha256"], row["named"] or "another case"
        if sha in own or case_key(named) == key:
            continue
        known = narrowest(notes(db, named, [sha]), withdrawn=is_withdrawn(db, named, [sha]))
        if not known.covers(audience, today):
            source = KnownSource(sha256=sha, prints=row["prints"], heard=row["heard"])
            out.append((named, known.state(today), source))
    return out


def unknown(db: sqlite3.Connection, found: Iterable[ConsentFact]) -> list[ConsentFact]:
    """Those of the facts that the catalogue does not hold."""
    return [fact for fact in found if not _holds(db, fact)]


def _holds(db: sqlite3.Connection, fact: ConsentFact) -> bool:
    hashes = [s.sha256 for s in fact.sources]
    if fact.what == "withdrawn":
        row = db.execute(
            "SELECT EXISTS (SELECT 1 FROM withdrawn_cases WHERE case_name = ?1) AND"
            " (SELECT count(*) FROM withdrawn_sources WHERE sha256 IN"
            " (SELECT value FROM json_each(?2))) = ?3",
            (fact.case, json.dumps(hashes), len(set(hashes))),
        ).fetchone()
    elif fact.consent is None or not binds_later(fact.consent):
        return True
    else:
        key = _note_key(fact.case, hashes, fact.consent)[1]
        return _is_noted(db, key) and all(_recognised(db, s) for s in fact.sources)
    return bool(row[0]) and all(_recognised(db, s) for s in fact.sources)


def _recognised(db: sqlite3.Connection, source: KnownSource) -> bool:
    row = db.execute("SELECT * FROM sources WHERE sha256 = ?", (source.sha256,)).fetchone()
    if row is None:
        return not source.pictures and not source.prints and not source.heard
    packet = db.execute("SELECT 1 FROM source_packets WHERE source_id = ?", (row["id"],))
    return bool((row["prints"] or not source.prints) and (row["heard"] or not source.heard)
                and (packet.fetchone() or not source.pictures))  # fmt: skip


def feed(db: sqlite3.Connection, found: Iterable[ConsentFact]) -> int:
    """Take facts found elsewhere into the catalogue; how many were new."""
    new = unknown(db, found)
    for fact in new:
        if fact.what == "withdrawn":
            learn(db, fact.sources)
            mark_withdrawn(db, fact.case, [s.sha256 for s in fact.sources], fact.at)
        elif fact.consent is not None:
            note(db, fact.case, fact.sources, fact.consent, fact.at)
    return len(new)


def withdraw(
    db: sqlite3.Connection, case: str, sources: Iterable[Source], at: str
) -> tuple[list[str], list[str]]:
    """Mark a case, every case that looks like it and all their sources as withdrawn.

    Returns the cases and the hashes of all sources concerned, their kin among them.
    """
    given = known_sources(sources)
    learn(db, given)
    cases = alike(db, case) or [case]
    touched: set[str] = {s.sha256 for s in given}
    for name in cases:
        rows = db.execute(
            "SELECT release_sources.sha256 FROM release_sources"
            " JOIN releases ON releases.id = release_id WHERE case_name = ?1 UNION"
            " SELECT sha256 FROM consent_sources JOIN consent ON consent.id = consent_id"
            " WHERE case_name = ?1 UNION"
            " SELECT sha256 FROM case_sources WHERE case_name = ?1",
            (name,),
        )
        hashes = {row[0] for row in rows} | {s.sha256 for s in given}
        touched |= hashes
        mark_withdrawn(db, name, hashes, at)
    return cases, kin(db, touched)
