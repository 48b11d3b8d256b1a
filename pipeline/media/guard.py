"""Limits for files that nobody has looked at yet.

The header and the first pictures of such a file are read in a process of its own, which
the system stops when it takes too much time or memory; a decoder that crashes takes that
process down and nothing else. Reading on is bounded by `pipeline.media.pictures`: size of a
picture, bytes read against the size of the file, length, and a decoder that stands still.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.errors import FieldstopError, InputError, OutputError
from pipeline.media.container import check_plain_file, file_sha256
from pipeline.media.labels import label, tell_label
from pipeline.media.packets import coded_packets
from pipeline.media.probe import probe
from pipeline.media.programs import bound
from pipeline.media.sound import read_sound
from pipeline.model.consent import KnownSource
from pipeline.model.recording import Recording

PROBE_CPU_S = 30
PROBE_WALL_S = 90.0
PROBE_MEMORY_BYTES = 3 << 30
PACKET_BYTES_PER_S = 20e6  # a slow disk; reading packets takes a tenth of that in processor time
# Not -m: that would import a folder named pipeline from wherever the user stands.
_START = (
    "import sys; sys.path.insert(0, sys.argv[1]); from pipeline.media.guard import child; child()"
)


def probe_apart(path: Path, *, sha256: str | None = None) -> Recording:
    """As `probe`, in a process of its own with limits of time and memory.

    Raises InputError also where the file makes its reader crash, run away or take too much.
    """
    answer = _apart({"kind": "recording", "sha256": sha256 or "-"}, path)
    recording = Recording.model_validate(answer["recording"])
    # Hashing a large file takes longer than the limits allow, and can do no harm.
    return recording.model_copy(update={"sha256": sha256 or file_sha256(path)})


_opened: set[tuple[int, ...]] = set()


def check_sound_apart(path: Path) -> None:
    """Raises InputError unless the sound of `path` opens within the limits.

    A file that did is not looked at again by this program while it stays as it is.
    """
    stamp: tuple[int, ...] = ()
    with contextlib.suppress(OSError):
        about = path.stat()
        stamp = (about.st_dev, about.st_ino, about.st_size, about.st_mtime_ns, about.st_ctime_ns)
    if stamp not in _opened:
        _apart({"kind": "sound"}, path)
        _opened.add(stamp)
    _opened.discard(())


def packets_apart(path: Path, sha256: str) -> KnownSource:
    """As `packets.coded_packets`, in a process of its own; the limits grow with the file.

    Raises InputError also where the file makes its reader crash or run away.
    """
    more_s = path.stat().st_size / PACKET_BYTES_PER_S
    job = {"kind": "packets", "sha256": sha256, "more_s": more_s}
    return KnownSource.model_validate(_apart(job, path)["source"])


def _apart(job: dict[str, Any], path: Path) -> dict[str, Any]:
    check_plain_file(path)
    job = {**job, "path": os.fspath(path), "label": label(path)}
    try:
        done = subprocess.run(
            bound([sys.executable, "-P", "-c", _START, str(Path(__file__).resolve().parents[2])]),
            input=json.dumps(job).encode(),
            capture_output=True,
            timeout=PROBE_WALL_S + 3 * job.get("more_s", 0.0),
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise _ran_away(path, f"more than {PROBE_WALL_S:.0f} s") from None
    except OSError as error:
        raise OutputError(
            "A file could not be looked at", error.strerror or "", "close programs and run again"
        ) from None
    if done.returncode != 0 or not done.stdout:
        stopped = -done.returncode
        name = signal.Signals(stopped).name if stopped in set(signal.Signals) else "no answer"
        raise _ran_away(path, name)
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    if "error" in answer:
        raise InputError(**answer["error"])
    return answer


def _ran_away(path: Path, why: str) -> InputError:
    return InputError(
        "Looking at a file was stopped: it crashes its reader, or takes too much time or memory",
        f"{label(path)}: {why}",
        "copy it again from the recorder, or convert it",
    )


def child() -> None:
    """Body of the child process: a job as JSON on standard input, the answer on standard output."""
    job = json.load(sys.stdin)
    limit_here(job.get("more_s", 0.0))
    answer = look(job)
    sys.stdout.write("\n" + json.dumps(answer) + "\n")
    sys.stdout.flush()
    os._exit(0)  # a broken file's decoder need not be taken down in order


def limit_here(more_s: float = 0.0) -> None:
    """Limits of this process: processor time, memory, no core file (POSIX systems only)."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        def lower(what: int, limit: int) -> None:
            _, most = resource.getrlimit(what)
            if most != resource.RLIM_INFINITY:
                limit = min(limit, most)
            resource.setrlimit(what, (limit, most))

        lower(resource.RLIMIT_CORE, 0)
        lower(resource.RLIMIT_CPU, PROBE_CPU_S + int(more_s))
        lower(resource.RLIMIT_AS, PROBE_MEMORY_BYTES)


def look(job: dict[str, Any]) -> dict[str, Any]:
    """Answer to a job: what was found, or the error. Never raises for a bad file."""
    path = Path(job["path"])
    tell_label(path, job.get("label", label(path)))
    kinds: dict[str, Callable[[], dict[str, Any]]] = {
        "recording": lambda: {"recording": json.loads(probe(path, sha256=job["sha256"]).to_json())},
        "sound": lambda: _sound(path),
        "packets": lambda: {"source": coded_packets(path, job["sha256"]).model_dump()},
    }
    try:
        return kinds[job["kind"]]()
    except FieldstopError as error:
        return {"error": error.as_dict()}
    except Exception as error:  # what a file can do to its reader has no end
        return {
            "error": {
                "what": "A file is not a recording that can be read",
                "got": f"{label(path)} ({type(error).__name__})",
                "do": "copy it again from the recorder, or convert it",
            }
        }


def _sound(path: Path) -> dict[str, Any]:

    for _ in read_sound(path, channels=1):
        break
    return {"sound": True}
