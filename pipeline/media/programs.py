"""The one runner of ffmpeg: the program from the imageio-ffmpeg wheel, with limits."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from pathlib import Path
from typing import Any

from pipeline.errors import FieldstopError, OutputError

ENCODE_LIMIT_S = 6 * 3600.0


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
    target cannot be written, FieldstopError when it fails otherwise or hangs.
    """
    command = [ffmpeg_program(), "-hide_banner", "-nostdin", "-y", *arguments]
    try:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            preexec_fn=die_with_parent if os.name == "posix" else None,
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
        raise OutputError(
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


def die_with_parent() -> None:  # pragma: no cover - runs in the child
    """Linux: the child gets SIGKILL when the parent dies, so no encoder is left behind."""
    with contextlib.suppress(Exception):
        import ctypes

        ctypes.CDLL(None).prctl(1, signal.SIGKILL)
