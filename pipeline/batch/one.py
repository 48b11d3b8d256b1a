"""One case with its pages, as `make`, `batch` and the workers of a cluster run it."""

from __future__ import annotations

from pathlib import Path

from pipeline.model.options import Options
from pipeline.review.case.documents import remember_origin
from pipeline.review.cases import keep_outcome
from pipeline.review.proof import proof_page
from pipeline.review.report.collect import case_report
from pipeline.review.standing import tell_released
from pipeline.stages.finishing import Pages
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked, CaseResult

PAGES = Pages(case_report, proof_page)


def run_one(
    path: Path,
    out: Path,
    options: Options,
    asked: Asked = Asked(),  # noqa: B008 - frozen
    *,
    catalogue: Path | None,
    progress: Progress = no_progress,
) -> CaseResult:
    """`run_case` with its pages; the review page is told. Raises what it raises."""
    result = run_case(
        path, out, options, asked, catalogue=catalogue, pages=PAGES, progress=progress
    )
    tell(result, path)
    return result


def tell(result: CaseResult, path: Path) -> None:
    """Let the review page know where the sources lie and how it ended. Raises OutputError."""
    end, folder, case = result.ending, result.folder, result.opened.case.case
    if end.kept is not None and end.released is not None and result.rendered is None:
        tell_released(folder, end.kept, end.looked, end.released.revision, outside=False)
    elif not end.unchanged:
        # The review page reads the sources of a case anew; the narration of a clip may be its own.
        narration = result.opened.asked.narration
        if not folder.clip:
            remember_origin(folder.out, case, path, narration)
        elif not folder.whole.private_file("origin.json").is_file():
            remember_origin(folder.out, case, path, None)
    if not end.unchanged or end.withheld:
        keep_outcome(result)
