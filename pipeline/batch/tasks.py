"""What a worker does: a whole case, or one step of it, by the functions of the recipe.

A task takes a job and gives an answer, both as JSON holds them. On a cluster the steps are
tasks of their own; between them lie our own documents (`stages.handover`) on shared storage.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from pipeline.batch.job import Answer, Job
from pipeline.batch.one import PAGES, run_one, tell
from pipeline.batch.request import ASKED
from pipeline.errors import InputError
from pipeline.model.options import Options
from pipeline.stages.finishing import kept, verified
from pipeline.stages.handover import found_again, read_clip, taken_over, write_clip
from pipeline.stages.intake import remembered_sha256
from pipeline.stages.making import heard, rendered, sounded
from pipeline.stages.measure import survey_source
from pipeline.stages.progress import Progress
from pipeline.stages.second_look import another_round
from pipeline.stages.surveying import looked_again, saved, survey_case
from pipeline.stages.values import CaseResult, Opened, SurveyedCase
from pipeline.store.cache import Cache


def whole_case(job: Job, progress: Progress) -> Answer:
    """Run a case to its release; the catalogue is written here."""
    catalogue = job["catalogue"]
    result = run_one(
        Path(job["path"]),
        Path(job["out"]),
        _options(job),
        ASKED.validate_python(job["asked"]),
        catalogue=Path(catalogue) if catalogue else None,
        progress=progress,
    )
    return outcome(result)


def hashes(job: Job, progress: Progress) -> Answer:
    """Content hashes of the files of a case, by path."""
    _see_shared(job)
    known: dict[str, str] = {}

    def take(path: Path) -> str:
        progress("hash", len(known), len(known) + 1)
        known[str(path)] = remembered_sha256(path)
        return known[str(path)]

    found_again(Path(job["path"]), Path(job["out"]), _options(job), take)
    return {"state": "done", "hashes": known}


def survey(job: Job, progress: Progress) -> Answer:
    """Survey one source of a case into the measures on shared storage."""
    opened, _ = _opened(job)
    with tempfile.TemporaryDirectory(dir=job["work"]) as work:
        survey_source(
            opened.found, job["number"], opened.options, Path(work), progress, _measures(job)
        )
    return {"state": "done"}


def render(job: Job, progress: Progress) -> Answer:
    """Plan and render a surveyed case; the clip waits in a work folder for `verify`."""
    opened, measured = _surveyed(job, progress)
    # A task that is tried again starts in a folder of its own.
    work = Path(tempfile.mkdtemp(dir=job["work"]))
    survey = saved(opened, measured)
    narration = heard(opened, survey, work, progress)
    sound = sounded(opened, survey, narration, job["revision"], work, progress, _measures(job))
    made = rendered(opened, sound, narration, work, progress)
    if made.withheld:
        return _told(made, job)
    write_clip(made, work)
    return {"state": "rendered", "clip": str(work)}


def verify(job: Job, progress: Progress) -> Answer:
    """Verify what `render` made and keep it as ready; the client lets it leave.

    Where only the finished clip showed lettering or a face, it is to be rendered again.
    """
    opened, measured = _surveyed(job, progress)
    made = verified(read_clip(opened, measured, Path(job["clip"])), progress)
    again = looked_again(made, _measures(job))
    if again is not None:
        if another_round(made.checks, job["round"]):
            return {"state": "again"}
        made = replace(made, survey=again)
    return _told(kept(made), job)


TASKS: dict[str, Callable[[Job, Progress], Answer]] = {
    "case": whole_case,
    "hash": hashes,
    "survey": survey,
    "render": render,
    "verify": verify,
}


def _options(job: Job) -> Options:
    return Options.model_validate(job["options"])


def _measures(job: Job) -> Cache:
    return Cache(_options(job).machine.cache_gb, Path(job["measures"]))


def _opened(job: Job) -> tuple[Opened, SurveyedCase]:
    """The case, and what is known of its survey: whose pictures it looks like."""
    _see_shared(job)
    opened, alike = taken_over(
        job["opened"], Path(job["path"]), Path(job["out"]), _options(job)
    )
    return opened, SurveyedCase((), alike=alike)


def _surveyed(job: Job, progress: Progress) -> tuple[Opened, SurveyedCase]:
    opened, known = _opened(job)
    with tempfile.TemporaryDirectory(dir=job["work"]) as work:
        measured = survey_case(opened, Path(work), progress, _measures(job))
    return opened, replace(measured, alike=known.alike)


def _see_shared(job: Job) -> None:
    if not Path(job["work"]).is_dir():
        raise InputError(
            "A worker does not see the shared folder of the batch",
            "",
            "mount the folders of cases and of --out at the same path on every worker",
        )


def _told(made: CaseResult, job: Job) -> Answer:
    result = PAGES.written(made)
    tell(result, Path(job["path"]))
    return outcome(result)


def outcome(result: CaseResult) -> Answer:
    """What came of a case, by pseudonym and with paths relative to OUT."""
    end, out = result.ending, result.folder.out
    report = result.report or result.folder.private_file("report.html")

    def inside(path: Path | None) -> str | None:
        return path.relative_to(out).as_posix() if path is not None else None

    return {
        "state": end.state,
        "unchanged": end.unchanged,
        "clip_s": _clip_s(result),
        "inputs": result.opened.inputs,
        "release": inside(result.leaving[0] if result.leaving else None),
        "ready": inside(end.ready),
        "draft": inside(end.draft),
        "report": inside(report if report.is_file() else None),
        "withheld": [w.model_dump() for w in end.withheld],
        "error": None,
    }


def _clip_s(result: CaseResult) -> float | None:
    """Length of the finished clip, in seconds; None where there is none."""
    end = result.ending
    if end.standing is not None:
        return float(end.standing.sheet.duration_s)
    return float(end.kept.plan.duration_s) if end.kept is not None and not end.withheld else None
