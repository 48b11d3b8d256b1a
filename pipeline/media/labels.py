"""How files are called to people: by a name that says nothing of a patient.

File names of recorders may hold a patient's name or number, so no error, log or document
repeats them. Whoever opens a case tells here what each of its files is called; `label`
is used wherever a file is spoken of.
"""

from __future__ import annotations

import os
from pathlib import Path

_told: dict[str, str] = {}


def tell_label(path: Path, name: str) -> None:
    """From now on, in this process, the file is called `name`."""
    _told[os.path.abspath(path)] = name


def label(path: Path) -> str:
    """What the file is called; 'the file given' where nobody has said."""
    return _told.get(os.path.abspath(path), "the file given")


def files_spoken_of(text: str) -> list[tuple[str, str]]:
    """(label, path) of files of this process whose label stands in a text; for a terminal."""
    return [(name, path) for path, name in _told.items() if name in text]
