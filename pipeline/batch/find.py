"""The cases in a folder: those with a case.toml, and loose recordings grouped by their names."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.errors import FieldstopError, InputError
from pipeline.model.case import Case, Scope
from pipeline.stages.intake import read_case, stamp_of
from pipeline.store.work import atomic_write

RECORDINGS = {
    ".mp4", ".mov", ".m4v", ".mkv", ".avi", ".ts", ".mts", ".m2ts", ".mpg", ".mpeg", ".vob",
    ".mxf", ".dv", ".wmv", ".asf", ".webm", ".3gp",
}  # fmt: skip
SOUNDS = {".wav", ".flac", ".m4a", ".mp3", ".aac", ".ogg", ".opus", ".aif", ".aiff"}
_SIDES = ("left", "right", "midline")


@dataclass(frozen=True)
class FoundCase:
    """A case that was found.

    case: its pseudonym; where there is none yet, a hash of the folder's name. toml: its
    case.toml, None for loose recordings: their document is `text`, in which they have the
    names in `links`. files: everything it is made from, for sizes and to see whether it
    still grows. fault: why it cannot be used.
    """

    case: str
    toml: Path | None
    files: tuple[Path, ...]
    recordings: tuple[Path, ...]
    text: str = ""
    links: tuple[tuple[str, Path], ...] = ()
    fault: FieldstopError | None = None

    @property
    def key(self) -> str:
        """Tells it from every other case; not for people."""
        return str(self.toml or self.files[0])


@dataclass
class _Group:
    recordings: dict[str, list[tuple[int, str, Path]]] = field(default_factory=dict)
    voices: list[Path] = field(default_factory=list)


def find_cases(folder: Path, out: Path, rule: str, consent: Scope | None = None) -> list[FoundCase]:
    """Every case in `folder`, sorted by where it lies; links are not followed.

    Not looked into: `out`, any folder that an earlier run wrote (it holds `releases` and
    `private`), hidden folders. Recordings below a case.toml belong to that case. rule: see
    `batch.name_rule`. consent: scope of loose recordings. Two cases of one name are both
    faulty. Raises InputError where the folder cannot be read.
    """
    root, hidden = Path(os.path.realpath(folder)), Path(os.path.realpath(out))
    if not root.is_dir():
        raise InputError("The folder of cases was not found", "", "check the path")
    if hidden == root or hidden in root.parents:
        raise InputError(
            "The folder of cases lies inside the output folder", "", "give another --out"
        )
    try:
        os.listdir(root)
    except OSError as error:
        raise InputError(
            "The folder of cases cannot be read", error.strerror or "", "check its permissions"
        ) from None
    found: list[FoundCase] = []
    matcher = re.compile(rule)
    for place, names, inside in _walk(root, hidden):
        if "case.toml" in names:
            found.append(_from_toml(place))
        elif not inside:
            found += _loose(place, names, matcher, consent)
    return _refuse_twins(found)


def _walk(root: Path, hidden: Path) -> Iterator[tuple[Path, list[str], bool]]:
    """Folders in order with the names of their plain files, and whether a case holds them."""
    cases: set[Path] = set()
    for place, folders, names in os.walk(root, followlinks=False):
        here = Path(place)
        inside = here in cases
        if "case.toml" in names:
            cases.add(here)
            inside = True
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".")
            and here / name != hidden
            and not (here / name).is_symlink()
            and not ((here / name / "releases").is_dir() and (here / name / "private").is_dir())
        )
        if inside:
            cases.update(here / name for name in folders)
        plain = [n for n in sorted(names) if not n.startswith(".") and _is_here(here / n, root)]
        yield here, plain, inside


def _is_here(path: Path, root: Path) -> bool:
    """False for a link that leads out of the folder."""
    return not path.is_symlink() or root in Path(os.path.realpath(path)).parents


def _from_toml(place: Path) -> FoundCase:
    toml = place / "case.toml"
    name = f"case-{_short(place.name)}"
    try:
        case: Case = read_case(toml)
    except FieldstopError as error:
        return FoundCase(name, toml, (toml,), (), fault=error)
    recordings = tuple(place / f for r in case.recording for f in r.files)
    told = case.narration
    voice = tuple(place / f for f in (told.file, told.captions) if f) if told is not None else ()
    return FoundCase(case.case, toml, (toml, *recordings, *voice), recordings)


def _loose(
    place: Path, names: list[str], rule: re.Pattern[str], consent: Scope | None
) -> list[FoundCase]:
    """Recordings without a case.toml: one case for each name that the rule gives.

    A recording whose name does not follow the rule is a case of its own, named by a hash
    of its name and its folder's, since recorders put patients' names there.
    """
    groups: dict[str, _Group] = defaultdict(_Group)
    for name in names:
        path = place / name
        suffix = path.suffix.lower()
        match = rule.fullmatch(path.stem)
        parts = match.groupdict() if match else {}
        pseudonym = parts.get("case") or ""
        if suffix in RECORDINGS:
            case = pseudonym or f"clip-{_short(f'{place.name}/{name}')}"
            side = (parts.get("side") or "").lower()
            number = parts.get("part") or ""
            part = int(number) if number.isdecimal() else 0
            groups[case].recordings.setdefault(side, []).append((part, name, path))
        elif suffix in SOUNDS and pseudonym:
            groups[pseudonym].voices.append(path)
    return [_grouped(case, g, consent) for case, g in sorted(groups.items()) if g.recordings]


def _grouped(case: str, group: _Group, consent: Scope | None) -> FoundCase:
    sides = {s: [p for _, _, p in sorted(parts)] for s, parts in group.recordings.items()}
    recordings = [p for parts in sides.values() for p in parts]
    fault: FieldstopError | None = None
    if len(group.voices) > 1:
        fault = InputError(
            "Loose recordings have more than one narration",
            f"{len(group.voices)} files",
            "keep one, or write a case.toml",
        )
    links: list[tuple[str, Path]] = []
    lines = [f"case = {json.dumps(case)}"]
    for side, parts in sides.items():
        names = [f"recording-{len(links) + n + 1}{p.suffix.lower()}" for n, p in enumerate(parts)]
        links += zip(names, parts, strict=True)
        lines += ["", "[[recording]]", f"files = {json.dumps(names)}"]
        if side in _SIDES:
            lines.append(f"side = {json.dumps(side)}")
    if group.voices:
        name = f"narration{group.voices[0].suffix.lower()}"
        links.append((name, group.voices[0]))
        lines += ["", "[narration]", f"file = {json.dumps(name)}"]
    if consent is not None:
        lines += ["", "[consent]", f"scope = {json.dumps(consent)}"]
    return FoundCase(
        case,
        None,
        (*recordings, *group.voices),
        tuple(recordings),
        text="\n".join(lines) + "\n",
        links=tuple(links),
        fault=fault,
    )


def lay_out(found: FoundCase, folder: Path) -> Path:
    """Write the case.toml of loose recordings into `folder`, with links to them beside it.

    Answers the folder. Raises OSError, OutputError.
    """
    folder.mkdir(mode=0o700, exist_ok=True)
    for path in folder.iterdir():
        if path.is_symlink():
            path.unlink()
    for name, path in found.links:
        (folder / name).symlink_to(path)
    atomic_write(folder / "case.toml", found.text, private=True)
    return folder


def _short(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:6]


def _refuse_twins(found: list[FoundCase]) -> list[FoundCase]:
    count: dict[str, int] = defaultdict(int)
    for one in found:
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
