"""One case with its report, as `make`, `batch` and the workers of a cluster run it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.model.options import Options
from pipeline.stages.make import CaseRun, run_case


def run_one(
    path: Path, out: Path, options: Options, *, catalogue: Path | None, **more: Any
) -> CaseRun:
    """`run_case` with the report; the review page is told where the sources lie.

    more: the other keywords of `run_case`. Raises what it raises.
    """
    from pipeline.review.case.documents import remember_origin
    from pipeline.review.cases import keep_outcome
    from pipeline.review.proof import proof_page
    from pipeline.review.report.collect import case_report
    from pipeline.review.standing import tell_released

    run = run_case(
        path, out, options, catalogue=catalogue, report=case_report, proof=proof_page, **more
    )
    if run.kept is not None and run.released is not None and run.rendered is None:
        tell_released(
            run.folder, run.kept, run.looked, run.released.revision, outside=False
        )
    elif not run.unchanged:
        # The review page reads the sources of a case anew.
        clip = run.folder.clip  # its narration may be its own
        if not clip or not run.folder.whole.private_file("origin.json").is_file():
            remember_origin(
                out, run.opened.case.case, path, None if clip else more.get("narration")
            )
    if not run.unchanged or run.withheld:
        keep_outcome(run)
    return run
