"""The catalogue: one SQLite file with numbers of the series, releases and consent.

What it holds: pseudonyms, hashes, paths of releases and of OUT folders, dates of consent,
the mark of each release. No names, no words from pictures or sound. It can be rebuilt from
the OUT folders: from their `release.json` files, and from the `consent.jsonl` and
take-down sheets for what narrows or ends consent.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from pipeline.errors import NeedsPerson
from pipeline.model.beside import BesideFile, BesideList
from pipeline.model.case import CaseConsent
from pipeline.model.consent import (
    ConsentFact,
    KnownConsent,
    KnownSource,
    is_refusal,
    narrowest,
)
from pipeline.model.release import ReleaseRecord
from pipeline.model.series import SeriesEntry, Wanted
from pipeline.store import batches, journal, listing
from pipeline.store import consent as book
from pipeline.store import releases as shelf
from pipeline.store.batches import BatchNote
from pipeline.store.catalogue_file import CatalogueFile
from pipeline.store.consent import Source
from pipeline.store.consent_files import out_of, stamp


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


class Catalogue(CatalogueFile):
    """The catalogue: every method that writes is one transaction; see `CatalogueFile`."""

    def __init__(self, path: Path | str | None = None, *, anew: bool = False) -> None:
        """As `CatalogueFile`; what the user's journal of withdrawals holds is taken in."""
        super().__init__(path, anew=anew)
        self.doubt = ""  # what forbids every release until a person has mended it
        self._meet_journal()

    def _meet_journal(self) -> None:
        """Take in what the journal holds beyond what was read of it, and put into it what ended
        here before there was one, or what it has lost."""
        with self._guard() as db:
            row = db.execute("SELECT value FROM meta WHERE name = 'journal_bytes'").fetchone()
        known, size = (int(row[0]) if row is not None else 0), journal.length()
        if row is None or size < known:
            journal.keep(self._ended())
            size = journal.length()
        if size == known:
            return
        found = journal.read()
        self.feed(found.facts)
        if found.damaged:
            self.doubt = journal.DAMAGED
            return  # and read again by whoever opens the catalogue next
        with self._write() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES ('journal_bytes', ?)", (size,))

    def _ended(self) -> list[ConsentFact]:
        """Every withdrawal and refusal that is known here."""
        with self._guard() as db:
            return [f for case in book.ended_cases(db) for f in book.facts(db, case, [])]

    def mend_journal(self) -> Path | None:
        """Where the journal is damaged: put it aside and write it anew, of what can be read of it
        and what is known here. Returns where the damaged one lies now. Raises OutputError."""
        if not self.doubt:
            return None
        aside = journal.mend(self._ended())
        self.doubt = ""
        self._meet_journal()
        return aside

    # numbers and revisions

    def claim_number(self, series: str, case: str, number: int | None = None) -> int:
        """The case's number in the series: the one it has, else `number`, else the next free one.

        Kept for ever once given. Raises UsageError if `number` belongs to
        another case, or if the case already has another number.
        """
        with self._write() as db:
            return shelf.claim_number(db, series, case, number)

    def next_revision(self, case: str, profile: str) -> int:
        with self._guard() as db:
            row = db.execute(
                "SELECT max(revision) FROM releases WHERE case_name = ? AND profile = ?",
                (case, profile),
            ).fetchone()
        return int(row[0] or 0) + 1

    # releases

    def add_release(self, record: ReleaseRecord, *, leaving: bool = False) -> None:
        """Adds a release with its number and the consent it was made under.

        Adding the same record again changes nothing. Raises UsageError if the
        number belongs to another case or the revision is taken by another file. leaving: the
        clip is just being released: raises NeedsPerson if consent was withdrawn since it was
        asked for. Either that comes first, or its take-down list holds this clip.
        """
        sources = [*record.sources, *([record.narration] if record.narration else [])]
        with self._write() as db:
            if leaving and book.is_withdrawn(db, record.sheet.case, sources):
                raise NeedsPerson(
                    f"Consent for {record.sheet.case} was withdrawn while its clip was released",
                    "nothing left", "see fieldstop catalogue", code="consent",
                )  # fmt: skip
            shelf.add(db, record, _now())
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

    def series(self, wanted: Wanted, today: datetime.date) -> tuple[list[SeriesEntry], int]:
        """The list of the series as far as consent covers it today, and how many it does not.

        No record is read for it.
        """
        newest = self.newest()
        with self._guard() as db:
            found = listing.listed(db, wanted)
            if self.doubt:
                return [], len(found)
            without = listing.uncovered(db, found, today, newest)
        return [entry for number, entry in found if number not in without], len(without)

    def note_beside(self, made: BesideList) -> None:
        """Keeps which files were made beside a release."""
        with self._write() as db:
            listing.note_beside(db, made)

    def made_beside(self, case: str, profile: str, revision: int) -> list[BesideFile]:
        """Files that were made beside a release after it left, whether they are still there."""
        with self._guard() as db:
            return listing.made_beside(db, case, profile, revision)

    def released_sounds(self) -> list[KnownSource]:
        """Sources and narrations of all releases that are known by their sound."""
        with self._guard() as db:
            rows = db.execute(
                "SELECT sha256, heard FROM sources WHERE heard != '' AND (sha256 IN (SELECT sha256"
                " FROM release_heard) OR sha256 IN (SELECT sha256 FROM release_sources))"
            )
            return [KnownSource(sha256=row[0], heard=row[1]) for row in rows]

    def releases_from(self, sources: Iterable[str]) -> list[ReleaseRecord]:
        """Records of every release made from any of the sources (sha256), of whatever case."""
        with self._guard() as db:
            return shelf.from_sources(db, list(sources))

    # batches

    def note_batch(self, place: str, case: str, profile: str, note: BatchNote) -> None:
        """What a batch made of a case, in place of what was noted before."""
        with self._write() as db:
            batches.put(db, place, case, profile, note, _now())

    def batch_note(self, place: str, case: str, profile: str) -> BatchNote | None:
        """What the last batch made of a case in that place."""
        with self._guard() as db:
            return batches.get(db, place, case, profile)

    def batch_costs(self, newest: int = 200) -> list[tuple[float, float]]:
        """(load_s, cpu_s) of the cases made last."""
        with self._guard() as db:
            return batches.costs(db, newest)

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
        if is_refusal(consent) or self.is_withdrawn(case):
            journal.keep(self.facts_for(case, sources))

    def consent_for(
        self, sources: Sequence[Source], case: str, consent: CaseConsent | None = None
    ) -> KnownConsent:
        """The narrowest consent known for the case or any of the sources, or of their kin.

        consent: what the case says now, taken into account without being noted.
        """
        with self._guard() as db:
            notes = book.notes(db, case, sources, consent)
            withdrawn = book.is_withdrawn(db, case, sources)
        known = narrowest(notes, consent, withdrawn=withdrawn, newest=self.newest())
        return dataclasses.replace(known, doubt=self.doubt)

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
            new = book.feed(db, facts)
        journal.keep(facts)
        return new

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
                for r in shelf.from_sources(db, hashes)
            }
            for row in db.execute(
                "SELECT record FROM releases WHERE case_name IN (SELECT value FROM json_each(?))",
                (json.dumps(cases),),
            ):
                record = ReleaseRecord.model_validate_json(row[0])
                out[record.sheet.case, record.sheet.profile, record.sheet.revision] = record
        for name in cases:
            journal.keep(self.facts_for(name, []))
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
        records = shelf.read_records(release_json_paths)
        with self._write() as db:
            book.feed(db, facts)  # first: a withdrawn case takes the sources of its releases along
            return sum(shelf.add(db, record, _now()) for record in records)
