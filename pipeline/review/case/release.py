"""From the page to a release: what is ready leaves at once, anything else is made first."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

from pipeline.errors import FieldstopError, InputError, UsageError
from pipeline.model.decisions import Decisions
from pipeline.review.backend import Progress, RenderResult
from pipeline.review.case.documents import decisions_file, known_origin
from pipeline.review.case.session import Session
from pipeline.review.cases import keep_outcome
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decisions import version
from pipeline.review.proof import proof_page
from pipeline.review.standing import tell_released
from pipeline.stages.finishing import Pages
from pipeline.stages.gate import signed
from pipeline.stages.leave import release_kept
from pipeline.stages.ready import read_ready, ready_document
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked
from pipeline.store.catalogue import Catalogue

_SHARES = {
    "survey": (0.0, 0.3), "narration": (0.3, 0.35), "mix": (0.35, 0.4),
    "render": (0.4, 0.85), "verify": (0.85, 1.0),
}  # fmt: skip


class _Stopped(FieldstopError):
    """A render that a person cancelled."""


def render_case(
    session: Session,
    case: str,
    decisions: Decisions,
    progress: Progress,
    cancelled: Callable[[], bool],
    report: Callable[[Any], str] | None,
) -> RenderResult:
    """See `backend.Backend.render`. Raises FieldstopError."""
    folder = session.folder(case)
    origin = known_origin(folder, "fieldstop make")
    current = DecisionFile(decisions_file(folder), case).load()
    if version(current) != version(decisions):
        raise UsageError("Decisions were added while the render was waiting", "", "render again")
    at_once = _release_kept(session, case, decisions)
    if at_once is not None:
        return at_once

    # Whether a sign-off holds is decided by the run, on what it finds itself.
    def told(stage: str, done: float, whole: float) -> None:
        if cancelled():
            raise _Stopped("The render was cancelled", "", "")
        first, last = _SHARES.get(stage, (0.0, 1.0))
        progress(first + (last - first) * (done / whole if whole else 1.0), stage)

    run = run_case(
        origin.path,
        session.out,
        session.options,
        Asked(narration=origin.narration),
        catalogue=session.catalogue,
        pages=Pages(report, proof_page),
        progress=told,
    )
    keep_outcome(run)
    released = run.ending.released
    if released is not None:
        return RenderResult("released", f"Released as {released.path.stem}.", run.checks)
    if run.state == "ready":
        return RenderResult("ready", "It is ready: look at it, then sign it off.", run.checks)
    why = "; ".join(w.message for w in run.withheld[:4])
    kept = " A draft was kept." if run.ending.draft else ""
    return RenderResult("withheld", f"No release: {why}.{kept}", run.checks)


def _release_kept(session: Session, case: str, decisions: Decisions) -> RenderResult | None:
    """Releases what is ready if the sign-off was given for it; None: it must be rendered."""
    folder, options = session.folder(case), session.options
    document = ready_document(folder, f"{case}-{options.output.profile}")
    if not document.is_file():
        return None
    with contextlib.suppress(InputError):
        if not signed(read_ready(document), decisions):
            return None
        with Catalogue(session.catalogue) as catalogue:
            left = release_kept(document, session.out, options, catalogue, None)
        if left.released is None:
            return None  # overtaken: the run says why, or makes it anew
        clip = left.clip
        tell_released(folder, clip, left.looked, left.released.revision, outside=False)
        return RenderResult(
            "released", f"Released as {left.released.path.stem}, as it was looked at.", clip.checks
        )
    return None
