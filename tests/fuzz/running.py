"""Many runs of `fieldstop` from one process, with folders of their own (see `runner.py`)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
PLAIN = (
    "[anonymity]\nlettering = false\nfaces = false\n[output]\nx264_preset = 'ultrafast'\n"
    "[mark]\nvisibility_low = 2\nvisibility_high = 30\n"
)


class Runner:
    """The process of `runner.py`, with folders of its own for everything a run may write."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.out, self.config = folder / "out", folder / "config.toml"
        self.config.write_text(PLAIN)
        places = {name: folder / name for name in ("cwd", "home", "tmp", "data", "cache", "conf")}
        for place in places.values():
            place.mkdir()
        self.outside = [places["cwd"], places["home"], places["tmp"]]
        environment = {
            **os.environ, "PYTHONPATH": str(HERE.parent.parent), "HOME": str(places["home"]),
            "TMPDIR": str(places["tmp"]), "XDG_DATA_HOME": str(places["data"]),
            "XDG_CACHE_HOME": str(places["cache"]), "XDG_CONFIG_HOME": str(places["conf"]),
        }  # fmt: skip
        self.process = subprocess.Popen(
            [sys.executable, str(HERE / "runner.py"), "--heavy"], stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, text=True, env=environment, cwd=places["cwd"],
        )  # fmt: skip
        assert self.process.stdout is not None
        assert json.loads(self.process.stdout.readline())["ready"]

    def __call__(
        self, *argv: str | Path, here: bool = False, limit_s: float = 150, **faults: Any
    ) -> Any:
        assert self.process.stdin is not None and self.process.stdout is not None
        job = {"argv": ["--json", "--quiet", *map(str, argv)], "limit_s": limit_s, "here": here}
        job |= faults
        self.process.stdin.write(json.dumps(job) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def make(self, path: Path, *more: str | Path, command: str = "make") -> Any:
        return self(
            "--config", self.config, "--catalogue", self.folder / "catalogue.sqlite3", command,
            *more, "--out", self.out, "--", path,
        )  # fmt: skip

    def close(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(20)
