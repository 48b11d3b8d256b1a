"""A worker: a process of its own that does one job and ends.

The job comes as one line of JSON on standard input; progress and the answer go out as
lines of JSON on what was standard output. Nothing else is written there.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.errors import EXIT_INTERRUPTED, EXIT_WITHHELD, InputError, explained
from pipeline.model.options import Options

# Not -m: that would import a folder named pipeline from wherever the user stands.
START = (
    "import sys; sys.path.insert(0, sys.argv[1]); from pipeline.batch.worker import main; main()"
)
_TELL_S = 0.5
Job = dict[str, Any]
Answer = dict[str, Any]


def command() -> list[str]:
    """The command line that starts a worker."""
    return [sys.executable, "-P", "-c", START, str(Path(__file__).resolve().parents[2])]


def main() -> None:
    """Body of the process."""
    from pipeline.media.programs import die_with_parent

    job: Job = json.loads(sys.stdin.readline())
    die_with_parent()
    if os.getppid() != job["parent"]:
        sys.exit(EXIT_INTERRUPTED)  # the parent died before we could tell
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    # What libraries print must not get between the lines of the answer.
    out = os.fdopen(os.dup(1), "w", buffering=1)
    os.dup2(2, 1)
    _limit_memory(job.get("memory_mb", 0))

    def tell(value: dict[str, Any]) -> None:
        with contextlib.suppress(BrokenPipeError):
            out.write(json.dumps(value) + "\n")

    try:
        answer = JOBS[job["kind"]](job, _progress(tell))
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except BaseException as error:
        wrong = explained(error)
        answer = {
            "state": "withheld" if wrong.exit_code == EXIT_WITHHELD else "failed",
            "error": wrong.as_dict(),
            "exit_code": wrong.exit_code,
        }
    answer |= _used()
    tell({"answer": answer})


def _limit_memory(limit_mb: float) -> None:
    """A wall behind the watch over resident memory: private data of one process.

    Measured on `make`: private data is 1.3 times the resident size, address space 3 times,
    so the limit on private data (twice the worker's) meets only what runs away between
    two looks. Linux counts mapped files and reserved address space out of it.
    """
    if limit_mb and sys.platform == "linux":
        size = int(limit_mb * 2e6)
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_DATA, (size, size))


def _progress(tell: Callable[[dict[str, Any]], None]) -> Callable[[str, float, float], None]:
    said, at_s = "", 0.0

    def progress(stage: str, done: float, whole: float) -> None:
        nonlocal said, at_s
        now = time.monotonic()
        if stage == said and now - at_s < _TELL_S:
            return
        said, at_s = stage, now
        tell({"stage": stage, "share": min(1.0, done / whole) if whole > 0 else 0.0})

    return progress


def _used() -> Answer:
    total = 0.0
    for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN):
        use = resource.getrusage(who)
        total += use.ru_utime + use.ru_stime
    return {"cpu_s": round(total, 2)}


# --- jobs -------------------------------------------------------------------------------


def _options(job: Job) -> Options:
    return Options.model_validate(job["options"])


def _whole_case(job: Job, progress: Any) -> Answer:
    """Run a case to its release; the catalogue is written here."""
    from pipeline.batch.one import run_one

    catalogue = job["catalogue"]
    run = run_one(
        Path(job["path"]),
        Path(job["out"]),
        _options(job),
        catalogue=Path(catalogue) if catalogue else None,
        approve=job["approve"],
        read_texts=False,
        looked=job["looked"],
        unless_released=True,
        withheld_before=job["withheld_before"],
        progress=progress,
    )
    return outcome(run)


def outcome(run: Any) -> Answer:
    """What came of a run, by pseudonym and with paths relative to OUT."""
    out: Path = run.folder.out
    release = None
    if run.released is not None:
        release = run.released.path
    elif run.standing is not None:
        sheet = run.standing.sheet
        release = run.folder.release_file(sheet.profile, sheet.revision)

    def inside(path: Path | None) -> str | None:
        return path.relative_to(out).as_posix() if path is not None else None

    return {
        "state": run.state,
        "unchanged": run.unchanged,
        "clip_s": _clip_s(run),
        "inputs": run.inputs,
        "release": inside(release),
        "ready": inside(run.ready),
        "draft": inside(run.draft),
        "report": inside(run.report),
        "withheld": [w.model_dump() for w in run.withheld],
        "error": None,
    }


def _clip_s(run: Any) -> float | None:
    """Length of the finished clip, in seconds; None where there is none."""
    if run.standing is not None:
        return float(run.standing.sheet.duration_s)
    made = run.plan is not None and not run.withheld
    return float(run.plan.duration_s) if made else None


def _hashes(job: Job, progress: Any) -> Answer:
    """Content hashes of the files of a case, by path."""
    from pipeline.stages.intake import remembered_sha256

    _see_shared(job)
    found: dict[str, str] = {}

    def take(path: Path) -> str:
        progress("hash", len(found), len(found) + 1)
        found[str(path)] = remembered_sha256(path)
        return found[str(path)]

    _open(job, take)
    return {"state": "done", "hashes": found}


def _survey(job: Job, progress: Any) -> Answer:
    """Survey one source of a case into the measures on shared storage."""
    from pipeline.stages.measure import survey_source
    from pipeline.store.cache import Cache

    _see_shared(job)
    options = _options(job)
    cache = Cache(options.machine.cache_gb, Path(job["measures"]))
    with tempfile.TemporaryDirectory(dir=job["work"]) as work:
        survey_source(_opened(job), job["number"], options, Path(work), progress, cache)
    return {"state": "done"}


def _render(job: Job, progress: Any) -> Answer:
    """Plan and render a surveyed case; the run waits in its work folder for `_verify`."""
    from pydantic import TypeAdapter

    from pipeline.media.glyphs import load_glyph
    from pipeline.model.consent import KnownConsent
    from pipeline.model.decisions import effective
    from pipeline.model.plan import Need
    from pipeline.stages.inputs import read_decisions
    from pipeline.stages.make import CaseRun, make_rendered
    from pipeline.stages.measure import save_surveys, survey_source
    from pipeline.store.cache import Cache
    from pipeline.store.work import WorkFolder

    _see_shared(job)
    opened, options = _opened(job), _options(job)
    folder = WorkFolder(Path(job["out"]), opened.case.case)
    # A task that is tried again starts in a folder of its own.
    work = Path(tempfile.mkdtemp(dir=job["work"]))
    run = CaseRun(opened, options, folder, work, glyph=load_glyph(options.mark))
    run.approved_by, run.inputs = job["approve"], job["inputs"]
    run.made_from = job["made_from"]
    run.warnings += job["warnings"]
    run.consent = TypeAdapter(KnownConsent).validate_python(job["consent"])
    run.seen_before = [Need.model_validate(need) for need in job["seen_before"]]
    document = read_decisions(folder)
    run.decisions = effective(document.entries) if document else []
    cache = Cache(options.machine.cache_gb, Path(job["measures"]))
    run.surveyed = [
        survey_source(opened, n, options, work, progress, cache)
        for n in range(len(opened.sources))
    ]
    run.surveys = save_surveys(run.surveyed, folder)
    if make_rendered(run, job["revision"], None, True, document, progress):
        (work / "run.pickle").write_bytes(pickle.dumps(run))
        return {"state": "rendered", "run": str(work / "run.pickle")}
    return _reported(run, Path(job["path"]))


def _verify(job: Job, progress: Any) -> Answer:
    """Verify what `_render` made and keep it as ready; the client releases it."""
    from pipeline.stages.make import CaseRun, keep, verify_rendered

    _see_shared(job)
    place = Path(job["run"])
    run = pickle.loads(place.read_bytes())
    assert isinstance(run, CaseRun)
    clip = verify_rendered(run, progress)
    if clip is not None:
        keep(run, clip)
    return _reported(run, Path(job["path"]))


def _reported(run: Any, path: Path) -> Answer:
    from pipeline.review.case.documents import remember_origin
    from pipeline.review.proof import proof_page
    from pipeline.review.report.collect import case_report
    from pipeline.stages.make import write_pages

    write_pages(run, case_report, proof_page)
    remember_origin(run.folder.out, run.opened.case.case, path)
    return outcome(run)


def _opened(job: Job) -> Any:
    from pipeline.stages.intake import remembered_sha256

    hashes = job["hashes"]

    def known(path: Path) -> str:
        return str(hashes.get(str(path)) or remembered_sha256(path))

    return _open(job, known)


def _open(job: Job, sha256: Callable[[Path], str]) -> Any:
    """The case; its files have the names that the machine of the batch gave them."""
    from pipeline.stages.intake import open_case
    from pipeline.store.names import Names

    out = Path(job["out"])
    return open_case(
        Path(job["path"]),
        out=out,
        sha256=sha256,
        names=Names(out, own=False),
        case_pattern=_options(job).anonymity.case_pattern,
    )


def _see_shared(job: Job) -> None:
    if not Path(job["work"]).is_dir():
        raise InputError(
            "A worker does not see the shared folder of the batch",
            "",
            "mount the folders of cases and of --out at the same path on every worker",
        )


JOBS: dict[str, Callable[[Job, Any], Answer]] = {
    "case": _whole_case,
    "hash": _hashes,
    "survey": _survey,
    "render": _render,
    "verify": _verify,
}
