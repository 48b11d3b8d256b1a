"""A run that is ended by a signal leaves no raw sound and no clip that was not verified."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import media_zoo
import pytest


@pytest.mark.parametrize("number", [
    signal.SIGTERM, signal.SIGQUIT, pytest.param(signal.SIGHUP, marks=pytest.mark.slow),
])  # fmt: skip
def test_every_signal_to_end_cleans_up(number: signal.Signals, tmp_path: Path) -> None:
    path, out = tmp_path / "a.mp4", tmp_path / "out"
    media_zoo.scope_clip(path, 20.0, 25, (320, 240), seed=3)
    config = tmp_path / "c.toml"
    config.write_text("[anonymity]\nlettering = false\nfaces = false\n")
    run = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "--quiet", "--json", "--config", str(config),
         "--catalogue", str(tmp_path / "c.sqlite3"), "make", str(path), "--consent", "public",
         "--out", str(out)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        # Whoever runs the tests behind `nohup` hands an ignored SIGHUP down.
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),
    )  # fmt: skip
    until = time.monotonic() + 60
    while not list(out.glob("private/*/.work.part-*")) and time.monotonic() < until:
        time.sleep(0.02)
    assert run.poll() is None, "it ended before the signal"
    run.send_signal(number)
    said, _ = run.communicate(timeout=60)
    assert run.returncode == 130
    assert json.loads(said)["error"]["what"] == "Interrupted"
    assert not [p for p in out.rglob("*") if ".part-" in p.name]


_LEFT = """
import os, signal, sys, time
from pathlib import Path
from pipeline.cli import main
from pipeline.stages import release

@main.command(name="leave")
def leave():
    for number in range(int(sys.argv[2])):
        release.LEFT.append(Path(sys.argv[3]) / str(number))
    release.LEFT[0].write_bytes(b"a clip")
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(20)

main([sys.argv[1], "leave"])
"""


@pytest.mark.parametrize("form", ["--json", "--quiet"])
def test_a_signal_after_a_clip_has_left_says_so(form: str, tmp_path: Path) -> None:
    """The second one was not put yet."""
    order = [sys.executable, "-c", _LEFT, form, "2", str(tmp_path)]
    done = subprocess.run(order, capture_output=True, timeout=15)
    assert done.returncode == 130 and b"nothing half-made" not in done.stderr
    said = done.stderr.decode()
    assert str(tmp_path / "0") in said and str(tmp_path / "1") not in said
    if form == "--json":
        assert json.loads(done.stdout)["release"] == str(tmp_path / "0")


_LOST = """
import os, signal, time
from pipeline.cli import main

class Dying:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(0.1)

@main.command(name="die")
def die():
    Dying()
    time.sleep(20)

main(["die"])
"""


def test_a_signal_that_falls_into_a_finaliser_still_ends_the_run() -> None:
    """The interpreter drops what is raised there (language reference, `object.__del__`)."""
    done = subprocess.run([sys.executable, "-c", _LOST], capture_output=True, timeout=15)
    assert done.returncode == 130, done.stderr
    assert b"Interrupted" in done.stderr and b"Traceback" not in done.stderr
