"""Runs `fieldstop` many times: everything is loaded once, each run is a fork with limits.

Reads jobs as JSON lines ({"argv", "limit_s", "here"}), answers one JSON line each. `here`:
the look at a file happens in the fork itself, which has the limits of the program's own
child process; otherwise that child is started as usual.
"""

from __future__ import annotations

import contextlib
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


def _body(job: dict[str, Any], out: int, err: int) -> None:
    from pipeline.cli import main
    from pipeline.media import guard

    os.dup2(out, 1)
    os.dup2(err, 2)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if job["here"]:
        guard.limit_here()
        guard._apart = _look_here  # type: ignore[assignment]
    else:
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
    from pipeline.media.guard import look
    from pipeline.media.probe import check_plain_file

    check_plain_file(path)
    answer = look(job)
    if "error" in answer:
        raise InputError(**answer["error"])
    return answer


def run(job: dict[str, Any]) -> dict[str, Any]:
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        begun = time.monotonic()
        child = os.fork()
        if child == 0:
            os.setpgid(0, 0)
            _body(job, out.fileno(), err.fileno())
        hung = False
        while True:
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
            "out": out.read().decode("utf-8", "replace"),
            "err": err.read().decode("utf-8", "replace"),
            "wall_s": round(time.monotonic() - begun, 2),
            "cpu_s": round(used.ru_utime + used.ru_stime, 2),
            "peak_mb": used.ru_maxrss // 1024,
        }


def main() -> None:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    import pipeline.media.guard
    import pipeline.media.read

    if "--heavy" in sys.argv:
        import librosa  # noqa: F401
        import pyloudnorm  # noqa: F401
        import scipy.ndimage
        import scipy.optimize  # noqa: F401

        import pipeline.review.collect
        import pipeline.stages.make  # noqa: F401
    print(json.dumps({"ready": True}), flush=True)
    for line in sys.stdin:
        print(json.dumps(run(json.loads(line))), flush=True)


if __name__ == "__main__":
    main()
