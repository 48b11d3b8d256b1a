"""The list of cases of an OUT folder, each with its state and what stands in its way."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import FieldstopError, NeedsPerson
from pipeline.model.outcome import Outcome
from pipeline.review.backend import CaseState, CaseSummary
from pipeline.review.case import documents
from pipeline.review.case.session import Session
from pipeline.review.case.view import case_view, consent_missing
from pipeline.review.cases import case_files, failed_in_batch, outcome_in, with_failed
from pipeline.review.clips import clips_of
from pipeline.review.decision_file import DecisionFile
from pipeline.review.laid import lay_over


def case_rows(session: Session) -> Sequence[CaseSummary]:
    """One row for each case, those that failed in the last batch first."""
    private = session.out / "private"
    places = sorted(private.iterdir()) if private.is_dir() else []
    rows = [_row(session, p) for p in places if p.is_dir() and not p.name.startswith(".")]
    return with_failed([r for r in rows if r is not None], failed_in_batch(session.out))


def _row(session: Session, path: Path) -> CaseSummary | None:
    """None for a folder that holds no case."""
    case = path.name
    ended = outcome_in(path)
    surveyed = (path / "survey.json").is_file()
    if ended is None and not surveyed:
        return None
    try:
        session.check_open(case)
    except NeedsPerson:
        return CaseSummary(case, "", "closed", 0, 0.0)
    except FieldstopError as error:
        return _unreadable(case, error)
    folder = session.folder(case)
    made: dict[str, Any] = {"files": case_files(folder), "clips": clips_of(folder)}
    why = "; ".join(w.message for w in ended.withheld) if ended is not None else ""
    if ended is not None and not surveyed:
        return CaseSummary(
            case, ended.title, ended.state, len(ended.withheld), 0.0, ended.clip_s, why, **made
        )
    try:
        decisions = DecisionFile(documents.decisions_file(folder), case).load()
        view = case_view(session, case, decisions, series=False)
    except FieldstopError as error:
        return _unreadable(case, error)
    left = sum(f.needs_person for f, _ in lay_over(view, decisions).findings)
    plan = documents.read_plan(folder)
    if view.state == "withheld" or (view.state == "needs a person" and not left):
        stands = [n.message for n in plan.needs if not n.approvable] if plan else []
        missing = consent_missing(session.catalogue, case, plan, session.document(case))
        stands += [missing] if missing else []
        why = "; ".join(dict.fromkeys(stands)) or why
        left = left or max(1, len(stands))
    elif view.state != "rendered":
        why = ""
    state = view.state
    if state == "planned":
        state, why = since_then(ended, any(f.kind == "ready" and not f.clip for f in made["files"]))
    clip_s = plan.duration_s if plan is not None else None
    return CaseSummary(case, view.title, state, left, view.duration_s, clip_s, why, **made)


def since_then(ended: Outcome | None, has_ready: bool) -> tuple[CaseState, str]:
    """State and reason of a case in which nothing is left to resolve, and nothing is made that
    holds. Pure.

    What a person could resolve has been resolved since; a failed check has not.
    """
    failed = [w.message for w in ended.withheld if w.code == "check"] if ended is not None else []
    if failed:
        return "withheld", "; ".join(failed)
    if has_ready:
        return "overtaken", (
            "the clip that was ready is not of these recordings, settings and decisions: make it"
            " again, or start the page with the --config that it was made with"
        )
    return "planned", ""


def _unreadable(case: str, error: FieldstopError) -> CaseSummary:
    told = f"{error.what}: {error.do}"
    return CaseSummary(case, "", "needs a person", 1, 0.0, reason=told)
