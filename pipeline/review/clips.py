"""The clips of parts of a case, as the list of cases shows them."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import FieldstopError
from pipeline.model.plan import Plan
from pipeline.review.backend import ClipSummary
from pipeline.review.cases import outcome_in
from pipeline.stages.ready import SUFFIX, read_ready
from pipeline.stages.release import whole_records
from pipeline.store.work import WorkFolder, is_clip


def clips_of(folder: WorkFolder) -> list[ClipSummary]:
    """Every clip of the case with a plan: in the order of their names."""
    out = []
    for part in folder.parts():
        path = part.private_file("plan.json")
        if not part.clip or not path.is_file():
            continue
        try:
            plan = Plan.model_validate_json(path.read_bytes())
            title, length_s = plan.title, plan.duration_s
        except (OSError, ValueError):
            title, length_s = "", None
        ended = outcome_in(part.private_dir)
        why = "; ".join(w.message for w in ended.withheld) if ended is not None else ""
        if any(_usable(p) for p in part.private_dir.glob("*" + SUFFIX)):
            out.append(ClipSummary(part.clip, title, "ready", clip_s=length_s))
        else:
            done = bool(whole_records(part))
            out.append(
                ClipSummary(part.clip, title, "released", clip_s=length_s)
                if done
                else ClipSummary(part.clip, title, "withheld", why, length_s)
            )
    return out


def has_release(folder: WorkFolder) -> bool:
    """True if the case itself was released, not only clips of its parts."""
    names = [f"-{part.clip}-r" for part in folder.parts() if part.clip]
    return any(
        is_clip(path) and not any(name in path.name for name in names)
        for path in folder.releases_dir.glob("*.mp4")
    )


def _usable(document: Path) -> bool:
    try:
        read_ready(document)
    except FieldstopError:
        return False
    return True
