"""A worker: a process of its own that does one job and ends.

The job comes as one line of JSON on standard input; progress and the answer go out as
lines of JSON on what was standard output. Nothing else is written there.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.batch.job import Answer, Job
from pipeline.errors import EXIT_INTERRUPTED, EXIT_WITHHELD, explained
from pipeline.media.programs import die_with_parent
from pipeline.stages.progress import Progress

# Not -m: that would import a folder named pipeline from wherever the user stands.
START = (
    "import sys; sys.path.insert(0, sys.argv[1]); from pipeline.batch.worker import main; main()"
)
_TELL_S = 0.5


def command() -> list[str]:
    """The command line that starts a worker."""
    return [sys.executable, "-P", "-c", START, str(Path(__file__).resolve().parents[2])]


def main() -> None:
    """Body of the process."""
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
        from pipeline.batch.tasks import TASKS  # after what libraries print was put aside

        answer = TASKS[job["kind"]](job, _progress(tell))
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


def _progress(tell: Callable[[dict[str, Any]], None]) -> Progress:
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
