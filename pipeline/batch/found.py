"""What a search of a folder finds: cases, and what is left out with the reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import FieldstopError
from pipeline.store.names import NamedFile

NARRATION = "narration"
# Why a file is left out, and what to do if it should not be.
HIDDEN = "hidden: its name begins with a dot"
LINK_OUT = "a link that leads out of the folder: copy the file here"
LINKED_FOLDER = "a link to a folder: links to folders are not followed"
NO_FILE = "not a file that can be read on"
FINISHED = "a folder of finished clips"
NOT_LISTED = "lies in the folder of a case, whose case.toml does not list it"
PHOTOGRAPH = 'a photograph: list it in a case.toml as a recording with phase = "still"'
SOUND_ALONE = "a sound that belongs to no recording by its name: name it in a case.toml"
CAPTIONS = "captions: name them in a case.toml, below [narration]"
ALMOST_TOML = "only a file named case.toml describes a case: rename it"
SIDECAR = "a file beside a recording: nothing is read from it"
DUPLICATE = "a second copy of a recording that is made already"
ENDING = "its ending is not one of a recording"
# These are files that `probe` may be asked about: they are called as it calls them.
BY_CONTENT = (PHOTOGRAPH, SOUND_ALONE, NOT_LISTED, DUPLICATE)


@dataclass(frozen=True)
class Part:
    """Files of a case that belong together: a recording with its parts, or the narration."""

    place: str
    files: tuple[Path, ...]
    side: str = ""


@dataclass(frozen=True)
class FoundCase:
    """A case that was found.

    case: its pseudonym; empty for loose recordings that are named by their content, until
    `name_loose`. toml: its case.toml, None for loose recordings: their document is `text`,
    in which they have the names in `links`. files: everything it is made from, for sizes
    and to see whether it still grows. fault: why it cannot be used.
    """

    case: str
    toml: Path | None
    files: tuple[Path, ...]
    parts: tuple[Part, ...] = ()
    text: str = ""
    links: tuple[tuple[str, Path], ...] = ()
    fault: FieldstopError | None = None
    named: tuple[NamedFile, ...] = ()

    @property
    def key(self) -> str:
        """Tells it from every other case; not for people."""
        return str(self.toml or self.files[0])

    @property
    def recordings(self) -> tuple[Path, ...]:
        return tuple(p for part in self.parts if part.place != NARRATION for p in part.files)


@dataclass(frozen=True)
class LeftOut:
    """A file or folder that no case is made from, and why."""

    path: Path
    reason: str


@dataclass
class Search:
    """What a search found: cases by where they lie, and what is left out."""

    cases: list[FoundCase] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)

    def leave(self, path: Path, reason: str) -> None:
        self.left_out.append(LeftOut(path, reason))
