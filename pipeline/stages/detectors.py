"""Lettering and faces: looked for in a process of its own that ends before encoding starts.

The networks take some hundred megabytes; a child process gives them all back.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import OutputError
from pipeline.media.programs import die_with_parent
from pipeline.model.field import FieldSpan
from pipeline.model.options import AnonymityOptions
from pipeline.model.recording import Recording
from pipeline.model.survey import Face, Lettering

# Not -m: that would import a folder named pipeline from wherever the user stands.
_START = (
    "import sys; sys.path.insert(0, sys.argv[1]); "
    "from pipeline.stages.detectors import child; child()"
)
Place = tuple[int, int, int, int] | tuple[int, int, int, int, float, float]
Found = tuple[list[Lettering], list[Face]]


def text_available() -> bool:
    """True if the package that finds lettering is installed."""
    return find_spec("rapidocr") is not None


def look(
    path: Path,
    recording: Recording,
    fields: Sequence[FieldSpan],
    outside: Sequence[tuple[float, float]],
    options: AnonymityOptions,
    *,
    samples_per_s: float,
    ignore: Sequence[Place] = (),
    stop_s: float | None = None,
) -> Found:
    """Lettering and faces of one file, on its own axis.

    outside: spans that may lie outside the body, where every sample is searched for
    faces. ignore: boxes of lettering that is meant to be there, with the span in
    which it is if not all the time. Raises OutputError
    when the child process dies, for example for lack of memory.
    """
    lettering = options.lettering and text_available()
    if not lettering and not options.faces:
        return [], []
    job = {
        "path": str(path),
        "recording": recording.to_json(),
        "fields": [f.model_dump() for f in fields],
        "outside": [list(o) for o in outside],
        "lettering": lettering,
        "faces": options.faces,
        "rate_hz": samples_per_s,
        "ignore": [list(b) for b in ignore],
        "stop_s": stop_s,
    }
    # Far more than any machine needs; a program that stands still must not hold up a night.
    limit_s = 900 + 60 * (stop_s or recording.duration_s)
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-c", _START, str(Path(__file__).resolve().parents[2])],
            input=json.dumps(job),
            capture_output=True,
            text=True,
            check=False,
            timeout=limit_s,
            preexec_fn=die_with_parent if os.name == "posix" else None,
        )
    except subprocess.TimeoutExpired:
        raise OutputError(
            "Looking for lettering and faces was stopped",
            f"no end after {limit_s:.0f} s",
            "run again on a machine with less to do",
        ) from None
    if done.returncode != 0 or not done.stdout:
        raise OutputError(
            "Looking for lettering and faces was stopped",
            f"code {done.returncode}",
            "free some memory and run again",
        )
    found = json.loads(done.stdout.splitlines()[-1])
    return (
        [Lettering.model_validate(x) for x in found["lettering"]],
        [Face.model_validate(x) for x in found["faces"]],
    )


def child() -> None:
    """Body of the child process: a job as JSON on standard input, boxes on standard output."""
    from pipeline.analysis.detect import detect

    job = json.load(sys.stdin)
    recording = Recording.model_validate_json(job["recording"])
    letters, faces = detect(
        _samples(Path(job["path"]), recording, job["outside"], job["rate_hz"]),
        [FieldSpan.model_validate(s) for s in job["fields"]],
        job["lettering"],
        job["faces"],
        1 / job["rate_hz"],
        job["stop_s"],
        [tuple(b) for b in job["ignore"]],
    )
    found = {
        "lettering": [x.model_dump() for x in letters],
        "faces": [x.model_dump() for x in faces],
    }
    sys.stdout.write("\n" + json.dumps(found) + "\n")


def _samples(
    path: Path, recording: Recording, outside: Sequence[tuple[float, float]], rate_hz: float
) -> Iterator[tuple[float, NDArray[np.uint8], bool]]:
    from pipeline.media.read import read_pictures, reduce_rgb

    next_s = 0.0
    sparse = recording.frame_rate_hz >= 20 and not recording.video.interlaced
    for picture in read_pictures(path, recording, skip_unreferenced=sparse, threads=1):
        if picture.time_s + 1e-6 < next_s:
            continue
        next_s = picture.time_s + 1 / rate_hz
        rgb = reduce_rgb(picture.frame, picture.frame.height, recording.video.matrix)
        out = any(a <= picture.time_s < b for a, b in outside)
        yield picture.time_s, rgb, out
