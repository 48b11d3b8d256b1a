"""Which recording is which: names from a secret of this installation, and their key list.

A recording that nobody named is called by its content and a secret of this installation
(`model.pseudonym.made_name`): the same content is the same recording under any name and
in any folder, and nobody without the secret can tell which recording a name stands for.
`private/names.csv` of an OUT folder says to its owner which file each name is.

The secret lies in the user's data folder. Where it is lost, or on another machine, new
recordings get names of another secret; those that the OUT folder's list or the catalogue
knows by their content keep the names they had.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import hashlib
import hmac
import io
import os
import re
import secrets
import sqlite3
import urllib.parse
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.model.pseudonym import FOLDER, RECORDING, is_made, made_name, printable
from pipeline.settings import user_folder
from pipeline.store.catalogue_file import default_catalogue
from pipeline.store.work import _sync, atomic_write, make_folder, output_error, writing

SECRET_BYTES = 32
COLUMNS = ("label", "case", "place", "file", "path", "sha256", "first_seen")
_SHA256 = re.compile(rb"\b[0-9a-f]{64}\b")
_LABEL = re.compile(rb"\b(?:rec|case)-[2-9a-z]{12}\b")


def secret_file() -> Path:
    return user_folder("data") / "names.secret"


def installation_secret() -> bytes:
    """The 32 random bytes of this installation, made on first use (mode 0600).

    Several processes may ask for it at once: all get the same. Raises OutputError where
    it cannot be read, made, or has another length.
    """
    path = secret_file()
    with writing():
        if not path.exists():
            make_folder(path.parent, mode=0o700)
            with _locked(path.with_name(f"{path.name}.lock")):
                if not path.exists():
                    atomic_write(path, secrets.token_bytes(SECRET_BYTES), private=True)
        value = path.read_bytes()
    if len(value) != SECRET_BYTES:
        raise OutputError(
            "The secret that names of recordings are made from is damaged",
            f"{len(value)} bytes instead of {SECRET_BYTES} in {path.name} of the data folder",
            "restore it from a backup, or move it away: recordings that have a name keep it",
        )
    return value


def code_seed(sha256: Sequence[str]) -> str:
    """Seed of the release code of all that is made from these recordings, 64 hex digits: who has
    not this installation's secret can neither read such a code nor write one. Raises OutputError.
    """
    text = "release code|" + "|".join(sha256)
    return hmac.new(installation_secret(), text.encode(), hashlib.sha256).hexdigest()


def copy_name(label: str) -> str:
    """`copy-7k3xv9t2`: what the copy for a recipient is called. Raises OutputError."""
    return keyed("copy", label.strip().casefold())[: len("copy-") + 8]


def keyed(kind: str, text: str) -> str:
    """A name of this installation for something that has no content to be named by."""
    return made_name(installation_secret(), kind, text)


def earlier_names(catalogue: Path | None) -> Callable[[str], list[str]]:
    """Gives the names under which a catalogue knows a recording, by its content hash.

    catalogue: None for the user's own. One that cannot be read knows none: whoever writes
    to it says what is wrong with it.
    """
    path = catalogue or default_catalogue()

    def ask(sha256: str) -> list[str]:
        if not path.is_file():
            return []
        uri = f"file:{urllib.parse.quote(os.path.abspath(path))}?mode=ro"
        try:
            with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=5.0)) as db:
                rows = db.execute(
                    "SELECT case_name FROM releases JOIN release_sources ON release_id = id"
                    " WHERE release_sources.sha256 = ?1 UNION"
                    " SELECT case_name FROM consent JOIN consent_sources ON consent_id = id"
                    " WHERE consent_sources.sha256 = ?1 ORDER BY case_name",
                    (sha256,),
                ).fetchall()
        except sqlite3.Error:
            return []
        return [str(row[0]) for row in rows]

    return ask


@dataclass(frozen=True)
class NamedFile:
    """A row of the key list: which file a label stands for, and its place in a case."""

    label: str
    case: str
    place: str
    path: Path
    sha256: str = ""

    def cells(self) -> list[str]:
        path = printable(os.path.abspath(self.path))
        file = path.rsplit(os.sep, 1)[-1]
        # A table program takes what begins so for a formula.
        file = f"./{file}" if file.startswith(("=", "+", "-", "@")) else file
        return [self.label, self.case, self.place, file, path, self.sha256]


class Names:
    """Names of recordings for one OUT folder (None: for this installation alone).

    earlier: gives the names that a content hash had in the catalogue. own: False on a
    machine of a cluster, whose secret is another one: it knows what the list knows, and
    calls what is not in it by no name.
    """

    def __init__(
        self,
        out: Path | None = None,
        earlier: Callable[[str], list[str]] | None = None,
        own: bool = True,
    ) -> None:
        self.file = Path(out) / "private" / "names.csv" if out is not None else None
        self._earlier, self._own = earlier, own
        self._made: dict[str, str] = {}

    def of(self, sha256: str) -> str:
        """The name of a recording by its content hash. Raises OutputError."""
        if sha256 not in self._made:
            name = self._remembered(sha256)
            self._made[sha256] = name or (self._new(sha256) if self._own else "")
        return self._made[sha256]

    def of_place(self, path: Path, kind: str = FOLDER) -> str:
        """The name of a folder, or of a file that has no content to be read, by where it lies."""
        return keyed(kind, f"place {os.path.realpath(path)}")

    def _remembered(self, sha256: str) -> str | None:
        for line in self._lines(sha256.encode()):
            found = _LABEL.search(line)
            if found and is_made(found.group().decode()):
                return found.group().decode()
        earlier = self._earlier(sha256) if self._earlier is not None else []
        return next((name for name in earlier if is_made(name)), None)

    def _new(self, sha256: str) -> str:
        secret, attempt = installation_secret(), 0
        while True:
            name = made_name(secret, RECORDING, sha256, attempt)
            hashes = (_SHA256.search(line) for line in self._lines(name.encode()))
            if all(h is None or h.group() == sha256.encode() for h in hashes):
                return name
            attempt += 1  # another recording is called so

    def _lines(self, part: bytes) -> Iterator[bytes]:
        """Lines of the list that hold `part`."""
        data = self._read()
        at = data.find(part)
        while at >= 0:
            stop = data.find(b"\n", at)
            stop = len(data) if stop < 0 else stop
            yield data[data.rfind(b"\n", 0, at) + 1 : stop]
            at = data.find(part, stop)

    def _read(self) -> bytes:
        try:
            return self.file.read_bytes() if self.file is not None else b""
        except FileNotFoundError:
            return b""
        except OSError as error:
            raise output_error(error) from error

    def contents_of(self, case: str) -> set[str]:
        """Content hashes of the recordings that a case had so far."""
        text = self._read().decode("utf-8-sig", "replace")
        head = text.partition("\n")[0]
        between = next((c for c in ",;\t" if c in head), ",")  # a table program may change it
        rows = csv.DictReader(io.StringIO(text), delimiter=between)
        return {
            row["sha256"]
            for row in rows
            if row.get("case") == case
            and row.get("sha256")
            and str(row.get("place")).startswith("recording")
        }

    def note(self, files: Iterable[NamedFile]) -> None:
        """Adds what the list does not hold yet; several processes may do so at once.

        Raises OutputError.
        """
        if self.file is None:
            return
        with writing():
            make_folder(self.file.parent, mode=0o700)
            flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC
            with _locked(self.file, flags) as handle:
                data = self._read()
                if data and not data.endswith(b"\n"):  # a run was killed while it wrote
                    whole = data.rfind(b"\n") + 1
                    os.ftruncate(handle, whole)
                    data = data[:whole]
                lines = [] if data else [_line(list(COLUMNS))]
                today = datetime.datetime.now(datetime.UTC).date().isoformat()
                for cells in dict.fromkeys(tuple(f.cells()) for f in files):
                    row = _line([*cells, ""]).rstrip("\n")
                    if f"\n{row}".encode() not in data:
                        lines.append(_line([*cells, today]))
                if lines:
                    with os.fdopen(handle, "ab", closefd=False) as file:
                        file.write("".join(lines).encode())
                    os.fsync(handle)
                    if not data:
                        _sync(self.file.parent)


def _line(cells: list[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()


@contextlib.contextmanager
def _locked(path: Path, flags: int = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC) -> Iterator[int]:
    """The file, opened (mode 0600) and locked against every other process that asks here."""
    import fcntl

    handle = os.open(path, flags, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield handle
    finally:
        os.close(handle)
