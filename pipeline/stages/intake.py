"""A case as it lies on disk: `case.toml` with its files, or a bare recording."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from pipeline.errors import InputError, UsageError
from pipeline.media.container import STILL_DEMUXERS, check_plain_file, file_sha256
from pipeline.media.labels import label, tell_label
from pipeline.model.case import Case, CaseConsent, CaseNarration, CaseRecording, Scope
from pipeline.model.faults import TOML_HINT, fault_of, toml_place
from pipeline.model.pseudonym import CASE_PATTERN, case_fault, is_made
from pipeline.model.toml_text import load_toml
from pipeline.stages.card import check_card
from pipeline.store.hashes import HashMemory
from pipeline.store.names import NamedFile, Names

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
    named: what each file is called, for the key list.
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
    named: tuple[NamedFile, ...] = ()

    def refuse_changed(self) -> None:
        """Raises InputError if the content of a source, or of the narration, is not what was
        hashed; reads them all."""
        files = [(source.path, source.sha256) for source in self.sources]
        if self.narration is not None:
            files.append((self.narration, self.narration_sha256))
        for path, sha256 in files:
            if file_sha256(path) != sha256:
                HashMemory().forget(path)
                raise changed(path)


def open_case(
    path: Path,
    *,
    narration: Path | None = None,
    consent: Scope | None = None,
    out: Path | None = None,
    sha256: Callable[[Path], str] | None = None,
    names: Names | None = None,
    case_pattern: str = CASE_PATTERN,
) -> OpenedCase:
    """Read a case folder, a case.toml or a bare recording; a bare one is named by its content.

    narration: a narration file that replaces the one of the case.
    sha256: gives the content hash of a file; remembered ones are used if left out.
    consent: the scope of a bare file; refused for a case with its own case.toml.
    names: gives names to recordings, those of `out` if left out. case_pattern: what the
    settings allow as a case's name.
    Raises InputError (bad case.toml, missing or unusable file, output inside the
    input), UsageError, or OutputError if there is no secret to name recordings with.
    """
    path = Path(path)
    files = _Files(sha256 or remembered_sha256, names or Names(out))
    toml = path / "case.toml" if path.is_dir() else path
    if path.is_dir() and not toml.is_file():
        raise InputError(
            "The folder holds no case.toml",
            f"{sum(1 for _ in path.iterdir())} other entries",
            "write one, give a recording, or use fieldstop batch for a folder of recordings",
        )
    if toml.name == "case.toml" or toml.suffix == ".toml":
        if consent is not None:
            raise UsageError(
                "--consent speaks for a bare recording only",
                consent,
                "write the consent in the case.toml",
            )
        case, folder, bare = read_case(toml, case_pattern), toml.parent, False
        check_card(case.measured)
        _refuse_inside(out, folder)
    else:
        case = Case(
            case=files.names.of(files.look(path)[0]),
            recording=[CaseRecording(files=[path.name])],
            consent=CaseConsent(scope=consent) if consent else CaseConsent(),
        )
        folder, bare = path.parent, True
    files.case, files.bare = case.case, bare
    sources: list[SourceFile] = []
    for index, recording in enumerate(case.recording):
        for part, name in enumerate(recording.files):
            place = f"recording {index + 1}, file {part + 1}"
            file = _resolve(folder, name, place)
            hashed, stamp = files.take(file, place)
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
            sources.append(SourceFile(len(sources), file, index, still, hashed, stamp))
    if is_made(case.case) and case.case not in {f.label for f in files.named}:
        raise InputError(
            "A case is named for a recording that is not in it any more",
            case.case,
            "give each recording its own case: another may lie where the first one lay",
        )
    voice = narration
    if narration is not None:
        case = case.model_copy(update={"narration": _as_file(case.narration, narration)})
    elif case.narration is not None and case.narration.file is not None:
        voice = _resolve(folder, case.narration.file, "narration")
    heard = files.take(voice, "narration")[0] if voice is not None else ""
    captions = None
    if case.narration is not None and case.narration.captions is not None:
        captions = _resolve(folder, case.narration.captions, "captions")
        tell_label(captions, "captions")
        check_plain_file(captions)
    return OpenedCase(
        case, sources, voice, None if bare else folder, bare, heard, captions,
        narration_given=narration is not None,
        named=tuple(files.named),
    )  # fmt: skip


class _Files:
    """The files of one case: each is looked at, hashed once, and told what it is called."""

    def __init__(self, sha256: Callable[[Path], str], names: Names) -> None:
        self._sha256, self.names = sha256, names
        self._seen: dict[Path, tuple[str, tuple[int, int, int]]] = {}
        self.case, self.bare = "", False
        self.named: list[NamedFile] = []

    def look(self, path: Path) -> tuple[str, tuple[int, int, int]]:
        """Its content hash, and its stamp from before it was hashed. Raises InputError."""
        if path not in self._seen:
            check_plain_file(path)
            stamp = stamp_of(path)
            self._seen[path] = self._sha256(path), stamp
        return self._seen[path]

    def take(self, path: Path, place: str) -> tuple[str, tuple[int, int, int]]:
        tell_label(path, place)
        hashed, stamp = self.look(path)
        name = self.names.of(hashed)
        if name:
            tell_label(path, name if self.bare else f"{place} ({name})")
        # A batch lays loose recordings out as links: the list names what they lead to.
        real = Path(os.path.realpath(path))
        self.named.append(NamedFile(name, self.case, place, real, hashed))
        return hashed, stamp


def remembered_sha256(path: Path) -> str:
    """The content hash of a file, remembered from before where the file looks the same."""
    check_plain_file(path)
    return HashMemory().sha256(path, file_sha256)


def _as_file(old: CaseNarration | None, path: Path) -> CaseNarration:
    offset_s = old.offset_s if old is not None and old.file is not None else "auto"
    rate_ppm = old.rate_ppm if old is not None and old.file is not None else "auto"
    return CaseNarration(file=path.name, offset_s=offset_s, rate_ppm=rate_ppm)


def _resolve(folder: Path, name: str, place: str) -> Path:
    if "\x00" in name or not name.strip():
        raise InputError(
            "A file name of the case is empty or odd", f"{place}: {len(name)} characters",
            "mend the case.toml",
        )  # fmt: skip
    if Path(name).is_absolute() or ".." in Path(name).parts:
        raise InputError(
            "A file of the case lies outside its folder",
            place,
            "put the file, or a link to it, into the folder of the case",
        )
    return folder / name


def read_case(toml: Path, case_pattern: str = CASE_PATTERN) -> Case:
    """The document of a case. Raises InputError, also for a name that may be no pseudonym."""
    tell_label(toml, "case.toml")
    check_plain_file(toml)
    if (size := toml.stat().st_size) > CASE_TOML_LIMIT_BYTES:
        raise InputError(
            "case.toml is too large", f"{size} bytes", f"keep it below {CASE_TOML_LIMIT_BYTES}"
        )
    try:
        values = load_toml(toml.read_bytes().decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # broken TOML, text or numbers; nested too deep
        raise InputError("case.toml is not valid TOML", toml_place(error), TOML_HINT) from None
    except OSError as error:
        raise InputError("case.toml cannot be read", error.strerror or "", "check it") from None
    name = values.get("case")
    fault = case_fault(name, case_pattern) if isinstance(name, str) else None
    if fault is not None:
        raise InputError(
            f"The case name in case.toml cannot be used: {fault}",
            "a name that is not repeated here",
            "give a pseudonym such as QM-0123; anonymity.case_pattern of the settings says what"
            " may be one",
        )
    try:
        return Case.model_validate(values)
    except ValidationError as error:
        # A value, or an unknown key, may be a name: neither is repeated.
        raise InputError(*fault_of(error, Case, "case.toml", values=False)) from None


def named_in(toml: Path, case_pattern: str = CASE_PATTERN) -> str | None:
    """The case name in a case.toml that has other faults; None where there is none to use."""
    try:
        name = load_toml(toml.read_bytes()[:CASE_TOML_LIMIT_BYTES].decode("utf-8-sig"))["case"]
    except (OSError, ValueError, RecursionError, KeyError):
        return None
    return name if isinstance(name, str) and case_fault(name, case_pattern) is None else None


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
