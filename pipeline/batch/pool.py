"""Workers on this machine: one process a case, watched for memory and for standing still."""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import signal
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Protocol

import psutil

from pipeline.batch.job import Answer, Job
from pipeline.batch.worker import command
from pipeline.errors import EXIT_INTERRUPTED, FieldstopError, OutputError
from pipeline.store.stale import clean
from pipeline.store.work import WorkFolder

_LOOK_S = 0.5
_STOP_S = 20.0
# Below this share of a core a process tree counts as standing still.
_IDLE_SHARE = 0.01


@dataclass
class Doing:
    """How far a case is: stage, share of it, and the worker's memory."""

    stage: str = "starting"
    share: float = 0.0
    peak_mb: float = 0.0


class Runner(Protocol):
    """Runs cases somewhere: on this machine or on a cluster. Not for several threads."""

    def room(self) -> bool:
        """True if another case may be given now."""

    def start(self, key: str, job: Job) -> None: ...

    def poll(self, wait_s: float) -> list[tuple[str, Answer]]:
        """Wait up to `wait_s` seconds; cases that have ended, with their answers."""

    def doing(self) -> dict[str, Doing]:
        """How far each case in work is."""

    def stop(self) -> None:
        """End everything in work and leave nothing half-made."""

    def describe(self) -> str: ...


@dataclass
class _Worker:
    process: subprocess.Popen[bytes]
    job: Job
    begun_s: float
    reported_s: float
    moved_s: float
    doing: Doing = field(default_factory=Doing)
    said: bytes = b""
    answer: Answer | None = None
    killed: OutputError | None = None
    cpu_s: float = 0.0
    looked_s: float = 0.0


def free_memory_mb() -> float:
    """Memory that can be had without swapping."""
    return float(psutil.virtual_memory().available) / 1e6


def cores() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


USUAL_MB = 700.0  # measured: all processes of one 1080p30 case


