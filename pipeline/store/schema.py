"""The tables of the catalogue, one script a version."""

from __future__ import annotations

import sqlite3

# One function or script per version; never edit one that was published, add the next.
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE numbers (
        series TEXT NOT NULL,
        number INTEGER NOT NULL CHECK (number >= 1),
        case_name TEXT NOT NULL,
        PRIMARY KEY (series, number)
    );
    CREATE TABLE releases (
        id INTEGER PRIMARY KEY,
        case_name TEXT NOT NULL,
        profile TEXT NOT NULL,
        revision INTEGER NOT NULL CHECK (revision >= 1),
        audience TEXT NOT NULL,
        series TEXT NOT NULL,
        number INTEGER,
        sha256 TEXT NOT NULL,
        path TEXT NOT NULL,
        released_at TEXT NOT NULL,
        record TEXT NOT NULL,
        UNIQUE (case_name, profile, revision)
    );
    CREATE TABLE release_sources (
        release_id INTEGER NOT NULL REFERENCES releases (id) ON DELETE CASCADE,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (release_id, sha256)
    );
    CREATE INDEX release_sources_by_hash ON release_sources (sha256);
    CREATE TABLE consent (
        id INTEGER PRIMARY KEY,
        case_name TEXT NOT NULL,
        scope TEXT NOT NULL CHECK (scope IN ('none', 'teaching', 'public')),
        given_on TEXT,
        expires_on TEXT,
        reference TEXT NOT NULL,
        voice INTEGER NOT NULL,
        noted_at TEXT NOT NULL,
        note_key TEXT NOT NULL UNIQUE
    );
    CREATE INDEX consent_by_case ON consent (case_name);
    CREATE TABLE consent_sources (
        consent_id INTEGER NOT NULL REFERENCES consent (id) ON DELETE CASCADE,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (consent_id, sha256)
    );
    CREATE INDEX consent_sources_by_hash ON consent_sources (sha256);
    CREATE TABLE withdrawn_cases (case_name TEXT PRIMARY KEY, at TEXT NOT NULL);
    CREATE TABLE withdrawn_sources (sha256 TEXT PRIMARY KEY, case_name TEXT NOT NULL,
        at TEXT NOT NULL);
    CREATE TRIGGER consent_is_append_only BEFORE UPDATE ON consent
        BEGIN SELECT RAISE (ABORT, 'consent notes are append-only'); END;
    CREATE TRIGGER consent_is_kept BEFORE DELETE ON consent
        BEGIN SELECT RAISE (ABORT, 'consent notes are append-only'); END;
    CREATE TRIGGER withdrawal_is_final BEFORE DELETE ON withdrawn_cases
        BEGIN SELECT RAISE (ABORT, 'a withdrawal is final'); END;
    CREATE TRIGGER withdrawal_of_source_is_final BEFORE DELETE ON withdrawn_sources
        BEGIN SELECT RAISE (ABORT, 'a withdrawal is final'); END;
    CREATE TRIGGER numbers_are_never_used_twice BEFORE DELETE ON numbers
        BEGIN SELECT RAISE (ABORT, 'a number is never used twice'); END;
    """,
    # place: hash of the OUT folder's path. load_s: seconds of 1920x1080 at 30 Hz.
    """
    CREATE TABLE batch_cases (
        place TEXT NOT NULL,
        case_name TEXT NOT NULL,
        profile TEXT NOT NULL,
        inputs_sha256 TEXT NOT NULL,
        state TEXT NOT NULL,
        program_version TEXT NOT NULL,
        outcome TEXT NOT NULL,
        load_s REAL NOT NULL,
        cpu_s REAL NOT NULL,
        noted_at TEXT NOT NULL,
        PRIMARY KEY (place, case_name, profile)
    );
    CREATE INDEX batch_cases_by_time ON batch_cases (noted_at);
    CREATE INDEX releases_by_time ON releases (released_at);
    CREATE INDEX consent_by_time ON consent (noted_at);
    CREATE INDEX withdrawn_cases_by_time ON withdrawn_cases (at);
    """,
    # case_keys: names that look alike have one key (`model.consent.case_key`). sources: what a
    # copy of a source is recognised by. places: OUT folders in which a case was worked on.
    # meta: which catalogue this is, and how often it was written.
    """
    CREATE TABLE meta (name TEXT PRIMARY KEY, value NOT NULL);
    INSERT INTO meta VALUES ('id', lower(hex(randomblob(16)))), ('writes', 0);
    CREATE TABLE case_keys (case_name TEXT PRIMARY KEY, key TEXT NOT NULL);
    CREATE INDEX case_keys_by_key ON case_keys (key);
    INSERT INTO case_keys SELECT case_name, case_key(case_name) FROM (
        SELECT case_name FROM consent UNION SELECT case_name FROM releases
        UNION SELECT case_name FROM withdrawn_cases UNION SELECT case_name FROM numbers
        UNION SELECT case_name FROM batch_cases);
    CREATE TABLE sources (
        id INTEGER PRIMARY KEY,
        sha256 TEXT NOT NULL UNIQUE,
        prints TEXT NOT NULL DEFAULT ''
    );
    CREATE TABLE source_packets (
        packet INTEGER NOT NULL,
        source_id INTEGER NOT NULL REFERENCES sources (id) ON DELETE CASCADE,
        sound INTEGER NOT NULL,
        PRIMARY KEY (packet, source_id)
    ) WITHOUT ROWID;
    CREATE INDEX source_packets_by_source ON source_packets (source_id);
    CREATE TABLE case_sources (
        case_name TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (case_name, sha256)
    );
    CREATE TABLE places (
        case_name TEXT NOT NULL,
        out TEXT NOT NULL,
        PRIMARY KEY (case_name, out)
    );
    """,
    """
    CREATE INDEX case_sources_by_hash ON case_sources (sha256);
    """,
    # What the list of the series shows of a release, so that it reads no record. sides: between
    # commas, as ",left,right,".
    """
    ALTER TABLE releases ADD COLUMN title TEXT NOT NULL DEFAULT '';
    ALTER TABLE releases ADD COLUMN file TEXT NOT NULL DEFAULT '';
    ALTER TABLE releases ADD COLUMN duration_s REAL NOT NULL DEFAULT 0;
    ALTER TABLE releases ADD COLUMN sides TEXT NOT NULL DEFAULT '';
    ALTER TABLE releases ADD COLUMN measured_label TEXT;
    ALTER TABLE releases ADD COLUMN measured_value REAL;
    ALTER TABLE releases ADD COLUMN measured_unit TEXT;
    UPDATE releases SET title = json_extract(record, '$.sheet.title'),
        file = json_extract(record, '$.sheet.file'),
        duration_s = json_extract(record, '$.sheet.duration_s');
    CREATE INDEX releases_by_number ON releases (series, number);
    """,
    # What was made beside a release after it left, such as stills. It stays known when it is gone.
    """
    CREATE TABLE made_beside (
        case_name TEXT NOT NULL,
        profile TEXT NOT NULL,
        revision INTEGER NOT NULL,
        file TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        what TEXT NOT NULL,
        made_at TEXT NOT NULL,
        PRIMARY KEY (case_name, profile, revision, file, sha256)
    ) WITHOUT ROWID;
    """,
    "ALTER TABLE consent ADD COLUMN review_on TEXT;",
    # heard: fingerprint of the sound. release_heard: narration files, which the consent of a
    # release does not bind, as it binds its sources; theirs binds the release.
    """
    ALTER TABLE sources ADD COLUMN heard TEXT NOT NULL DEFAULT '';
    CREATE TABLE release_heard (
        release_id INTEGER NOT NULL REFERENCES releases (id) ON DELETE CASCADE,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (release_id, sha256)
    );
    CREATE INDEX release_heard_by_hash ON release_heard (sha256);
    """,
)


def statements(script: str) -> list[str]:
    """Statements of a script; triggers hold semicolons, so SQLite itself tells where one ends."""
    out, part = [], ""
    for line in script.splitlines(keepends=True):
        part += line
        if part.strip() and sqlite3.complete_statement(part):
            out.append(part.strip())
            part = ""
    return out
