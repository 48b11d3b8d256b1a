"""The catalogue made anew from OUT folders: releases, and what narrows or ends consent."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import InputError
from pipeline.model.beside import BesideList
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import Found, keep_file, read_file, read_out, stamp


def rebuild(catalogue: Catalogue, paths: Sequence[Path]) -> list[str]:
    """Take in what lies in OUT folders, or in single `release.json` files.

    Returns what a person should know: lines of consent that could not be read. Such a file
    is put aside under another name, and written anew from what is known.
    Raises InputError where nothing is found.
    """
    found, outs = Found(), []
    for path in paths:
        if path.is_file():
            found.records.append(path)
            out = _out_of(path)
            found.add(read_out(out) if out is not None else Found())
        else:
            outs.append(path)
            found.add(read_out(path))
    if not (found.records or found.facts or found.damaged or catalogue.doubt):
        raise InputError(
            "No records of releases or of consent were found", "", "give the OUT folders"
        )
    catalogue.rebuild(sorted(set(found.records)), found.facts)
    for path in sorted(set(found.records)):
        made = path.with_name(path.name.replace(".release.json", ".beside.json"))
        with contextlib.suppress(OSError, ValueError):
            catalogue.note_beside(BesideList.model_validate_json(made.read_bytes()))
    notes = []
    mended = catalogue.mend_journal()
    if mended is not None:
        notes.append(
            f"a line of the withdrawals in your data folder could not be read, the file is kept as"
            f" {mended.name}: if consent was withdrawn or refused, enter it again"
        )
    for path in sorted(set(found.damaged)):
        case = path.parent.name
        readable = read_file(path).facts
        aside = keep_file(path, [*readable, *catalogue.facts_for(case, [])])
        notes.append(
            f"a line about the consent of {case} could not be read, the file is kept as"
            f" {aside.name}: if consent was withdrawn or narrowed, enter it again"
        )
    for folder in found.records:
        out = _out_of(folder)
        if out is not None:
            outs.append(out)
    for out in {Path(os.path.abspath(one)) for one in outs}:
        for case_folder in (out / "private").glob("*"):
            if case_folder.is_dir() and not case_folder.name.startswith("."):
                catalogue.note_place(case_folder.name, out)
        stamp(out, catalogue)
    return notes


def _out_of(record: Path) -> Path | None:
    for folder in Path(os.path.abspath(record)).parents:
        if folder.name == "private":
            return folder.parent
    return None
