"""How a batch speaks of files: by label in what is written, by place on a terminal."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from pipeline.batch.found import BY_CONTENT, DUPLICATE, FoundCase
from pipeline.errors import InputError
from pipeline.model.pseudonym import RECORDING, printable
from pipeline.stages.intake import remembered_sha256
from pipeline.store.hashes import HashMemory
from pipeline.store.names import NamedFile, Names

_SOON_READ_BYTES = 100_000_000


class Files:
    """The files of the batch's folder. What is named here goes into the key list by `keep`."""

    def __init__(self, folder: Path, names: Names) -> None:
        self._folder, self._names = os.path.realpath(folder), names
        self._named: list[NamedFile] = []
        self._left: set[Path] = set()

    def name(self, named: Sequence[NamedFile]) -> None:
        self._named += named

    def left_out(self, path: Path, reason: str) -> str | None:
        """Its label, once; None where it was said before. The key list says which file it is."""
        if path in self._left:
            return None
        self._left.add(path)
        label, content = self._label(path, reason)
        self._named.append(NamedFile(label, "", f"left out: {reason}", path, content))
        return label

    def _label(self, path: Path, reason: str) -> tuple[str, str]:
        """Its label and content hash: by content, as `probe` calls it, where that is soon read
        or known; else by where it lies, and no hash."""
        if reason in BY_CONTENT:
            with contextlib.suppress(OSError, InputError):
                soon = path.stat().st_size <= _SOON_READ_BYTES or reason == DUPLICATE
                content = remembered_sha256(path) if soon else HashMemory().known(path)
                if content is not None:
                    return self._names.of(content), content
        return self._names.of_place(path, RECORDING), ""

    def place(self, path: Path) -> str:
        """A file's place in the folder, for a terminal."""
        return printable(os.path.relpath(path, self._folder))

    def places(self, found: FoundCase) -> list[tuple[str, str]]:
        """Places in a case with their files, for a terminal."""
        if not found.parts:
            return [("", self.place(found.files[0]))]
        return [
            (f"{p.place}, {p.side}" if p.side else p.place, ", ".join(map(self.place, p.files)))
            for p in found.parts
        ]

    def keep(self, *, written: bool) -> None:
        """Into the key list what was named since; written: False for a dry run."""
        if written:
            self._names.note(self._named)
        self._named.clear()
