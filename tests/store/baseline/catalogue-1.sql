BEGIN TRANSACTION;
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
INSERT INTO "consent" VALUES(1,'HL-0142','teaching',NULL,NULL,'form 88',0,'2026-03-02T10:00:00+00:00','["HL-0142", "teaching", null, null, "form 88", 0, ["x", "y"]]');
CREATE TABLE consent_sources (
        consent_id INTEGER NOT NULL REFERENCES consent (id) ON DELETE CASCADE,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (consent_id, sha256)
    );
INSERT INTO "consent_sources" VALUES(1,'x');
INSERT INTO "consent_sources" VALUES(1,'y');
CREATE TABLE numbers (
        series TEXT NOT NULL,
        number INTEGER NOT NULL CHECK (number >= 1),
        case_name TEXT NOT NULL,
        PRIMARY KEY (series, number)
    );
INSERT INTO "numbers" VALUES('nose',12,'HL-0142');
CREATE TABLE release_sources (
        release_id INTEGER NOT NULL REFERENCES releases (id) ON DELETE CASCADE,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (release_id, sha256)
    );
INSERT INTO "release_sources" VALUES(1,'x');
INSERT INTO "release_sources" VALUES(1,'y');
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
INSERT INTO "releases" VALUES(1,'HL-0142','web',1,'public','nose',12,'HL-0142web1','out/releases/HL-0142/HL-0142-web-r1.mp4','2026-03-01T10:00:00+00:00','{
 "schema": "fieldstop.release/1",
 "sheet": {
  "schema": "fieldstop.sheet/1",
  "case": "HL-0142",
  "title": "Crust clearance after sinus surgery",
  "number": 12,
  "series_title": "nose",
  "profile": "web",
  "audience": "public",
  "revision": 1,
  "replaces": null,
  "file": "HL-0142-web-r1.mp4",
  "sha256": "HL-0142web1",
  "duration_s": 10.0,
  "width_px": 1920,
  "height_px": 1080,
  "year": 2026,
  "chapters": [],
  "cautions": [],
  "checks": [],
  "edits": []
 },
 "released_at": "2026-03-01T10:00:00+00:00",
 "program_version": "0",
 "sources": [
  "x",
  "y"
 ],
 "settings_sha256": "s",
 "plan_sha256": "p",
 "survey_sha256": [],
 "consent": {
  "scope": "teaching",
  "reference": "form 88"
 },
 "mark": {
  "seed": 1
 },
 "approved_by": null,
 "path": "out/releases/HL-0142/HL-0142-web-r1.mp4",
 "warnings": []
}');
CREATE TABLE withdrawn_cases (case_name TEXT PRIMARY KEY, at TEXT NOT NULL);
INSERT INTO "withdrawn_cases" VALUES('HL-0099','2026-03-02T10:00:00+00:00');
CREATE TABLE withdrawn_sources (sha256 TEXT PRIMARY KEY, case_name TEXT NOT NULL,
        at TEXT NOT NULL);
INSERT INTO "withdrawn_sources" VALUES('w','HL-0099','2026-03-02T10:00:00+00:00');
CREATE INDEX release_sources_by_hash ON release_sources (sha256);
CREATE INDEX consent_by_case ON consent (case_name);
CREATE INDEX consent_sources_by_hash ON consent_sources (sha256);
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
COMMIT;
PRAGMA user_version = 1;
PRAGMA application_id = 1179866192;
