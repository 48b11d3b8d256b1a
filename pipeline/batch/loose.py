"""Recordings without a case.toml: grouped and named by a rule, or named by their content."""

from __future__ import annotations

import contextlib
import json
import re
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.batch.found import (
    ALMOST_TOML,
    CAPTIONS,
    ENDING,
    NARRATION,
    PHOTOGRAPH,
    SIDECAR,
    SOUND_ALONE,
    FoundCase,
    Part,
    Search,
)
from pipeline.errors import FieldstopError, InputError
from pipeline.media.labels import tell_label
from pipeline.model.case import Scope
from pipeline.model.pseudonym import RECORDING, case_fault
from pipeline.stages.intake import STILL_SUFFIXES
from pipeline.store.names import NamedFile, Names
from pipeline.store.work import WorkFolder, atomic_write, writing

RECORDINGS = {
    ".mp4", ".mov", ".m4v", ".mkv", ".avi", ".ts", ".mts", ".m2ts", ".mpg", ".mpeg", ".vob",
    ".mxf", ".dv", ".wmv", ".asf", ".webm", ".3gp",
}  # fmt: skip
SOUNDS = {".wav", ".flac", ".m4a", ".mp3", ".aac", ".ogg", ".opus", ".aif", ".aiff"}
_SIDES = ("left", "right", "midline")


@dataclass
class _Group:
    recordings: dict[str, list[tuple[int, str, Path]]] = field(default_factory=dict)
    voices: list[Path] = field(default_factory=list)


def loose_cases(
    place: Path,
    files: list[Path],
    rule: re.Pattern[str],
    consent: Scope | None,
    case_pattern: str,
    found: Search,
) -> list[FoundCase]:
    """Recordings without a case.toml: one case for each name that the rule gives.

    A recording whose name does not follow the rule, or that gives no pseudonym, is a case
    of its own, to be named by its content: recorders put patients' names into file names.
    """
    groups: dict[str, _Group] = defaultdict(_Group)
    bare: list[Path] = []
    stems = {p.stem for p in files if p.suffix.lower() in RECORDINGS}
    for path in files:
        suffix = path.suffix.lower()
        match = rule.fullmatch(path.stem)
        parts = match.groupdict() if match else {}
        case = _pseudonym(parts.get("case") or "", case_pattern)
        if suffix in RECORDINGS and case:
            side, number = (parts.get("side") or "").lower(), parts.get("part") or ""
            part = int(number) if number.isdecimal() else 0
            groups[case].recordings.setdefault(side, []).append((part, path.name, path))
        elif suffix in RECORDINGS:
            bare.append(path)
        elif suffix in SOUNDS and case:
            groups[case].voices.append(path)
        else:
            found.leave(path, _why_left_out(path, suffix, stems))
    for group in groups.values():
        for voice in group.voices if not group.recordings else ():
            found.leave(voice, SOUND_ALONE)
    out = [_grouped(case, g, consent) for case, g in sorted(groups.items()) if g.recordings]
    for path in bare:
        part_of = (Part("recording 1", (path,)),)
        text = _document("", [("", [path])], None, consent)[0]
        out.append(FoundCase("", None, (path,), part_of, text=text))
    return sorted(out, key=lambda one: one.files[0])


def _pseudonym(text: str, case_pattern: str) -> str:
    """What the rule gave, as a name that the settings allow; empty if there is none."""
    return next((t for t in (text, text.upper()) if t and not case_fault(t, case_pattern)), "")


def _why_left_out(path: Path, suffix: str, stems: set[str]) -> str:
    if suffix in STILL_SUFFIXES:
        return PHOTOGRAPH
    if suffix in SOUNDS:
        return SOUND_ALONE
    if suffix in (".vtt", ".srt"):
        return CAPTIONS
    if "case" in path.stem.lower() and ".toml" in path.name.lower():
        return ALMOST_TOML
    return SIDECAR if path.stem in stems or Path(path.stem).stem in stems else ENDING


