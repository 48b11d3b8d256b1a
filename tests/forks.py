"""Runs `fieldstop` in a process of its own that does not load everything first.

Loading takes half of the processor time of a short run. One process per session has loaded it,
each run is a fork of that (`tests/fuzz/runner.py`) in the caller's folder and environment.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Done:
    """What a run left: its exit code (below 0: a signal) and all that it printed."""

    returncode: int
    stdout: str
    stderr: str


@lru_cache(maxsize=1)
def _runner() -> subprocess.Popen[str]:
    """It ends with this process, which holds the other end of its input."""
    process = subprocess.Popen(
        [sys.executable, str(ROOT / "tests" / "fuzz" / "runner.py"), "--heavy"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, cwd=ROOT,
    )  # fmt: skip
    assert process.stdout is not None and json.loads(process.stdout.readline())["ready"]
    return process


def fork(*arguments: str | Path, limit_s: float = 220) -> Done:
    """Run `fieldstop` with these arguments. Its input is empty."""
    process = _runner()
    assert process.stdin is not None and process.stdout is not None
    job: dict[str, Any] = {
        "argv": [*map(str, arguments)], "limit_s": limit_s, "here": False, "limited": False,
        "environment": dict(os.environ), "folder": os.getcwd(),
    }  # fmt: skip
    process.stdin.write(json.dumps(job) + "\n")
    process.stdin.flush()
    run = json.loads(process.stdout.readline())
    assert not run["hung"], f"no end within {limit_s} s: {arguments}"
    return Done(run["code"], run["out"], run["err"])
