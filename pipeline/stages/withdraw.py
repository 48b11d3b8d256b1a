"""A withdrawal: stored first, then told where the material lies, then what is to take down."""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import shutil
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import InputError, OutputError, UsageError
from pipeline.model.consent import case_key, nearest_names
from pipeline.model.release import ReleaseRecord
from pipeline.stages.heard import heard_in
from pipeline.stages.named import case_of
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import (
    NAME,
    TAKE_DOWN,
    Found,
    append,
    beside,
    case_folders,
    out_of,
    read_out,
    stamp,
)
from pipeline.store.names import Names, earlier_names
from pipeline.store.stale import sweep
from pipeline.store.work import WorkFolder, beside_clip, output_error

_OURS = (NAME, TAKE_DOWN, ".lock")


@dataclass
class Withdrawal:
    """What a withdrawal found. take_down: releases, kept: every other file made of the case,
    both by absolute path. faults: what could not be written or was not found."""

    cases: list[str]
    take_down: list[dict[str, Any]] = field(default_factory=list)
    kept: list[dict[str, str]] = field(default_factory=list)
    sheets: list[str] = field(default_factory=list)
    moved: list[dict[str, str]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def withdraw_case(
    name: str,
    catalogue: Catalogue,
    *,
    out: Path | None = None,
    future: bool = False,
    move_to: Path | None = None,
) -> Withdrawal:
    """Withdraw consent for a case and all that looks like it, for good.

    name: of the case, or a path: its folder, its case.toml, its recording, a clip of it.
    out: an OUT folder that the catalogue does not know of, or that was moved. future: a case
    that is not known yet. move_to: a folder that the released files are moved into; nothing
    is ever deleted. Raises InputError for an unknown case, UsageError for a folder that
    cannot be `move_to`; then nothing was stored. What fails later is in `faults`.
    """
    found = read_out(out) if out is not None else Found()
    here = [folder.name for folder in case_folders(out)] if out is not None else []
    known = [*catalogue.case_names(), *here]
    if case_key(name) not in map(case_key, known) and name.strip():
        earlier = earlier_names(catalogue.path)
        name = case_of(name, Names(out, earlier), earlier)
    cases = _named(name, known, future)
    if move_to is not None:
        _refuse_place(move_to, [out] if out is not None else [])
    catalogue.feed(found.facts)
    sources = set()
    for path in found.records:
        with contextlib.suppress(OSError, ValueError):
            record = ReleaseRecord.model_validate_json(path.read_bytes())
            if record.sheet.case in cases:
                sources.update(record.sources)
    records: dict[tuple[str, str, int], ReleaseRecord] = {}
    for case in cases:
        for r in catalogue.withdraw(case, sorted(sources)):
            records[r.sheet.case, r.sheet.profile, r.sheet.revision] = r
    for fact in (f for case in cases for f in catalogue.facts_for(case, [])):
        if fact.what == "withdrawn":
            sources.update(s.sha256 for s in fact.sources)
    done = Withdrawal(cases)
    own = catalogue.places(cases) + ([(case, out) for case in cases] if out is not None else [])
    for r in catalogue.releases_from(heard_in(catalogue, sources, own)):
        records[r.sheet.case, r.sheet.profile, r.sheet.revision] = r
    concerned = sorted({*cases, *(r.sheet.case for r in records.values())})
    places = _places(concerned, catalogue, out, list(records.values()), done)
    for place in {place for _, place in places}:
        sweep(place)
    for case, place in places:
        _tell(case, place, catalogue, done)
    done.take_down = [_row(r, places, catalogue) for r in records.values()]
    if move_to is not None:
        for row in done.take_down:
            _move(row, move_to, done)
    for case, place in places:
        _sheet(case, place, cases, sorted(sources), done)
    for place in sorted({place for _, place in places}):
        stamp(place, catalogue)
    return done


def _named(name: str, known: Iterable[str], future: bool) -> list[str]:
    """Known cases that look like `name`; `name` itself for one of the future."""
    key = case_key(name)
    if not key:
        raise InputError("No case was named", "", "give the name of the case")
    known = list(known)
    cases = sorted({one for one in known if case_key(one) == key})
    if cases:
        return cases
    if future:
        return [name.strip()]
    near = nearest_names(name, known)
    raise InputError(
        "No case of that name is known: nothing was withdrawn",
        f"nearest: {', '.join(near)}" if near else "no name is near it",
        "give the name of the case, the OUT folder it lies in with --out, or --future for a"
        " case that is still to come",
    )


def _refuse_place(move_to: Path, outs: Iterable[Path]) -> None:
    """Raises UsageError for a folder that lies where releases are looked for."""
    target = Path(os.path.realpath(move_to))
    if any(parent.name == "releases" for parent in (target, *target.parents)):
        raise UsageError(
            "--move-to lies in a folder of releases", "", "give a folder outside of them"
        )
    if target.exists() and not target.is_dir():
        raise UsageError("--move-to takes a folder", "a file", "give another name")


def _places(
    cases: list[str],
    catalogue: Catalogue,
    out: Path | None,
    records: list[ReleaseRecord],
    done: Withdrawal,
) -> list[tuple[str, Path]]:
    """(case, OUT folder) of everywhere the cases lie now."""
    known = {(case, Path(os.path.abspath(place))) for case, place in catalogue.places(cases)}
    if out is not None:
        known |= {(case, Path(os.path.abspath(out))) for case in cases}
    there = {(case, place) for case, place in known if _lies(case, place)}
    for record in records:
        case = record.sheet.case
        place = out_of(record.path)
        if _lies(case, place):
            there.add((case, place))
        elif not any(one == case for one, _ in there):
            done.faults.append(
                f"the output folder in which {case} was released is not where it was:"
                " run this again with --out and where it lies now"
            )
    done.faults = list(dict.fromkeys(done.faults))
    return sorted(there)


def _lies(case: str, place: Path) -> bool:
    return (place / "private" / case).is_dir() or (place / "releases" / case).is_dir()


def _tell(case: str, place: Path, catalogue: Catalogue, done: Withdrawal) -> None:
    """Write the withdrawal where the material is, and list what lies there."""
    folder = WorkFolder(place, case)
    facts = [f for f in catalogue.facts_for(case, []) if f.what == "withdrawn"]
    # Another case made from the same sources is told of the case that was withdrawn.
    for one in done.cases:
        facts += [f for f in catalogue.facts_for(one, []) if f.what == "withdrawn"]
    try:
        folder.prepare()
        append(folder.private_file(NAME), facts)
    except OutputError as error:
        done.faults.append(str(error))
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, OutputError):
        origin = Path(json.loads(folder.private_file("origin.json").read_bytes())["path"])
        if (origin / "case.toml").is_file():
            append(beside(origin), facts, private=False)
    for path in sorted(folder.private_dir.rglob("*")):
        # A link to a recording that lay loose is no copy of it.
        if path.is_file() and not path.is_symlink() and path.name not in _OURS:
            done.kept.append({"case": case, "what": _what(path, folder), "file": str(path)})


