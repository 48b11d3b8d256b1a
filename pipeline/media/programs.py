"""The one runner of ffmpeg: the program from the imageio-ffmpeg wheel, with limits."""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from pipeline.errors import FieldstopError, OutputError

ENCODE_LIMIT_S = 6 * 3600.0

# As av_assert0 says it (libavutil/avassert.h), on every system, before it ends the program.
_ASSERTION = re.compile(r"^Assertion .* failed at ", re.MULTILINE)


class EncoderAborted(OutputError):
    """An assertion of the encoder failed: a fault of its own, met by what it was given to code."""


def ffmpeg_program() -> str:
    """Path of the ffmpeg program that ships with the imageio-ffmpeg wheel.

    Raises OutputError where it is missing or does not start.
    """
    import imageio_ffmpeg

    try:
        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except (RuntimeError, OSError):
        raise OutputError(
            "The encoder could not be started",
            "the ffmpeg program of imageio-ffmpeg gives no answer",
            "run again; if it stays so, install the package again",
        ) from None


def run_ffmpeg(arguments: list[str], *, limit_s: float = ENCODE_LIMIT_S) -> str:
    """Run ffmpeg with these arguments; returns what it said on standard error.

    Only local files are reachable (protocol allow-list on every input is the
    caller's, see `local_input`). Raises OutputError when the disk is full or the
    target cannot be written, EncoderAborted when the program ends itself by an assertion,
    FieldstopError when it fails otherwise or hangs.
    """
    command = [ffmpeg_program(), "-hide_banner", "-nostdin", "-y", *arguments]
    try:
        process = subprocess.Popen(
            bound(command),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
    except OSError as error:
        raise OutputError(
            "The encoder could not be started", error.strerror or "", "install the package again"
        ) from None
    try:
        _, raw = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise FieldstopError("The encoder did not finish in time", f"{limit_s:.0f} s") from None
    except BaseException:
        process.kill()
        process.communicate()
        raise
    said = raw.decode("utf-8", "replace")
    if process.returncode != 0:
        if "No space left" in said:
            raise OutputError("The disk is full", "", "free some space and run again")
        if "Permission denied" in said or "Read-only file system" in said:
            raise OutputError("The output cannot be written", "", "choose another --out")
        last = said.strip().splitlines()[-1:] or [""]
        tail = "".join(c for c in last[0].rsplit("/", 1)[-1] if c.isprintable())[:120]
        kind = EncoderAborted if _ASSERTION.search(said) else OutputError
        raise kind(
            "The encoder failed",
            f"code {process.returncode}, {tail}",
            "run again; look at the disk",
        )
    return said


def run_graph(stream: Any, *, limit_s: float = ENCODE_LIMIT_S) -> str:
    """Run an ffmpeg-python output node through `run_ffmpeg`."""
    import ffmpeg

    return run_ffmpeg(ffmpeg.get_args(stream), limit_s=limit_s)


def local_input(path: Path, **options: Any) -> Any:
    """An ffmpeg-python input that can reach local files only."""
    import ffmpeg

    return ffmpeg.input(f"file:{path}", protocol_whitelist="file,pipe", **options)


# Body of the small program that a helper starts as: bound to us first, then itself.
_BOUND = (
    "import ctypes,os,sys;"
    "ctypes.CDLL(None).prctl(1,9);"
    "os.getppid()==int(sys.argv[1]) or os._exit(1);"
    "os.execv(sys.argv[2],sys.argv[2:])"
)


def bound(command: list[str]) -> list[str]:
    """The command, made to get SIGKILL when this process dies: no encoder is left behind.

    Linux only; elsewhere the command as it is. The binding is done by the new process
    (prctl(2), PR_SET_PDEATHSIG), not between fork and exec: Python code that runs there can
    lock up beside threads, and a signal that arrives there is lost (`subprocess`, preexec_fn).
    """
    if sys.platform != "linux":
        return command
    return [sys.executable, "-I", "-S", "-c", _BOUND, str(os.getpid()), *command]


def die_with_parent() -> None:
    """As `bound`, for a process that is started already."""
    with contextlib.suppress(Exception):
        ctypes.CDLL(None).prctl(1, signal.SIGKILL)