def workers_and_memory(jobs: int | None, limit_mb: int) -> tuple[int, float]:
    """How many workers, and the memory of each in MB.

    By default one a core, as many as fit into four fifths of the free memory at what a
    1080p30 case takes; they share that memory, so a larger picture has room where there is.
    """
    free = 0.8 * free_memory_mb()
    each = float(limit_mb) if limit_mb else USUAL_MB
    count = jobs or max(1, min(cores(), int(free // each)))
    return count, float(limit_mb) if limit_mb else max(USUAL_MB * 1.5, free / count)


class Pool:
    """See `Runner`. memory_mb: resident memory of one worker with its children.

    stall_s: without a report and without computing. silence_s: without a report.
    """

    def __init__(self, jobs: int, memory_mb: float, stall_s: float, silence_s: float) -> None:
        self._jobs, self._memory_mb = jobs, memory_mb
        self._stall_s, self._silence_s = stall_s, silence_s
        self._workers: dict[str, _Worker] = {}
        self._select = selectors.DefaultSelector()

    def describe(self) -> str:
        return f"{self._jobs} on this machine, {self._memory_mb:.0f} MB each"

    def room(self) -> bool:
        return len(self._workers) < self._jobs

    def start(self, key: str, job: Job) -> None:
        try:
            process = subprocess.Popen(
                command(),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C reaches it through us, and a kill its children
            )
        except OSError as error:
            raise OutputError("A worker could not be started", error.strerror or "") from None
        assert process.stdin is not None and process.stdout is not None
        limit_mb = self._memory_mb if self._memory_mb < 1e8 else 0
        job = {**job, "parent": os.getpid(), "memory_mb": limit_mb}
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(json.dumps(job).encode() + b"\n")
            process.stdin.close()
        os.set_blocking(process.stdout.fileno(), False)
        self._select.register(process.stdout, selectors.EVENT_READ, key)
        now = time.monotonic()
        self._workers[key] = _Worker(process, job, now, now, now)

    def doing(self) -> dict[str, Doing]:
        return {key: worker.doing for key, worker in self._workers.items()}

    def poll(self, wait_s: float) -> list[tuple[str, Answer]]:
        until = time.monotonic() + wait_s
        while True:
            ended = self._once(max(0.0, min(_LOOK_S, until - time.monotonic())))
            if ended or time.monotonic() >= until:
                return ended

    def _once(self, wait_s: float) -> list[tuple[str, Answer]]:
        if not self._workers:
            time.sleep(wait_s)
            return []
        ended = []
        # A worker that was killed may leave its pipe open in a child, so its end is asked for.
        gone = {key for key, worker in self._workers.items() if worker.process.poll() is not None}
        chosen = {str(one.data) for one, _ in self._select.select(0 if gone else wait_s)}
        for key in chosen | gone:
            worker = self._workers[key]
            assert worker.process.stdout is not None
            while (more := self._read(worker, worker.process.stdout)) and key in gone:
                pass
            if more is False or key in gone:
                ended.append((key, self._end(key)))
        now = time.monotonic()
        for worker in self._workers.values():
            if now - worker.looked_s >= _LOOK_S:
                self._look(worker, now)
        return ended

    def _read(self, worker: _Worker, pipe: IO[bytes]) -> bool | None:
        """Take in what a worker said; None if nothing now, False when it says no more."""
        try:
            data = os.read(pipe.fileno(), 1 << 16)
        except BlockingIOError:
            return None
        *lines, worker.said = (worker.said + data).split(b"\n")
        for line in lines:
            value = json.loads(line)
            if "answer" in value:
                worker.answer = value["answer"]
            else:
                worker.doing.stage, worker.doing.share = value["stage"], value["share"]
                worker.reported_s = worker.moved_s = time.monotonic()
        return bool(data)

    def _end(self, key: str) -> Answer:
        worker = self._workers.pop(key)
        assert worker.process.stdout is not None
        self._select.unregister(worker.process.stdout)
        worker.process.stdout.close()
        code = worker.process.wait()
        self._kill(worker)  # a child of it that lives on
        answer = worker.answer
        if answer is None:
            error = worker.killed or _died(code)
            answer = {"state": "failed", "error": error.as_dict(), "exit_code": error.exit_code}
            answer["died"] = True
        peak_mb = max(worker.doing.peak_mb, answer.get("peak_mb", 0.0))
        used = {"wall_s": time.monotonic() - worker.begun_s, "peak_mb": round(peak_mb, 1)}
        return answer | used

    def _look(self, worker: _Worker, now: float) -> None:
        passed_s, worker.looked_s = now - (worker.looked_s or worker.begun_s), now
        memory_mb, cpu_s = tree_use(worker.process.pid)
        worker.doing.peak_mb = max(worker.doing.peak_mb, memory_mb)
        if abs(cpu_s - worker.cpu_s) > _IDLE_SHARE * passed_s:
            worker.moved_s = now
        worker.cpu_s = cpu_s
        if worker.killed is not None:
            return
        if memory_mb > self._memory_mb:
            worker.killed = OutputError(
                "A case took more memory than a worker may have",
                f"{memory_mb:.0f} MB of {self._memory_mb:.0f} MB",
                "use fewer --jobs, or set batch.memory_mb higher",
            )
        elif now - worker.moved_s > self._stall_s:
            worker.killed = OutputError(
                "A case stood still and was stopped",
                f"in {worker.doing.stage}, for {self._stall_s:.0f} s",
                "look at the disk and the recording, then run again",
            )
        elif now - worker.reported_s > self._silence_s:
            worker.killed = OutputError(
                "A case reported nothing and was stopped",
                f"in {worker.doing.stage}, for {self._silence_s:.0f} s",
                "set batch.silence_s higher if it is very long, then run again",
            )
        if worker.killed is not None:
            self._kill(worker)

    def stop(self, tidy_up: bool = True) -> None:
        """Asks every worker to end; those that do not within 20 s are killed."""
        for worker in self._workers.values():
            with contextlib.suppress(ProcessLookupError):
                worker.process.send_signal(signal.SIGINT)
        until = time.monotonic() + _STOP_S
        for key, worker in list(self._workers.items()):
            try:
                worker.process.wait(max(0.1, until - time.monotonic()))
            except subprocess.TimeoutExpired:
                self._kill(worker)
                worker.process.wait()
            self._end(key)
            if tidy_up:
                tidy(worker.job)
        self._select.close()

    @staticmethod
    def _kill(worker: _Worker) -> None:
        """Kill a worker and all that it started."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(worker.process.pid, signal.SIGKILL)


def _died(code: int) -> OutputError:
    if code == EXIT_INTERRUPTED:
        return OutputError("A case was interrupted", "", "run again: it starts where it stopped")
    how = f"signal {-code}" if code < 0 else f"code {code}"
    return OutputError(
        "The process of a case ended before its time",
        how,
        "run again; if memory is short use fewer --jobs",
    )


def tidy(job: Job) -> None:
    """Remove what a killed worker left of its case. Does nothing while another works on it."""
    with contextlib.suppress(FieldstopError):
        folder = WorkFolder(Path(job["out"]), job["case"])
        if folder.private_dir.is_dir():
            with folder.case_lock():
                clean(folder)


def tree_use(root: int) -> tuple[float, float]:
    """Resident memory in MB and processor seconds of a process and all below it; zeros
    where there is none. Seconds include those of children that have ended."""
    memory = cpu = 0.0
    try:
        tree = [psutil.Process(root), *psutil.Process(root).children(recursive=True)]
    except psutil.Error:
        return 0.0, 0.0
    for process in tree:
        # One that ends meanwhile is left out.
        with contextlib.suppress(psutil.Error), process.oneshot():
            used = process.cpu_times()
            memory += process.memory_info().rss / 1e6
            cpu += used.user + used.system + used.children_user + used.children_system
    return memory, cpu
