"""The clips of parts of a case, as the list of cases shows them."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import FieldstopError
from pipeline.model.plan import Plan
from pipeline.review.backend import ClipSummary
from pipeline.stages.ready import SUFFIX, read_ready
from pipeline.stages.release import whole_records
from pipeline.store.work import WorkFolder


def clips_of(folder: WorkFolder) -> list[ClipSummary]:
    """Every clip of the case with a plan: in the order of their names."""
    out = []
    for part in folder.parts():
        path = part.private_file("plan.json")
        if not part.clip or not path.is_file():
            continue
        try:
            title = Plan.model_validate_json(path.read_bytes()).title
        except (OSError, ValueError):
            title = ""
        if any(_usable(p) for p in part.private_dir.glob("*" + SUFFIX)):
            out.append(ClipSummary(part.clip, title, "ready"))
        else:
            done = bool(whole_records(part))
            out.append(ClipSummary(part.clip, title, "released" if done else "withheld"))
    return out


def has_release(folder: WorkFolder) -> bool:
    """True if the case itself was released, not only clips of its parts."""
    names = [f"-{part.clip}-r" for part in folder.parts() if part.clip]
    return any(
        not any(name in path.name for name in names) for path in folder.releases_dir.glob("*.mp4")
    )


def _usable(document: Path) -> bool:
    try:
        read_ready(document)
    except FieldstopError:
        return False
    return True
