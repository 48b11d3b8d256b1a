"""Renders that the page asked for: a queue, one at a time."""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass, field
from typing import Any

from pipeline.errors import FieldstopError, UsageError
from pipeline.model.decisions import Decisions
from pipeline.review.backend import Backend
from pipeline.review.decisions import version
from pipeline.review.pages import plain
from pipeline.review.payload import result_data
from pipeline.review.serve.answers import BUG, error_data

_log = logging.getLogger("fieldstop.review")


@dataclass
class Job:
    """One render: waiting, running, done, failed or cancelled."""

    number: int
    case: str
    decisions: Decisions
    state: str = "waiting"
    share: float = 0.0
    doing: str = ""
    result: dict[str, Any] | None = None
    error: dict[str, str] | None = None
    cancel: threading.Event = field(default_factory=threading.Event)

    def data(self) -> dict[str, Any]:
        return {
            "number": self.number,
            "case": self.case,
            "state": self.state,
            "share": round(self.share, 4),
            "doing": plain(self.doing),
            "result": self.result,
            "error": self.error,
            "version": version(self.decisions),
        }


class Renders:
    """The queue: one render at a time, in a thread of its own."""

    def __init__(self, backend: Backend) -> None:
        self.backend = backend
        self.jobs: list[Job] = []
        self._wake = threading.Condition()
        self._stop = False
        self._thread: threading.Thread | None = None

    def add(self, case: str, decisions: Decisions) -> Job:
        with self._wake:
            if any(j.case == case and j.state in ("waiting", "running") for j in self.jobs):
                raise UsageError(
                    f"{case} is being rendered already", "", "wait for it, or cancel it"
                )
            job = Job(len(self.jobs) + 1, case, decisions.model_copy(deep=True))
            self.jobs.append(job)
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="renders", daemon=True)
                self._thread.start()
            self._wake.notify()
        return job

    def cancel(self, number: int) -> Job:
        with self._wake:
            job = next((j for j in self.jobs if j.number == number), None)
            if job is None:
                raise UsageError("There is no such render", str(number), "look at the queue")
            job.cancel.set()
            if job.state == "waiting":
                job.state = "cancelled"
        return job

    def stop(self, wait_s: float = 10.0) -> None:
        """Cancels all; waits for the running one to leave nothing behind."""
        with self._wake:
            self._stop = True
            for job in self.jobs:
                job.cancel.set()
            self._wake.notify()
        if self._thread is not None:
            self._thread.join(wait_s)

    def _next(self) -> Job | None:
        with self._wake:
            while True:
                job = next((j for j in self.jobs if j.state == "waiting"), None)
                if self._stop:
                    return None
                if job is not None:
                    job.state = "running"
                    return job
                self._wake.wait()

    def _work(self) -> None:
        while (job := self._next()) is not None:

            def progress(share: float, doing: str, job: Job = job) -> None:
                job.share, job.doing = min(1.0, max(0.0, share)), doing

            try:
                result = self.backend.render(job.case, job.decisions, progress, job.cancel.is_set)
                job.result = result_data(result)
                job.state = "cancelled" if job.cancel.is_set() else "done"
                job.share = 1.0
            except FieldstopError as error:
                job.error = error_data(error)
                job.state = "cancelled" if job.cancel.is_set() else "failed"
            except Exception:
                _log.exception("a render failed")
                job.error = dict(BUG)
                job.state = "failed"
