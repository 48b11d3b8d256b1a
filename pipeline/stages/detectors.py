"""Lettering and faces: looked for in a process of its own that ends before encoding starts.

The networks take some hundred megabytes; a child process gives them all back.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import OutputError
from pipeline.model.field import FieldSpan
from pipeline.model.options import AnonymityOptions
from pipeline.model.recording import Recording
from pipeline.model.survey import Face, Lettering

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
    ignore: Sequence[tuple[int, int, int, int]] = (),
    stop_s: float | None = None,
) -> Found:
    """Lettering and faces of one file, on its own axis.

    outside: spans that may lie outside the body, where every sample is searched for
    faces. ignore: boxes of lettering that is meant to be there. Raises OutputError
    when the child process dies, for example for lack of memory.
    """
    lettering = options.lettering and text_available()
    if not lettering and not options.faces:
        return [], []
    job = (
        str(path), recording.to_json(), [f.model_dump() for f in fields], list(outside), lettering,
        options.faces, samples_per_s, list(ignore), stop_s,
    )  # fmt: skip
    try:
        with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
            return pool.submit(_child, job).result()
    except BrokenProcessPool:
        raise OutputError(
            "Looking for lettering and faces was stopped by the machine", "", "free some memory"
        ) from None


def _child(job: tuple[Any, ...]) -> Found:
    from pipeline.analysis.detect import detect

    path, text, spans, outside, lettering, faces, rate_hz, ignore, stop_s = job
    recording = Recording.model_validate_json(text)
    fields = [FieldSpan.model_validate(s) for s in spans]
    return detect(
        _samples(Path(path), recording, outside, rate_hz),
        fields,
        lettering,
        faces,
        1 / rate_hz,
        stop_s,
        ignore,
    )


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
