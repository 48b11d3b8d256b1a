"""Texts that a person confirmed, by their exact content.

A text that was confirmed once counts in every case: as a keyed hash in the user's data folder,
so that nobody who gets hold of the file can tell or look up what it was. The case itself
remembers what was confirmed for it as well (`texts.json` of its private folder): there a
worker on another machine finds it, and whoever asks later who confirmed what and when.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import hmac
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pydantic import Field

from pipeline.errors import InputError
from pipeline.model.document import Document, Part
from pipeline.settings import user_folder
from pipeline.store.names import installation_secret
from pipeline.store.work import WorkFolder, make_folder, writing


class ConfirmedText(Part):
    """One text of a case: where it stands, its hash, who confirmed it, when."""

    where: str
    sha256: str
    by: str
    at: str


class CaseTexts(Document):
    """`texts.json`: the texts that people confirmed for a case."""

    schema_: Literal["fieldstop.texts/1"] = Field(default="fieldstop.texts/1", alias="schema")
    confirmed: list[ConfirmedText] = []


@dataclass(frozen=True)
class Confirmed:
    """Who confirmed what, as it was when it was read: it can be asked without a file.

    in_case: initials by SHA-256 of a text. remembered: initials by keyed hash, of this user.
    """

    in_case: Mapping[str, str] = field(default_factory=dict)
    remembered: Mapping[str, str] = field(default_factory=dict)
    secret: bytes = field(default=b"", repr=False)

    def by(self, text: str) -> str | None:
        """Initials of who confirmed exactly this text, or None."""
        found = self.in_case.get(_sha256(text))
        if found is None and self.remembered:
            found = self.remembered.get(_keyed(text, self.secret))
        return found


NOTHING_CONFIRMED = Confirmed()


class ConfirmedTexts:
    """What was confirmed, of this user and of one case.

    folder: of the case; None asks the user's memory alone.
    """

    def __init__(self, folder: WorkFolder | None = None) -> None:
        self._folder = folder.whole if folder is not None else None
        self._memory = user_folder("data") / "confirmed-texts.jsonl"

    def by(self, text: str) -> str | None:
        """Initials of who confirmed exactly this text, or None. Raises InputError, OutputError."""
        return self.known().by(text)

    def known(self) -> Confirmed:
        """All of it as it is now; the first who confirmed a text counts.

        Raises InputError, OutputError.
        """
        in_case = {t.sha256: t.by for t in reversed(self._case().confirmed)}
        if not self._memory.is_file():
            return Confirmed(in_case)
        rows = list(self._remembered())
        remembered = {r["text"]: r["by"] for r in reversed(rows)}
        return Confirmed(in_case, remembered, installation_secret())

    def confirm(self, texts: Sequence[tuple[str, str]], by: str) -> None:
        """Remember (where, text) as confirmed. Call it while holding the lock of the case.

        Raises InputError, OutputError.
        """
        at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        self._note(texts, by, at)
        known = {r["text"] for r in self._remembered()}
        lines = [
            json.dumps({"text": hashed, "by": by, "at": at}) + "\n"
            for hashed in dict.fromkeys(keyed_hash(text) for _, text in texts)
            if hashed not in known
        ]
        if lines:
            with writing():
                make_folder(self._memory.parent, mode=0o700)
                handle = os.open(self._memory, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
                with os.fdopen(handle, "ab") as file:
                    # A line that was cut off when a machine died ends here.
                    file.write(("\n" + "".join(lines)).encode())
                    file.flush()
                    os.fsync(file.fileno())

    def carry(self, texts: Sequence[tuple[str, str]]) -> None:
        """Note in the case what the user confirmed elsewhere: a worker may see the case only."""
        for where, text in texts:
            by = self.by(text)
            if by is not None:
                at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
                self._note([(where, text)], by, at)

    def _note(self, texts: Sequence[tuple[str, str]], by: str, at: str) -> None:
        if self._folder is None:
            return
        document = self._case()
        known = {t.sha256 for t in document.confirmed}
        new = [
            ConfirmedText(where=where, sha256=sha256, by=by, at=at)
            for where, text in texts
            if (sha256 := _sha256(text)) not in known
        ]
        if new:
            whole = document.model_copy(update={"confirmed": [*document.confirmed, *new]})
            self._folder.atomic_write(self._folder.private_file("texts.json"), whole.to_json())

    def _case(self) -> CaseTexts:
        if self._folder is None:
            return CaseTexts()
        path = self._folder.private_file("texts.json")
        if not path.is_file():
            return CaseTexts()
        try:
            return CaseTexts.model_validate_json(path.read_bytes())
        except ValueError:
            raise InputError(
                "texts.json of the case cannot be read",
                "",
                "restore it from a backup, or remove it and confirm the texts anew",
            ) from None

    def _remembered(self) -> Iterator[dict[str, Any]]:
        with writing():
            try:
                lines = self._memory.read_bytes().splitlines()
            except FileNotFoundError:
                return
        for line in lines:
            with contextlib.suppress(ValueError):  # cut off by a crash: not confirmed
                row = json.loads(line)
                if isinstance(row, dict) and {"text", "by"} <= row.keys():
                    yield row


def keyed_hash(text: str) -> str:
    """HMAC-SHA-256 (RFC 2104) of a text under the secret of this installation, in hexadecimal."""
    return _keyed(text, installation_secret())


def _keyed(text: str, secret: bytes) -> str:
    message = b"text\0" + text.encode("utf-8", "surrogatepass")
    return hmac.new(secret, message, hashlib.sha256).hexdigest()


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
