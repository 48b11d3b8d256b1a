"""A case as it lies on disk: `case.toml` with its files, or a bare recording."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from pipeline.errors import InputError, UsageError
from pipeline.media.probe import (
    STILL_DEMUXERS,
    check_plain_file,
    file_sha256,
    label,
    name_sha256,
)
from pipeline.model.case import Case, CaseConsent, CaseNarration, CaseRecording, Scope
from pipeline.settings import explain
from pipeline.store.hashes import HashMemory

STILL_SUFFIXES = tuple(STILL_DEMUXERS)
CASE_TOML_LIMIT_BYTES = 1_000_000


@dataclass(frozen=True)
class SourceFile:
    """One file of a case: where it lies and which recording it is part of.

    stamp: size in bytes, time of change in ns and inode, taken before it was hashed.
    """

    number: int
    path: Path
    recording: int
    still: bool
    sha256: str
    stamp: tuple[int, int, int] | None = None

    def refuse_changed(self) -> None:
        """Raises InputError if the file is not the one that was hashed, by its stamp."""
        if self.stamp is not None and stamp_of(self.path) != self.stamp:
            raise changed(self.path)


def stamp_of(path: Path) -> tuple[int, int, int]:
    """Size in bytes, time of change in nanoseconds, inode. Raises InputError."""
    try:
        found = path.stat()
    except OSError:
        raise changed(path) from None
    return found.st_size, found.st_mtime_ns, found.st_ino


def changed(path: Path) -> InputError:
    return InputError(
        "A source changed or vanished while it was worked on",
        label(path),
        "run again when it is no longer written to",
    )


@dataclass(frozen=True)
class OpenedCase:
    """A checked case: its document, its source files, its narration file.

    bare: made from a single recording without a case.toml. captions: of the narration.
    narration_given: the narration was given beside the case, not by it.
    """

    case: Case
    sources: list[SourceFile]
    narration: Path | None
    folder: Path | None
    bare: bool
    narration_sha256: str = ""
    captions: Path | None = None
    narration_given: bool = False
    warnings: list[str] = field(default_factory=list)


def open_case(
    path: Path,
    *,
    narration: Path | None = None,
    consent: Scope | None = None,
    out: Path | None = None,
    sha256: Callable[[Path], str] | None = None,
) -> OpenedCase:
    """Read a case folder, a case.toml or a bare recording.

    narration: a narration file that replaces the one of the case.
    sha256: gives the content hash of a file; remembered ones are used if left out.
    consent: the scope of a bare file; refused for a case with its own case.toml.
    Raises InputError (bad case.toml, missing or unusable file, output inside the
    input) or UsageError.
    """
    path = Path(path)
    sha256 = sha256 or remembered_sha256
    toml = path / "case.toml" if path.is_dir() else path
    if path.is_dir() and not toml.is_file():
        raise InputError(
            "The folder holds no case.toml",
            f"{sum(1 for _ in path.iterdir())} other entries",
            "write one, or give a recording instead",
        )
    if toml.name == "case.toml" or toml.suffix == ".toml":
        if consent is not None:
            raise UsageError(
                "--consent speaks for a bare recording only",
                consent,
                "write the consent in the case.toml",
            )
        case, folder, bare = read_case(toml), toml.parent, False
        _refuse_inside(out, folder)
    else:
        check_plain_file(path)
        case = Case(
            case=f"clip-{name_sha256(path)[:6]}",
            recording=[CaseRecording(files=[path.name])],
            consent=CaseConsent(scope=consent) if consent else CaseConsent(),
        )
        folder, bare = path.parent, True
    sources: list[SourceFile] = []
    for index, recording in enumerate(case.recording):
        for name in recording.files:
            file = _resolve(folder, name)
            check_plain_file(file)
            still = recording.phase == "still"
            if still and file.suffix.lower() not in STILL_SUFFIXES:
                raise InputError(
                    "A still must be a photograph",
                    label(file),
                    "give a PNG, JPEG, TIFF, BMP or WebP file",
                )
            if not still and file.suffix.lower() in STILL_SUFFIXES:
                raise InputError(
                    "A photograph is no recording",
                    label(file),
                    'list it in a case.toml as a recording with phase = "still"',
                )
            stamp = stamp_of(file)
            sources.append(SourceFile(len(sources), file, index, still, sha256(file), stamp))
    voice = narration
    if narration is not None:
        case = case.model_copy(update={"narration": _as_file(case.narration, narration)})
    elif case.narration is not None and case.narration.file is not None:
        voice = _resolve(folder, case.narration.file)
    if voice is not None:
        check_plain_file(voice)
    heard = sha256(voice) if voice is not None else ""
    captions = None
    if case.narration is not None and case.narration.captions is not None:
        captions = _resolve(folder, case.narration.captions)
        check_plain_file(captions)
    return OpenedCase(
        case, sources, voice, None if bare else folder, bare, heard, captions,
        narration_given=narration is not None,
    )  # fmt: skip


def remembered_sha256(path: Path) -> str:
    """The content hash of a file, remembered from before where the file looks the same."""
    check_plain_file(path)
    return HashMemory().sha256(path, file_sha256)


def _as_file(old: CaseNarration | None, path: Path) -> CaseNarration:
    offset_s = old.offset_s if old is not None and old.file is not None else "auto"
    return CaseNarration(file=path.name, offset_s=offset_s)


def _resolve(folder: Path, name: str) -> Path:
    if "\x00" in name or not name.strip():
        raise InputError(
            "A file name of the case is empty or odd", f"{len(name)} characters",
            "mend the case.toml",
        )  # fmt: skip
    if Path(name).is_absolute() or ".." in Path(name).parts:
        raise InputError(
            "A file of the case lies outside its folder",
            label(Path(name)),
            "put the file, or a link to it, into the folder of the case",
        )
    return folder / name


def read_case(toml: Path) -> Case:
    check_plain_file(toml)
    if (size := toml.stat().st_size) > CASE_TOML_LIMIT_BYTES:
        raise InputError(
            "case.toml is too large", f"{size} bytes", f"keep it below {CASE_TOML_LIMIT_BYTES}"
        )
    try:
        with toml.open("rb") as file:
            values = tomllib.load(file)
    except (ValueError, RecursionError) as error:  # broken TOML, text or numbers; nested too deep
        where = "".join(c for c in str(error)[:120] if c.isprintable())
        raise InputError("case.toml is not valid TOML", where, "mend that line") from None
    except OSError as error:
        raise InputError("case.toml cannot be read", error.strerror or "", "check it") from None
    try:
        return Case.model_validate(values)
    except ValidationError as error:
        said = explain(error, Case, "case.toml")
        # The offending value may be a name: it is not repeated.
        raise InputError(said.what, "a value that is not shown", said.do) from None
    except UsageError as error:
        raise InputError(f"case.toml: {error.what}", error.got, error.do) from None


def _refuse_inside(out: Path | None, folder: Path) -> None:
    if out is None:
        return
    target, source = Path(os.path.realpath(out)), Path(os.path.realpath(folder))
    if target == source or source in target.parents:
        raise InputError(
            "The output folder lies inside the case folder",
            "a folder below that of case.toml",
            "give another folder with --out",
        )