def _grouped(case: str, group: _Group, consent: Scope | None) -> FoundCase:
    sides = [(s, [p for _, _, p in sorted(parts)]) for s, parts in group.recordings.items()]
    fault: FieldstopError | None = None
    if len(group.voices) > 1:
        fault = InputError(
            "Loose recordings have more than one narration",
            f"{len(group.voices)} files",
            "keep one, or write a case.toml",
        )
    parts = [Part(f"recording {n}", tuple(p), s) for n, (s, p) in enumerate(sides, 1)]
    if group.voices:
        parts.append(Part(NARRATION, tuple(group.voices)))
    voice = group.voices[0] if group.voices else None
    text, links = _document(case, sides, voice, consent)
    files = tuple(p for part in parts for p in part.files)
    return FoundCase(case, None, files, tuple(parts), text, links, fault)


def _document(
    case: str, sides: list[tuple[str, list[Path]]], voice: Path | None, consent: Scope | None
) -> tuple[str, tuple[tuple[str, Path], ...]]:
    """The case.toml of loose recordings, and the names that it gives them."""
    links: list[tuple[str, Path]] = []
    lines = [f"case = {json.dumps(case)}"]
    for side, files in sides:
        names = [f"recording-{len(links) + n + 1}{p.suffix.lower()}" for n, p in enumerate(files)]
        links += zip(names, files, strict=True)
        lines += ["", "[[recording]]", f"files = {json.dumps(names)}"]
        if side in _SIDES:
            lines.append(f"side = {json.dumps(side)}")
    if voice is not None:
        name = f"narration{voice.suffix.lower()}"
        links.append((name, voice))
        lines += ["", "[narration]", f"file = {json.dumps(name)}"]
    if consent is not None:
        lines += ["", "[consent]", f"scope = {json.dumps(consent)}"]
    return "\n".join(lines) + "\n", tuple(links)


def name_loose(
    found: FoundCase, consent: Scope | None, names: Names, sha256: Callable[[Path], str]
) -> FoundCase:
    """Loose recordings with the names that their content gives them; reads them all.

    A name from the rule that stood for other recordings before is a fault: recorders that
    number alike every day would mix up patients.
    """
    named: list[NamedFile] = []
    case = found.case
    fault = found.fault
    for part in found.parts:
        for number, path in enumerate(part.files, 1):
            place = f"{part.place}, file {number}" if part.place != NARRATION else part.place
            lost = names.of_place(path, RECORDING)
            tell_label(path, lost)
            try:
                content = sha256(path)
            except FieldstopError as error:
                fault = fault or error
                named.append(NamedFile(lost, case or lost, place, path))
                continue
            label = names.of(content)
            tell_label(path, label)
            case = case or label
            named.append(NamedFile(label, case, place, path, content))
    before = names.contents_of(case) if found.case else set()
    if before and fault is None and not before & {n.sha256 for n in named if n.sha256}:
        fault = InputError(
            "The name of loose recordings already stands for other recordings",
            case,
            "give them another name; or, if it is the same case, write a case.toml for them",
        )
        named = [replace(n, case="") for n in named]
    case = case or named[0].case
    text, links = found.text, found.links
    if not found.case:
        text, links = _document(case, [("", list(found.files))], None, consent)
    return replace(found, case=case, text=text, links=links, fault=fault, named=tuple(named))


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


@contextlib.contextmanager
def case_folder(found: FoundCase, out: Path, *, lasting: bool) -> Iterator[Path]:
    """The case's folder. Loose recordings get one in the private folder of the case, or, before
    anything is written there, a passing one."""
    if found.toml is not None:
        yield found.toml.parent
    elif lasting:
        with writing():
            yield lay_out(found, WorkFolder(out, found.case).private_file("loose"))
    else:
        with tempfile.TemporaryDirectory() as folder:
            yield lay_out(found, Path(folder))
