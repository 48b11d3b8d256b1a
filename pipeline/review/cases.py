"""What lies in an OUT folder, for the page: how each case and clip ended, and its files."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.model.batch import BatchCase, BatchReport
from pipeline.model.outcome import Outcome
from pipeline.review.backend import CaseFile, CaseSummary
from pipeline.stages.values import CaseResult
from pipeline.store.work import WorkFolder, is_clip

OUTCOME = "outcome.json"
_KINDS = (
    # (pattern, below private/CASE: False is releases/CASE, kind, words)
    ("*.mp4", False, "release", "Released clip"),
    ("*-preview.mp4", False, "preview", "Preview"),
    ("*-ready.mp4", True, "ready", "Ready clip"),
    ("*-draft.mp4", True, "draft", "Draft"),
    ("*proof.html", True, "proof", "Proof"),
    ("*.jpg", False, "poster", "Poster"),
    ("*.vtt", False, "captions", "Captions"),
    ("report.html", True, "report", "Report"),
)


def keep_outcome(run: CaseResult) -> None:
    """Notes how a run ended, beside what it made. Raises OutputError."""
    if run.plan is None and not run.withheld:
        return  # measured only, or nothing was done
    made = Outcome(
        state=run.state,
        title=run.plan.title if run.plan is not None else "",
        clip_s=run.plan.duration_s if run.plan is not None else None,
        withheld=list(run.withheld),
    )
    run.folder.atomic_write(run.folder.private_dir / OUTCOME, made.to_json())


def outcome_in(private_dir: Path) -> Outcome | None:
    """None where nothing was noted, or it cannot be read."""
    try:
        return Outcome.model_validate_json((private_dir / OUTCOME).read_bytes())
    except (OSError, ValueError):
        return None


def case_files(folder: WorkFolder) -> list[CaseFile]:
    """Clips, drafts, posters, proofs and report of a case and of its clips, newest first."""
    parts = list(folder.parts())
    names = [f"-{part.clip}-r" for part in parts if part.clip]
    found = []
    for part in parts:
        mine = f"-{part.clip}-r" if part.clip else ""
        for pattern, inside, kind, words in _KINDS:
            place = part.private_dir if inside else folder.releases_dir
            for path in sorted(place.glob(pattern), reverse=True):
                if path.name.startswith(".") or path.is_symlink() or not path.is_file():
                    continue
                if kind == "release" and not is_clip(path):
                    continue
                others = any(name in path.name for name in names)
                if not inside and (mine not in path.name if mine else others):
                    continue
                at = path.relative_to(folder.out).as_posix()
                tail = f" {path.stem.rsplit('-', 1)[-1]}" if kind == "release" else ""
                found.append(CaseFile(kind, words + tail, at, path, part.clip))
    return found


class BatchEnd(NamedTuple):
    """How the last batch left a case: what failed, in sentences."""

    case: str
    reason: str


def failed_in_batch(out: Path) -> list[BatchEnd]:
    """Cases that the last batch could not make, with what was wrong and what to do."""
    try:
        report = BatchReport.model_validate(json.loads((out / "batch.json").read_bytes()))
    except (OSError, ValueError):
        return []
    return [BatchEnd(c.case, _sentences(c)) for c in report.cases if c.state == "failed"]


def _sentences(row: BatchCase) -> str:
    error = row.error
    if error is None:
        return "It failed; the batch does not say why."
    parts = [f"{error.what} ({error.got})" if error.got else error.what, error.do]
    return " ".join(_capital(p).rstrip(".") + "." for p in parts if p)


def _capital(text: str) -> str:
    """With a capital, unless it begins with the name of a file."""
    return text if "." in text.split(" ", 1)[0].rstrip(":.") else text[:1].upper() + text[1:]


def with_failed(rows: Sequence[CaseSummary], failed: Sequence[BatchEnd]) -> list[CaseSummary]:
    """The list with the failed cases of the last batch, which come first. Pure."""
    names = {f.case: f for f in failed}
    out = [CaseSummary(f.case, "", "failed", 0, 0.0, reason=f.reason) for f in failed
           if f.case not in {r.case for r in rows}]  # fmt: skip
    for row in rows:
        end = names.get(row.case)
        if end is None or row.state in ("closed", "released"):
            out.append(row)
        else:
            out.append(row._replace(state="failed", reason=end.reason))
    return out
