"""Private material that is older than the policy, or of a case whose consent is gone.

What binds or names what left stays: consent, take-down, records, decisions, what still and
trace need. All else in the private folder can be made again from the recordings, which are
never touched; nor is anything under releases/.
"""

from __future__ import annotations

import datetime
import fnmatch
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import case_folders
from pipeline.store.work import WorkFolder, output_error

STAYS = (
    "consent.jsonl", "take-down.json", "decisions.json", "origin.json", "release.json",
    "*.release.json", "*.beside.json", "*.clip.json", "*.prints.json", ".lock",
)  # fmt: skip
_CLOSED = ("withdrawn", "refused", "ended")


@dataclass(frozen=True)
class Kept:
    """Private material of one case. why: what makes it due. last: when it was last changed."""

    case: str
    why: str
    last: datetime.date
    files: tuple[Path, ...]
    size_bytes: int
    ready: bool

    def as_json(self) -> dict[str, object]:
        return {
            "case": self.case,
            "why": self.why,
            "last_changed": str(self.last),
            "files": len(self.files),
            "size_bytes": self.size_bytes,
            "ready": self.ready,
        }


def due(out: Path, catalogue: Catalogue, days: int, today: datetime.date) -> list[Kept]:
    """The cases of an OUT folder with private material that should go, the oldest first.

    days: age from which it should, 0 for none by its age. A case whose consent was withdrawn,
    refused or has ended is due at any age. catalogue: that has met OUT (`check_catalogue`).
    """
    found = []
    for private in case_folders(out):
        folder = WorkFolder(out, private.name)
        files = material(folder)
        if not files:
            continue
        last = max(_changed(path) for path in files)
        sources = {s for record in catalogue.releases(folder.case) for s in record.bound_by}
        state = catalogue.consent_for(sorted(sources), folder.case).state(today)
        age = (today - last).days
        if state in _CLOSED:
            why = f"consent {'has' if state == 'ended' else 'was'} {state}"
        elif days and age > days:
            why = f"{age} days old"
        else:
            continue
        found.append(
            Kept(
                case=folder.case,
                why=why,
                last=last,
                files=tuple(files),
                size_bytes=sum(path.lstat().st_size for path in files),
                ready=any(path.name.endswith("-ready.mp4") for path in files),
            )
        )
    return sorted(found, key=lambda k: (k.last, k.case))


def material(folder: WorkFolder) -> list[Path]:
    """Files of a case and its clips that can be made again; links are not followed."""
    found = []
    for above, _, names in os.walk(folder.whole.private_dir):
        for name in names:
            if not any(fnmatch.fnmatchcase(name, stays) for stays in STAYS):
                found.append(Path(above) / name)
    return sorted(found)


def purge(kept: Kept, out: Path) -> int:
    """Remove the material of a case; how many files are gone. Records stay.

    Raises OutputError where the case is being worked on, or a file cannot be removed.
    """
    folder = WorkFolder(out, kept.case)
    with folder.case_lock(prepare=False):
        files = material(folder)  # as it is now: nothing that a run has just put there is missed
        if max(map(_changed, files), default=kept.last) > kept.last:
            raise OutputError(f"{kept.case} was worked on meanwhile", "", "run it again")
        for path in files:
            try:
                path.unlink(missing_ok=True)
            except OSError as error:
                raise output_error(error) from error
        _drop_empty(folder.private_dir)
    return len(files)


def _drop_empty(top: Path) -> None:
    for above, _, _ in os.walk(top, topdown=False):
        path = Path(above)
        if path != top and not any(path.iterdir()):
            shutil.rmtree(path, ignore_errors=True)


def _changed(path: Path) -> datetime.date:
    return datetime.date.fromtimestamp(path.lstat().st_mtime)
