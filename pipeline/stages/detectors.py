"""Lettering and faces: looked for in a process of its own that ends before encoding starts.

The networks take some hundred megabytes; a child process gives them all back.
"""

from __future__ import annotations

import contextlib
import json
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.analysis.identity.detect import Shown, detect
from pipeline.errors import OutputError
from pipeline.media.frame import Picture, plane_view, reduce_rgb
from pipeline.media.pictures import read_pictures
from pipeline.media.programs import bound
from pipeline.media.write import planes_of
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
_HEAD = struct.Struct("<dII")  # time_s, rows and cols, before the planes of each sample


def text_available() -> bool:
    """True if the package that finds lettering is installed."""
    return find_spec("rapidocr") is not None and find_spec("onnxruntime") is not None


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
    spans: Sequence[tuple[float, float]] | None = None,
) -> Found:
    """Lettering and faces of one file, on its own axis.

    outside: spans that may lie outside the body, where every sample is searched for
    faces. ignore: boxes of lettering that is meant to be there, with the span in
    which it is if not all the time. spans: only these are read. Raises OutputError
    when the child process dies, for example for lack of memory.
    """
    if not wanted(options):
        return [], []
    job = _job(recording, fields, options, samples_per_s, ignore, stop_s)
    limit_s = _limit_s(stop_s or recording.duration_s)
    named = {
        "path": str(path),
        "late": False,
        "placed": [],
        "outside": [list(o) for o in outside],
        "spans": None if spans is None else [list(s) for s in spans],
    }
    child_ = _Child(job | named, limit_s)
    try:
        return child_.finish()
    finally:
        child_.stop()


def wanted(options: AnonymityOptions) -> bool:
    """True if anything is to be looked for, and can be."""
    return (options.lettering and text_available()) or options.faces


class Feed:
    """The same search over pictures that somebody else decodes: `step` them, then `finish`.

    recording: the file they are of. fields: None if they are known at the end only. late: the
    second search, of other pictures at another size. placed: lettering that was put into the
    picture, as `letter_placed.Place`. The rest as for `look`. Use it in a
    `with`, which ends the process whatever happens.
    """

    def __init__(
        self,
        recording: Recording,
        fields: Sequence[FieldSpan] | None,
        options: AnonymityOptions,
        *,
        samples_per_s: float,
        ignore: Sequence[Place] = (),
        stop_s: float | None = None,
        late: bool = True,
        placed: Sequence[Sequence[float]] = (),
    ) -> None:
        job = _job(recording, fields, options, samples_per_s, ignore, stop_s)
        self._child = _Child(
            job | {"path": None, "late": late, "placed": list(placed)},
            _limit_s(stop_s or recording.duration_s),
        )

    def __enter__(self) -> Feed:
        return self

    def __exit__(self, *_: object) -> None:
        self._child.stop()

    def step(self, picture: Picture) -> None:
        """A picture, times rising. Raises OutputError as `look` does."""
        planes = [np.ascontiguousarray(p) for p in picture.planes()]
        self._child.send(_HEAD.pack(picture.time_s, *planes[0].shape))
        for plane in planes:
            self._child.send(plane.data)

    def finish(
        self, fields: Sequence[FieldSpan] | None = None, stop_s: float | None = None
    ) -> Found:
        """What was found. fields, stop_s: if known only now. Raises OutputError as `look` does."""
        if fields is not None:
            last = {"fields": [f.model_dump() for f in fields], "stop_s": stop_s}
            data = json.dumps(last).encode()
            self._child.send(_HEAD.pack(0.0, 0, len(data)))
            self._child.send(data)
        return self._child.finish()


def _limit_s(length_s: float) -> float:
    """Far more than any machine needs; a program that stands still must not hold up a night."""
    return 900 + 60 * length_s


def _job(
    recording: Recording,
    fields: Sequence[FieldSpan] | None,
    options: AnonymityOptions,
    samples_per_s: float,
    ignore: Sequence[Place],
    stop_s: float | None,
) -> dict[str, Any]:
    return {
        "recording": recording.to_json(),
        "fields": None if fields is None else [f.model_dump() for f in fields],
        "lettering": options.lettering and text_available(),
        "faces": options.faces,
        "rate_hz": samples_per_s,
        "ignore": [list(b) for b in ignore],
        "stop_s": stop_s,
    }


