"""Consent where the material is: `consent.jsonl` in OUT/private/CASE and beside case.toml.

Append-only, one fact a line (`model.consent.ConsentFact`). No catalogue that is lost, new
or another one revives what stands there. Beside a bare recording nothing is written, since
that may be a camera's card; what stands there is read.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from pydantic import ValidationError

from pipeline.errors import NeedsPerson, OutputError
from pipeline.model.consent import ConsentFact, KnownSource
from pipeline.model.release import ReleaseRecord
from pipeline.store.work import atomic_write, make_folder, output_error

NAME = "consent.jsonl"
TAKE_DOWN = "take-down.json"
_STAMP = ".catalogue.json"
_LIMIT_BYTES = 200_000_000


class Known(Protocol):
    """A catalogue, as far as it says what it knows: `store.catalogue.Catalogue`."""

    def identity(self) -> tuple[str, int]: ...

    def unknown_facts(self, facts: Sequence[ConsentFact]) -> list[ConsentFact]: ...

    def has_release(self, case: str, profile: str, revision: int) -> bool: ...


@dataclass
class Found:
    """What was found. damaged: files with lines that cannot be read. records: release.json
    files, in no order."""

    facts: list[ConsentFact] = field(default_factory=list)
    damaged: list[Path] = field(default_factory=list)
    records: list[Path] = field(default_factory=list)

    def add(self, other: Found) -> None:
        self.facts += other.facts
        self.damaged += other.damaged
        self.records += other.records


def read_file(path: Path) -> Found:
    """The facts of one `consent.jsonl`; lines that cannot be read are told by `damaged`."""
    found = Found()
    if path.exists() and not path.is_file():
        found.damaged.append(path)  # a pipe would never end
        return found
    try:
        with path.open("rb") as file, _lock(file.fileno(), shared=True):
            data = file.read(_LIMIT_BYTES + 1)
    except FileNotFoundError:
        return found
    except NotADirectoryError:
        return found
    except OSError:
        found.damaged.append(path)
        return found
    whole = len(data) <= _LIMIT_BYTES
    for line in data.splitlines():
        if not line.strip():
            continue
        try:
            found.facts.append(ConsentFact.model_validate_json(line))
        except ValidationError:
            whole = False
    if not whole:
        found.damaged.append(path)
    return found


def append(path: Path, facts: Sequence[ConsentFact], *, private: bool = True) -> int:
    """Add the facts that the file does not hold yet; how many were added.

    On the disk when this returns. Raises OutputError.
    """
    try:
        make_folder(path.parent)
        mode = 0o600 if private else 0o644
        if path.is_symlink() or (path.exists() and not path.is_file()):
            raise OSError(errno.EPERM, "no plain file")  # a link may lead anywhere
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, mode)
        with os.fdopen(handle, "r+b", buffering=0) as file, _lock(handle, shared=False):
            data = file.read() or b""
            held = set()
            for line in data.splitlines():
                with contextlib.suppress(ValidationError):
                    held.add(ConsentFact.model_validate_json(line).key)
            new = list({f.key: f for f in facts if f.key not in held}.values())
            if not new:
                return 0
            # A line that was cut off must not take the next one with it.
            start = b"" if not data or data.endswith(b"\n") else b"\n"
            text = start + "".join(fact.line() for fact in new).encode()
            while text:
                text = text[file.write(text) :]
            os.fsync(handle)
    except OSError as error:
        raise output_error(error) from error
    return len(new)


@contextlib.contextmanager
def _lock(handle: int, *, shared: bool) -> Iterator[None]:
    """Locked where the file system can: a reader then sees whole lines only."""
    import fcntl

    with contextlib.suppress(OSError):
        fcntl.flock(handle, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_UN)


def beside(folder: Path) -> Path:
    """The file of a case folder, beside its case.toml (or beside a bare recording)."""
    return folder / NAME


def read_out(out: Path) -> Found:
    """Everything about consent that lies in an OUT folder, of whatever case."""
    found = Found()
    for folder in case_folders(out):
        found.add(read_case_folder(folder))
    return found


def read_case_folder(folder: Path) -> Found:
    """Everything about consent that lies in OUT/private/CASE."""
    found = read_file(folder / NAME)
    found.records = [p for p in folder.rglob("*.release.json") if p.is_file()]
    sheet = folder / TAKE_DOWN
    if sheet.is_file():
        found.facts.append(_of_sheet(sheet, found.records))
    return found


def case_folders(out: Path) -> list[Path]:
    """OUT/private/CASE of every case."""
    try:
        with os.scandir(out / "private") as entries:
            return sorted(Path(e.path) for e in entries if e.is_dir() and e.name[0] != ".")
    except OSError:
        return []


def _of_sheet(sheet: Path, records: Sequence[Path]) -> ConsentFact:
    """The withdrawal that a take-down sheet tells of; an unreadable one still says so."""
    value: dict[str, Any] = {}
    with contextlib.suppress(OSError, ValueError):
        read = json.loads(sheet.read_bytes())
        value = read if isinstance(read, dict) else {}
    hashes = {str(sha) for sha in value.get("sources") or []}
    withdrawn = value.get("withdrawn") or [value.get("case") or sheet.parent.name]
    # Version 2 tells its sources, and may lie in the folder of another case made from them.
    for path in records if value.get("schema") != "fieldstop.take-down/2" else ():
        with contextlib.suppress(OSError, ValueError):
            hashes.update(ReleaseRecord.model_validate_json(path.read_bytes()).sources)
    return ConsentFact(
        at=str(value.get("withdrawn_at") or "1970-01-01T00:00:00+00:00"),
        case=str(withdrawn[0]),
        what="withdrawn",
        sources=[KnownSource(sha256=sha) for sha in sorted(hashes)],
    )


def keep_file(path: Path, facts: Sequence[ConsentFact]) -> Path:
    """Put a damaged file aside, under another name, and write the facts anew.

    Returns where the damaged one lies now. Raises OutputError.
    """
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    try:
        os.rename(path, aside)
    except OSError as error:
        raise output_error(error) from error
    append(path, facts)
    return aside


# --- which catalogue an OUT folder belongs to ---


def check_catalogue(out: Path, catalogue: Known, found: Found | None = None) -> Found:
    """What lies in OUT, if this catalogue knows it.

    Raises NeedsPerson where OUT holds records that the catalogue does not: it is new, another
    one, or older than they are. found: what was read of OUT before.
    """
    found = found or read_out(out)
    if not found.facts and not found.records and not found.damaged:
        return found
    if _stamp_holds(out, catalogue):
        return found  # a release without a row is one of a run that was killed, or runs now
    missing = len(catalogue.unknown_facts(found.facts)) + sum(
        not _knows(catalogue, path) for path in found.records
    )
    if missing:
        raise NeedsPerson(
            "The catalogue does not know what lies in the output folder: it is new, another"
            " one, or older than that",
            f"{missing} record{'s' if missing > 1 else ''} of releases or of consent",
            "name the right catalogue with --catalogue, or run `fieldstop catalogue rebuild`"
            " with the output folder; then run this again",
        )
    stamp(out, catalogue)
    return found


def _knows(catalogue: Known, path: Path) -> bool:
    try:
        sheet = ReleaseRecord.model_validate_json(path.read_bytes()).sheet
    except (OSError, ValueError):
        return False
    return catalogue.has_release(sheet.case, sheet.profile, sheet.revision)


def _stamp_holds(out: Path, catalogue: Known) -> bool:
    """True if this catalogue wrote last in OUT, and is not older than it was then."""
    try:
        value = json.loads((out / "private" / _STAMP).read_bytes())
        mine, writes = catalogue.identity()
        return bool(value["id"] == mine and int(value["writes"]) <= writes)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def out_of(released: str) -> Path:
    """The OUT folder of a released file."""
    parents = Path(os.path.abspath(released)).parents
    return parents[min(2, len(parents) - 1)]


def claim(out: Path, catalogue: Known) -> None:
    """Note the catalogue in OUT if none is noted there yet. Call it before a first record.

    Of two runs that begin together, one may see a record whose row the other is about to write.
    """
    if not (out / "private" / _STAMP).exists():
        stamp(out, catalogue)


def stamp(out: Path, catalogue: Known) -> None:
    """Note in OUT which catalogue knows it. Nothing is noted where it cannot be written."""
    private = out / "private"
    if not private.is_dir():
        return
    mine, writes = catalogue.identity()
    text = json.dumps({"schema": "fieldstop.catalogue/1", "id": mine, "writes": writes})
    with contextlib.suppress(OutputError):
        atomic_write(private / _STAMP, text, private=True)
