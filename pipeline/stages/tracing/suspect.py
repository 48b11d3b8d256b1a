"""A suspect clip as it is looked at: small pictures four times a second, and its field."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.track import FieldFold
from pipeline.analysis.trace.lines import SAMPLE_S, WINDOW_S
from pipeline.errors import InputError
from pipeline.media.frame import reduce_rgb
from pipeline.media.guard import probe_apart
from pipeline.media.labels import label
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.model.field import FieldSpan
from pipeline.model.recording import Recording
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.tracing.prints import small_luma

ROWS_PX = 288
MOST_S = 1200.0  # of a suspect; of a longer one parts spread over it
LEAST_S = 4.0


@dataclass(frozen=True)
class Suspect:
    """time_s (n) and small pictures (n of (row, col) luma); fields on the suspect's own pixels."""

    path: Path
    recording: Recording
    time_s: NDArray[np.float64]
    pictures: list[NDArray[np.uint8]]
    fields: list[FieldSpan]
    notes: tuple[str, ...] = ()

    @property
    def scale(self) -> float:
        """Pixels of a small picture in one of the suspect."""
        return float(self.pictures[0].shape[0] / self.recording.height_px)


def read_suspect(path: Path, progress: Progress = no_progress) -> Suspect:
    """Raises InputError for what cannot be looked at: no video, a still, too short."""
    recording = probe_apart(path)
    fold = FieldFold(recording.width_px, recording.height_px)
    times: list[float] = []
    pictures: list[NDArray[np.uint8]] = []
    long = recording.duration_s > MOST_S
    every_s = recording.duration_s * WINDOW_S / MOST_S if long else 0.0
    next_s = field_s = 0.0
    shown = 0
    for picture in prefetched(read_pictures(path, recording)):
        shown += 1
        if picture.time_s + 1e-4 < next_s or (long and picture.time_s % every_s > WINDOW_S + 1):
            continue
        next_s = (int((picture.time_s + 1e-4) / SAMPLE_S) + 1) * SAMPLE_S
        times.append(picture.time_s)
        pictures.append(small_luma(picture, ROWS_PX))
        if picture.time_s + 1e-4 >= field_s:
            field_s = picture.time_s + 1 / fold.SAMPLE_RATE_HZ
            small = reduce_rgb(picture.frame, fold.SAMPLE_MAX_ROWS_PX, recording.video.matrix)
            fold.step(picture.time_s, small)
        progress("look", picture.time_s, recording.duration_s)
    if shown < 2:
        raise InputError(
            "A still picture cannot be traced", label(path), "give the clip that was published"
        )
    if times[-1] - times[0] < LEAST_S:
        raise InputError(
            "The clip is too short to be told from others",
            f"{times[-1] - times[0] + SAMPLE_S:.1f} s",
            f"give at least {LEAST_S + SAMPLE_S:g} s, better {WINDOW_S:.0f} s and more",
        )
    notes: tuple[str, ...] = ()
    if long:
        notes = (
            f"the clip is long: parts of {WINDOW_S:.0f} s every {every_s:.0f} s were looked at",
        )
    return Suspect(path, recording, np.array(times), pictures, fold.finish(times[-1] + 0.04), notes)
