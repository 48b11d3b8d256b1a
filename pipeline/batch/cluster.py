"""The same batch on a Dask cluster: one task for each stage of a case.

    hash -> survey (one a source) -> render -> verify, then it leaves here

Sources and OUT lie on storage that every worker sees under the same path; results pass
by path. The catalogue is written here only. A case holds its lock, here, from its first
task to its release. The work of a task is done in a process of its own on the worker, so
that it can be ended and gives its memory back; a task of a lost worker is run again. What a
task does, and what is decided here between two of them, are the steps of `stages.recipe`.
"""

from __future__ import annotations

import contextlib
import logging
import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.batch.job import Answer, Job
from pipeline.batch.one import tell
from pipeline.batch.pool import Doing, Pool
from pipeline.batch.request import ASKED, Request
from pipeline.batch.tasks import outcome
from pipeline.errors import FieldstopError, OutputError, UsageError, explained
from pipeline.media.glyphs import load_glyph
from pipeline.stages.finishing import leave
from pipeline.stages.handover import hand_over
from pipeline.stages.intake import open_case
from pipeline.stages.opening import at_work, ended_before, opened_case, rebound
from pipeline.stages.progress import no_progress
from pipeline.stages.ready import read_ready, ready_document, write_ready
from pipeline.stages.surveying import compared, survey_case
from pipeline.stages.texts import carry_texts
from pipeline.stages.values import CaseResult, Opened, looked_now
from pipeline.store.cache import Cache
from pipeline.store.catalogue import Catalogue
from pipeline.store.names import Names, earlier_names
from pipeline.store.work import WorkFolder

CONNECT_S = 15.0
# Cases given to the cluster at once, for each thread of its workers: enough to keep all
# busy while one waits for its next stage.
_CASES_PER_THREAD = 2


def run_task(job: Job) -> Answer:
    """Body of a task, on the worker: the job in a process of its own.

    An answer is given for every fault of the case. Only a process that died without an
    answer raises, so that the scheduler tries again.
    """
    if job["version"] != __version__:  # a worker that came later
        return {"state": "failed", "error": _other_version([__version__], job).as_dict()}
    pool = Pool(1, job["memory_mb"] or 1e9, job["stall_s"], job["silence_s"])
    pool.start("task", job)
    try:
        while True:
            for _, answer in pool.poll(1.0):
                if answer.get("died") and not _for_good(answer):
                    raise RuntimeError(answer["error"]["what"])
                return answer
    finally:
        pool.stop(tidy_up=False)


def _for_good(answer: Answer) -> bool:
    """True if the process was ended for its memory or for standing still: no second try."""
    return "signal" not in answer["error"]["got"]


def _other_version(found: list[str], job: Job | None = None) -> UsageError:
    return UsageError(
        "Workers of the cluster have another version of the program",
        f"{', '.join(found)}; the batch {job['version'] if job else __version__}",
        "install the same version everywhere",
    )


def program_version() -> str:
    """On a worker: the version of this program there."""
    return __version__


@dataclass
class _Case:
    """A case on the cluster: its folder and lock here, its tasks there."""

    job: Job
    folder: Any
    work: Path
    stack: contextlib.ExitStack
    begun_s: float
    tasks: dict[str, Any] = field(default_factory=dict)  # future by name of the task
    stage: str = "hash"
    opened: Opened | None = None
    round: int = 0  # how often it was rendered again
    used: Answer = field(default_factory=lambda: {"cpu_s": 0.0, "peak_mb": 0.0})