class _Child:
    """The process that looks. What it says is kept in a file, so that it never waits for us."""

    def __init__(self, job: dict[str, Any], limit_s: float) -> None:
        self._limit_s, self._late = limit_s, False
        self._said = tempfile.TemporaryFile()  # noqa: SIM115
        self._process = subprocess.Popen(
            bound([sys.executable, "-P", "-c", _START, str(Path(__file__).resolve().parents[2])]),
            stdin=subprocess.PIPE,
            stdout=self._said,
            stderr=subprocess.DEVNULL,
        )
        self._timer = threading.Timer(limit_s, self._too_late)
        self._timer.daemon = True
        self._timer.start()
        self.send(json.dumps(job).encode() + b"\n")

    def _too_late(self) -> None:
        self._late = True
        self._process.kill()

    def send(self, data: Any) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(data)
        except BrokenPipeError:
            self._process.wait()
            raise self._stopped() from None

    def finish(self) -> Found:
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        self._process.wait()
        self._said.seek(0)
        lines = self._said.read().splitlines()
        if self._process.returncode != 0 or not lines:
            raise self._stopped()
        found = json.loads(lines[-1])
        return (
            [Lettering.model_validate(x) for x in found["lettering"]],
            [Face.model_validate(x) for x in found["faces"]],
        )

    def stop(self) -> None:
        """Ends it, finished or not."""
        self._timer.cancel()
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._said.close()
        if self._process.stdin is not None:
            with contextlib.suppress(BrokenPipeError):
                self._process.stdin.close()

    def _stopped(self) -> OutputError:
        what = "Looking for lettering and faces was stopped"
        if self._late:
            got = f"no end after {self._limit_s:.0f} s"
            return OutputError(what, got, "run again on a machine with less to do")
        return OutputError(
            what, f"code {self._process.returncode}", "free some memory and run again"
        )


def child() -> None:
    """Body of the child process: a job as a line of JSON on standard input, and the pictures
    after it where the job names no file; boxes on standard output."""
    job = json.loads(sys.stdin.buffer.readline())
    recording = Recording.model_validate_json(job["recording"])
    if job["path"] is None:
        pictures = _handed(recording.video.matrix, job)
    else:
        pictures = _decoded(Path(job["path"]), recording, job["outside"], job["spans"])

    def fields() -> list[FieldSpan] | None:
        given = job["fields"]
        return None if given is None else [FieldSpan.model_validate(s) for s in given]

    letters, faces = detect(
        pictures,
        fields(),
        job["lettering"],
        job["faces"],
        1 / job["rate_hz"],
        [tuple(b) for b in job["ignore"]],
        recording.video.matrix,
        job["late"],
        job["placed"],
        lambda: (job["stop_s"], fields()),
    )
    found = {
        "lettering": [x.model_dump() for x in letters],
        "faces": [x.model_dump() for x in faces],
    }
    sys.stdout.write("\n" + json.dumps(found) + "\n")


def _handed(matrix: str, job: dict[str, Any]) -> Iterator[Shown]:
    """Pictures that the parent decoded: head, then the planes of yuv420p. A head without rows
    is followed by what of the job was not known before."""
    import av

    stream = sys.stdin.buffer
    while head := stream.read(_HEAD.size):
        time_s, rows, cols = _HEAD.unpack(head)
        if not rows:
            job.update(json.loads(stream.read(cols)))
            return
        frame = av.VideoFrame(cols, rows, "yuv420p")
        for plane in planes_of(frame):
            data = np.frombuffer(stream.read(plane.size), np.uint8)
            plane[:] = data.reshape(plane.shape)
        yield _shown(time_s, frame, matrix, False)


def _decoded(
    path: Path,
    recording: Recording,
    outside: Sequence[tuple[float, float]],
    spans: Sequence[tuple[float, float]] | None,
) -> Iterator[Shown]:
    sparse = recording.frame_rate_hz >= 20 and not recording.video.interlaced
    for start_s, stop_s in [(0.0, float("inf"))] if spans is None else spans:
        for picture in read_pictures(
            path, recording, start_s=start_s, stop_s=stop_s, skip_unreferenced=sparse, threads=1
        ):
            out = any(a <= picture.time_s < b for a, b in outside)
            yield _shown(picture.time_s, picture.frame, recording.video.matrix, out)


def _shown(time_s: float, frame: Any, matrix: str, outside: bool) -> Shown:
    y, u, v = (plane_view(p) for p in frame.planes[:3])
    return Shown(time_s, (y, u, v), lambda: reduce_rgb(frame, frame.height, matrix), outside)
