"""Consent of a case: what binds it, from the catalogue and from where the material lies."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path

from pipeline.errors import NeedsPerson, OutputError
from pipeline.media.guard import packets_apart
from pipeline.model.case import CaseConsent
from pipeline.model.consent import ConsentFact, KnownConsent, KnownSource, narrows
from pipeline.stages.intake import OpenedCase
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent import Source
from pipeline.store.consent_files import (
    NAME,
    Found,
    append,
    beside,
    check_catalogue,
    read_case_folder,
    read_file,
)
from pipeline.store.work import WorkFolder


def bind_consent(opened: OpenedCase, folder: WorkFolder, catalogue: Catalogue) -> KnownConsent:
    """Note what the case says, keep what narrows it where the material is; what binds it.

    Whatever is found anywhere binds: in the catalogue, in OUT, beside the recordings. The
    catalogue takes it in. Raises NeedsPerson where OUT holds records that the catalogue
    does not know, OutputError where OUT cannot be written.
    """
    found = gather(folder.out, _places(opened), catalogue)
    case, sources = opened.case, sources_of(opened, catalogue)
    catalogue.note_consent(case.case, sources, case.consent)
    catalogue.note_place(case.case, folder.out)
    keep_facts(catalogue.facts_for(case.case, sources), folder, opened.folder)
    heard = narration_source(opened.narration, opened.narration_sha256, catalogue)
    known = catalogue.consent_for([*sources, *heard], case.case, case.consent)
    return dataclasses.replace(known, doubt=_doubt(found) or known.doubt)


def look_consent(
    opened: OpenedCase, out: Path, catalogue: Catalogue, said: Found | None = None
) -> KnownConsent:
    """As `bind_consent`, but nothing is noted of the case, nothing written in OUT, and no
    file read beyond what the catalogue remembers of it.

    said: what was found in OUT before; read now if left out.
    """
    case, hashes = opened.case, [s.sha256 for s in opened.sources]
    hashes += [opened.narration_sha256] if opened.narration is not None else []
    sources = catalogue.recall(hashes)
    return known_consent(case.case, sources, case.consent, out, _places(opened), catalogue, said)


def known_consent(
    case: str,
    sources: Sequence[Source],
    consent: CaseConsent | None,
    out: Path,
    places: Iterable[Path],
    catalogue: Catalogue,
    said: Found | None = None,
) -> KnownConsent:
    """What binds a case of which its parts are known. places: folders of the material."""
    found = gather(out, places, catalogue, said)
    known = catalogue.consent_for(sources, case, consent)
    return dataclasses.replace(known, doubt=_doubt(found) or known.doubt)


def gather(
    out: Path, places: Iterable[Path], catalogue: Catalogue, said: Found | None = None
) -> Found:
    """What is known of consent in OUT and beside the material, taken into the catalogue."""
    found = Found()
    found.add(said if said is not None else check_catalogue(out, catalogue))
    for place in sorted(set(places)):
        found.add(read_file(beside(place)))
    catalogue.feed(found.facts)
    return found


def _places(opened: OpenedCase) -> set[Path]:
    """Where the material of a case lies: its folder, and those of its files."""
    own = {opened.folder} if opened.folder is not None else set()
    return own | {source.path.parent for source in opened.sources}


def refuse_closed(folder: WorkFolder, hashes: Sequence[str], catalogue: Catalogue) -> None:
    """Raises NeedsPerson, with what to take down, where consent was withdrawn or refused.

    hashes: of the sources. For what shows or plays something of a case by itself.
    """
    catalogue.feed(read_case_folder(folder.private_dir).facts)
    known = catalogue.consent_for(hashes, folder.case)
    if not known.forbidden:
        return
    count = len(catalogue.releases_from(hashes))
    listed = f"`fieldstop withdraw {folder.case}` lists what to take down and where it lies"
    raise NeedsPerson(
        f"Consent for {folder.case} was {'withdrawn' if known.withdrawn else 'refused'}:"
        " nothing of it is shown",
        f"{count} released file{'' if count == 1 else 's'} made from it",
        listed if known.withdrawn else "a newer signed form in its case file opens it again",
        code="consent",
    )


def _doubt(found: Found) -> str:
    if not found.damaged:
        return ""
    inside = [p for p in found.damaged if p.parent.parent.name == "private"]
    if inside:
        return (
            f"a line of {NAME} of {inside[0].parent.name} cannot be read: a withdrawal may stand"
            " there; restore the file from a backup, or run `fieldstop catalogue rebuild` with"
            " the output folder and withdraw again what it names"
        )
    return (
        f"a line of {NAME} beside the recordings cannot be read: a withdrawal may stand there;"
        " restore the file, or take the line out if you know what it said"
    )


def sources_of(opened: OpenedCase, catalogue: Catalogue) -> list[KnownSource]:
    """What the sources of a case are recognised by: as the catalogue remembers it, else read
    now, without decoding. Raises InputError for a file that cannot be read."""
    known = {s.sha256: s for s in catalogue.recall(s.sha256 for s in opened.sources)}
    out = []
    for source in opened.sources:
        found = known[source.sha256]
        if not found.pictures:
            read = packets_apart(source.path, source.sha256)
            found = known[source.sha256] = read.model_copy(update={"prints": found.prints})
        out.append(found)
    return out


def narration_source(
    path: Path | None, sha256: str, catalogue: Catalogue
) -> tuple[KnownSource, ...]:
    """A narration file as a source: it may be the sound of a recording whose consent is narrower.

    It binds the case as that recording is bound, and is not bound by the case: several cases
    may share it. Empty where there is none. Raises InputError for one that cannot be read.
    """
    if path is None or not sha256:
        return ()
    (known,) = catalogue.recall([sha256])
    if not known.sounds and path.is_file():
        known = _packets_of(path, sha256)
        catalogue.learn([known])
    return (known,)


@lru_cache(maxsize=16)
def _packets_of(path: Path, sha256: str) -> KnownSource:
    """Of a sound without packets to be known by (PCM) the catalogue keeps nothing: a run asks
    three times, and a process for each costs more than the answer."""
    return packets_apart(path, sha256)


def keep_facts(facts: list[ConsentFact], folder: WorkFolder, case_folder: Path | None) -> None:
    """Write what narrows consent into OUT/private/CASE, and beside case.toml if that can be.

    Raises OutputError where OUT cannot be written.
    """
    if not facts:
        return
    folder.prepare()
    append(folder.whole.private_file(NAME), facts)
    if case_folder is not None:
        # Material on a card or a share that is for reading only stays as it is.
        with contextlib.suppress(OutputError):
            append(beside(case_folder), [f for f in facts if _ends(f)], private=False)


def _ends(fact: ConsentFact) -> bool:
    return fact.what == "withdrawn" or (fact.consent is not None and narrows(fact.consent))
