"""Where evidence lies: in a private folder of its own for each suspect, never under releases."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.model.evidence import Evidence
from pipeline.store.work import atomic_write, make_folder, writing


def check_place(folder: Path) -> None:
    """Raises UsageError for a folder in which what leaves lies."""
    target = Path(os.path.realpath(folder))
    if any(parent.name == "releases" for parent in (target, *target.parents)):
        raise UsageError(
            "Evidence is private and --out lies in a folder of releases",
            "",
            "give a folder outside of it",
        )
    if target.exists() and not target.is_dir():
        raise UsageError("--out takes a folder", "a file", "give another name")


def keep_evidence(folder: Path, evidence: Evidence, page: str) -> tuple[Path, Path]:
    """Write report.html and evidence.json into a folder named by the suspect's content.

    Returns both paths. Raises OutputError.
    """
    own = folder / f"clip-{evidence.suspect_sha256[:12]}"
    with writing():
        make_folder(folder, mode=0o700)
        make_folder(own, mode=0o700)
        own.chmod(0o700)
    atomic_write(own / "evidence.json", evidence.to_json(), private=True)
    atomic_write(own / "report.html", page, private=True)
    return own / "report.html", own / "evidence.json"