class Cluster:
    """See `pool.Runner`. Raises OutputError or UsageError if the cluster cannot be used."""

    def __init__(self, request: Request, catalogue: Catalogue) -> None:
        self._request, self._catalogue = request, catalogue
        self._limits = request.options.batch
        self._cases: dict[str, _Case] = {}
        self._ended: list[tuple[str, Answer]] = []
        self._client = connect(request.scheduler or "")
        try:
            self._check_versions()
        except BaseException:
            self._client.close()
            raise

    def _check_versions(self) -> None:
        try:
            found = self._client.run(program_version)
        except Exception as error:
            raise OutputError(
                "The workers of the cluster cannot run the program",
                type(error).__name__,
                "install fieldstop[cluster] in the environment of each worker",
            ) from None
        if not found:
            raise OutputError(
                "The cluster has no workers",
                "",
                "start some with `dask worker ADDRESS`, then run this again",
            )
        other = sorted({v for v in found.values() if v != __version__})
        if other:
            raise _other_version(other)

    def describe(self) -> str:
        return f"{len(self._threads())} of a cluster, {sum(self._threads())} tasks at once"

    def _threads(self) -> list[int]:
        info = self._client.scheduler_info(n_workers=-1)
        return [int(w["nthreads"]) for w in info["workers"].values()]

    def room(self) -> bool:
        return len(self._cases) < max(1, _CASES_PER_THREAD * sum(self._threads()))

    # --- a case from task to task ---

    def start(self, key: str, job: Job) -> None:
        folder = WorkFolder(Path(job["out"]), job["case"])
        with contextlib.ExitStack() as stack:
            work = stack.enter_context(at_work(folder))
            measures = folder.private_dir.parent / ".measures"
            job = {
                **job,
                "version": __version__,
                "work": str(work),
                "measures": str(measures),
                "memory_mb": self._limits.memory_mb,
                "stall_s": self._limits.stall_s,
                "silence_s": self._limits.silence_s,
            }
            case = _Case(job, folder, work, stack.pop_all(), time.monotonic())
        self._cases[key] = case
        self._submit(case, "hash", "hash")

    def _submit(self, case: _Case, name: str, kind: str, **more: Any) -> None:
        job = {**case.job, "kind": kind, **more}
        case.stage = kind
        case.tasks[name] = self._client.submit(
            run_task,
            job,
            key=f"fieldstop-{case.job['case']}-{name}-{os.urandom(4).hex()}",
            pure=False,
            retries=self._limits.retries,
        )

    def poll(self, wait_s: float) -> list[tuple[str, Answer]]:
        until = time.monotonic() + wait_s
        while True:
            for key, case in list(self._cases.items()):
                if all(task.done() for task in case.tasks.values()):
                    self._advance(key, case)
            if self._ended or time.monotonic() >= until:
                ended, self._ended = self._ended, []
                return ended
            time.sleep(0.1)

    def _advance(self, key: str, case: _Case) -> None:
        """Take in the results of a stage and begin the next."""
        try:
            answers = [self._result(task) for task in case.tasks.values()]
            case.tasks.clear()
            for answer in answers:
                case.used["cpu_s"] += answer.get("cpu_s", 0.0)
                case.used["peak_mb"] = max(case.used["peak_mb"], answer.get("peak_mb", 0.0))
            failed = next((a for a in answers if a["state"] == "failed"), None)
            if failed is not None:
                self._end(key, failed)
                return
            getattr(self, f"_after_{case.stage}")(key, case, answers[0])
        except FieldstopError as error:
            self._end(key, {"state": "failed", "error": error.as_dict()})
        except Exception as error:  # one case must not end the others
            self._end(key, {"state": "failed", "error": explained(error).as_dict()})

    @staticmethod
    def _result(task: Any) -> Answer:
        try:
            answer: Answer = task.result(timeout=30)
        except Exception as error:
            # Its words may hold a path: they are not repeated.
            raise OutputError(
                "A task was lost more often than it may be tried again",
                type(error).__name__,
                "look at the workers, then run again",
            ) from None
        return answer

    def _after_hash(self, key: str, case: _Case, answer: Answer) -> None:
        options, hashes = self._request.options, answer["hashes"]
        names = Names(case.folder.out, earlier_names(self._catalogue.path))
        found = open_case(
            Path(case.job["path"]), out=case.folder.out, sha256=lambda path: hashes[str(path)],
            names=names, case_pattern=options.anonymity.case_pattern,
        )  # fmt: skip
        names.note(found.named)
        opened = case.opened = opened_case(
            found, case.folder, options, ASKED.validate_python(case.job["asked"]),
            load_glyph(options.mark), self._catalogue,
        )  # fmt: skip
        ending = ended_before(opened, self._catalogue, case.work)
        if ending is not None:
            self._ended_as(key, CaseResult(opened, ending=ending))
            return
        carry_texts(found, options, opened.decisions, case.folder)
        case.job["hashes"] = hashes
        case.job["opened"] = hand_over(opened, hashes)
        for number in range(len(found.sources)):
            self._submit(case, f"survey-{number}", "survey", number=number)

    def _after_survey(self, key: str, case: _Case, answer: Answer) -> None:
        assert case.opened is not None
        cache = Cache(self._request.options.machine.cache_gb, Path(case.job["measures"]))
        survey = survey_case(case.opened, case.work, no_progress, cache)  # kept there
        survey = compared(case.opened, survey, self._catalogue)
        # It may have been withdrawn, or narrowed, while the pictures were measured.
        opened = case.opened = rebound(case.opened, self._catalogue)
        case.job["opened"] = hand_over(opened, case.job["hashes"], survey.alike)
        case.job["revision"] = self._catalogue.next_revision(opened.case.case, opened.profile)
        self._submit(case, "render", "render")

    def _after_render(self, key: str, case: _Case, answer: Answer) -> None:
        if answer["state"] == "rendered":
            self._submit(case, "verify", "verify", clip=answer["clip"], round=case.round)
        else:
            self._end(key, answer)

    def _after_verify(self, key: str, case: _Case, answer: Answer) -> None:
        if answer["state"] == "again":
            case.round += 1
            self._submit(case, "render", "render")
        elif answer["state"] == "ready":
            self._leave(key, case)
        else:
            self._end(key, answer)

    def _leave(self, key: str, case: _Case) -> None:
        """What a worker left as ready goes on here, where the catalogue is."""
        assert case.opened is not None
        opened = rebound(case.opened, self._catalogue)
        clip = read_ready(ready_document(case.folder, opened.name), sealed=False)
        write_ready(clip, case.folder)  # the worker had its own seal
        looked = looked_now(opened.asked.looked, existed=False)
        ending = leave(opened, clip, looked, self._catalogue)
        self._ended_as(key, CaseResult(opened, ending=ending))

    def _ended_as(self, key: str, result: CaseResult) -> None:
        tell(result, Path(self._cases[key].job["path"]))
        self._end(key, outcome(result))

    def _end(self, key: str, answer: Answer) -> None:
        case = self._cases.pop(key)
        case.stack.close()
        wall_s = time.monotonic() - case.begun_s
        self._ended.append((key, answer | case.used | {"wall_s": wall_s}))

    def doing(self) -> dict[str, Doing]:
        return {
            key: Doing(case.stage, 0.0, case.used["peak_mb"]) for key, case in self._cases.items()
        }

    def stop(self) -> None:
        """Cancel every task; the processes of the workers end with theirs."""
        tasks = [task for case in self._cases.values() for task in case.tasks.values()]
        with contextlib.suppress(Exception):
            if tasks:
                self._client.cancel(tasks, force=True)
        for case in self._cases.values():
            case.stack.close()
        self._cases.clear()
        with contextlib.suppress(Exception):
            self._client.close(timeout=5)


def connect(address: str) -> Any:
    """A client of the scheduler at `address`.

    Raises UsageError if the extra is not installed or the address is none, OutputError if
    nobody answers there.
    """
    try:
        import distributed
    except ImportError:
        raise UsageError(
            "A cluster needs a package that is not installed",
            "distributed",
            "install fieldstop[cluster] here and on the workers",
        ) from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client: Any = distributed.Client
        return client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError) as error:
        raise OutputError(
            "The scheduler of the cluster does not answer",
            type(error).__name__,
            "start it with `dask scheduler`, and give the address that it prints",
        ) from None
    except (ValueError, TypeError) as error:
        raise UsageError(
            "That is no address of a scheduler", type(error).__name__, "give tcp://HOST:PORT"
        ) from None

