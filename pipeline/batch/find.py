"""The cases in a folder: those with a case.toml, and loose recordings grouped by their names."""

from __future__ import annotations

import contextlib
import os
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from pipeline.batch.found import (
    FINISHED,
    HIDDEN,
    LINK_OUT,
    LINKED_FOLDER,
    NARRATION,
    NO_FILE,
    NOT_LISTED,
    FoundCase,
    Part,
    Search,
)
from pipeline.batch.loose import loose_cases
from pipeline.errors import FieldstopError, InputError
from pipeline.model.case import Case, Scope
from pipeline.model.pseudonym import CASE_PATTERN
from pipeline.stages.intake import named_in, read_case, stamp_of
from pipeline.store.consent_files import NAME as CONSENT_FILE
from pipeline.store.names import NamedFile, Names


def look_through(
    folder: Path,
    out: Path,
    rule: str,
    consent: Scope | None = None,
    *,
    names: Names,
    case_pattern: str = CASE_PATTERN,
) -> Search:
    """Every case in `folder`, sorted by where it lies, and every file that is left out.

    Not looked into: `out`, any folder that an earlier run wrote (it holds `releases` and
    `private`), hidden folders, links to folders. Recordings below a case.toml belong to
    that case. rule: see `batch.name_rule`. consent: scope of loose recordings. Two cases
    of one name are both faulty. Raises InputError where the folder cannot be read.
    """
    root, hidden = Path(os.path.realpath(folder)), Path(os.path.realpath(out))
    if not root.exists():
        raise InputError("The folder of cases was not found", "", "check the path")
    if not root.is_dir():
        raise InputError("A folder of cases was expected", "a file", "give the folder it lies in")
    if hidden == root or hidden in root.parents:
        raise InputError(
            "The folder of cases lies inside the output folder", "", "give another --out"
        )
    found = Search()
    matcher = re.compile(rule)
    listed: dict[Path, set[Path] | None] = {}
    for place, files, case in _walk(root, hidden, found, names):
        if case == place:
            one = _from_toml(place, names, case_pattern)
            found.cases.append(one)
            listed[place] = None if one.fault is not None else set(one.files)
        if case is None:
            found.cases += loose_cases(place, files, matcher, consent, case_pattern, found)
        elif (used := listed[case]) is not None:
            for file in files:
                if file not in used and file.name != CONSENT_FILE:
                    found.leave(file, NOT_LISTED)
    found.cases = _refuse_twins(found.cases)
    return found


def _walk(
    root: Path, hidden: Path, found: Search, names: Names
) -> Iterator[tuple[Path, list[Path], Path | None]]:
    """Folders in order, with their plain files and the case folder that they lie in."""
    cases: dict[Path, Path] = {}

    def closed(error: OSError) -> None:
        if error.filename == str(root):
            raise InputError(
                "The folder of cases cannot be read", error.strerror or "", "check its permissions"
            ) from None
        place = Path(error.filename)
        name = names.of_place(place)
        fault = InputError("A folder cannot be read", name, "check its permissions")
        found.cases.append(FoundCase(name, None, (place,), fault=fault))

    for place, folders, files in os.walk(root, onerror=closed, followlinks=False):
        here = Path(place)
        case = here if "case.toml" in files else cases.get(here)
        kept = []
        for name in sorted(folders):
            why = _why_not_entered(here / name, hidden)
            if why is None:
                kept.append(name)
            elif why:
                found.leave(here / name, why)
        folders[:] = kept
        if case is not None:
            cases.update((here / name, case) for name in kept)
        plain = []
        for name in sorted(files):
            path = here / name
            if name.startswith("."):
                found.leave(path, HIDDEN)
            elif path.is_symlink() and root not in Path(os.path.realpath(path)).parents:
                found.leave(path, LINK_OUT)
            elif path.exists() and not path.is_file():
                found.leave(path, NO_FILE)
            else:
                plain.append(path)
        yield here, plain, case


def _why_not_entered(folder: Path, hidden: Path) -> str | None:
    """Why a folder is left out; None if it is not, empty for --out itself."""
    if folder == hidden:
        return ""
    if folder.name.startswith("."):
        return HIDDEN
    if folder.is_symlink():
        return LINKED_FOLDER
    with contextlib.suppress(OSError):
        if (folder / "releases").is_dir() and (folder / "private").is_dir():
            return FINISHED
    return None


def _from_toml(place: Path, names: Names, case_pattern: str) -> FoundCase:
    toml = place / "case.toml"
    try:
        case: Case = read_case(toml, case_pattern)
    except FieldstopError as error:
        name = named_in(toml, case_pattern) or names.of_place(place)
        named = (NamedFile(name, name, "case.toml", toml),)
        return FoundCase(name, toml, (toml,), fault=error, named=named)
    parts = [
        Part(f"recording {n}", tuple(place / f for f in r.files), r.side or "")
        for n, r in enumerate(case.recording, 1)
    ]
    told = case.narration
    if told is not None and told.file is not None:
        parts.append(Part(NARRATION, (place / told.file,)))
    more = [place / told.captions] if told is not None and told.captions else []
    files = (toml, *(p for part in parts for p in part.files), *more)
    named = (NamedFile(case.case, case.case, "case.toml", toml),)
    return FoundCase(case.case, toml, files, tuple(parts), named=named)


def _refuse_twins(found: list[FoundCase]) -> list[FoundCase]:
    count: dict[str, int] = defaultdict(int)
    for one in found:
        if one.case:
            count[one.case.casefold()] += 1
    twin = InputError(
        "Two cases of the folder have the same name", "", "give each its own pseudonym"
    )
    return [
        replace(one, fault=one.fault or twin) if count[one.case.casefold()] > 1 else one
        for one in found
    ]


def signature(found: FoundCase) -> tuple[tuple[int, int, int], ...] | None:
    """Sizes, times and inodes of the files of a case; None while one of them is missing."""
    out = []
    for path in found.files:
        try:
            out.append(stamp_of(path))
        except InputError:
            return None
    return tuple(out)


class Settled:
    """Tells which cases have stopped growing: the same signature for `settle_s` seconds.

    Times are those of a clock that never jumps, in seconds.
    """

    def __init__(self, settle_s: float) -> None:
        self._settle_s = settle_s
        self._seen: dict[str, tuple[object, float]] = {}
        self._taken: dict[str, object] = {}

    def ready(self, cases: list[FoundCase], now_s: float) -> list[FoundCase]:
        """Cases that have settled and were not given out in this state before."""
        out = []
        for one in cases:
            now = signature(one)
            state = (now, one.text, one.fault.what if one.fault is not None else "")
            key = one.key
            if self._seen.get(key, (None, 0.0))[0] != state:
                self._seen[key] = (state, now_s)
            if now is None and one.fault is None:
                continue
            if now_s - self._seen[key][1] < self._settle_s or self._taken.get(key) == state:
                continue
            self._taken[key] = state
            out.append(one)
        return out