def _what(path: Path, folder: WorkFolder) -> str:
    """What a private file is, in a word."""
    name = path.name
    if "clips" in path.relative_to(folder.private_dir).parts[:-1]:
        return "clip"
    if path.suffix == ".mp4":
        if "draft" in name:
            return "draft"
        return "preview" if "proxy" in name else "ready"
    return "report" if path.suffix == ".html" else "private copy"


def _row(
    record: ReleaseRecord, places: list[tuple[str, Path]], catalogue: Catalogue
) -> dict[str, Any]:
    sheet = record.sheet
    path = Path(os.path.abspath(record.path))
    for case, place in places:
        here = place / "releases" / case / sheet.file
        if case == sheet.case and here.is_file() and not path.is_file():
            path = here
    return {
        "case": sheet.case,
        "file": str(path),
        "there": path.is_file(),
        "sha256": sheet.sha256,
        "audience": sheet.audience,
        "profile": sheet.profile,
        "recipient": record.recipient,
        "released_at": record.released_at,
        "title": sheet.title,
        "beside": [str(one) for one in beside_clip(path)],
        "made_beside": [
            {"file": one.file, "sha256": one.sha256, "there": path.with_name(one.file).is_file()}
            for one in catalogue.made_beside(sheet.case, sheet.profile, sheet.revision)
        ],
    }  # fmt: skip


def _move(row: dict[str, Any], move_to: Path, done: Withdrawal) -> None:
    """Move a released file and what lies beside it; nothing there is replaced."""
    target = Path(os.path.abspath(move_to)) / row["case"]
    for source in (Path(row["file"]), *map(Path, row["beside"])):
        if not source.is_file():
            continue
        goal = target / source.name
        try:
            if goal.exists():
                done.faults.append(f"{source.name} lies in the folder of --move-to already")
                continue
            target.mkdir(parents=True, exist_ok=True)
            try:
                os.rename(source, goal)
            except OSError as error:
                if error.errno != 18:  # another disk
                    raise
                shutil.copy2(source, goal)
                with goal.open("rb") as file:
                    os.fsync(file.fileno())
                source.unlink()
        except OSError as error:
            done.faults.append(f"{source.name} could not be moved: {output_error(error)}")
            continue
        done.moved.append({"from": str(source), "to": str(goal)})


def _sheet(
    case: str, place: Path, withdrawn: list[str], sources: list[str], done: Withdrawal
) -> None:
    """The list of what to take down, in the private folder of the case."""
    folder = WorkFolder(place, case)
    sheet = {
        "schema": "fieldstop.take-down/2",
        "case": case,
        "withdrawn": withdrawn,
        "withdrawn_at": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "take_down": [r for r in done.take_down if r["case"] == case],
        "kept": [k for k in done.kept if k["case"] == case],
        "moved": [m for m in done.moved if f"/{case}/" in m["from"]],
        "sources": sources,
    }
    path = folder.private_file(TAKE_DOWN)
    try:
        folder.atomic_write(path, json.dumps(sheet, indent=1))
        done.sheets.append(str(path))
    except OutputError as error:
        done.faults.append(f"the take-down sheet of {case} could not be written: {error}")
