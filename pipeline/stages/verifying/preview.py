"""The preview beside a clip: pictures of the clip, coded once more, and nothing else."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.media.frame import Picture
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.tags import check_container
from pipeline.model.release import Check
from pipeline.model.time import Span
from pipeline.stages.verifying.result import make_check
from pipeline.stages.verifying.surround import Surround

TILE_PX = 16
# Means of tiles, levels, in the worst place of the worst picture: 1.0 to 4.1 in 51 previews of 17
# clips at CRF 18, 24 and 32; the picture after the right one 2.1 to 34.
UNLIKE_LIMIT = 5.0
TICK_S = 2e-3


def pictures_in(file: Path, span: Span) -> Iterator[Picture]:
    """The pictures of the clip whose time lies in `span`."""
    for picture in read_pictures(file, probe(file), start_s=span.start_s, stop_s=span.stop_s):
        if span.start_s - TICK_S <= picture.time_s < span.stop_s - TICK_S:
            yield picture


def preview_checks(
    path: Path, file: Path, span: Span, coarse: float, surround: Surround | None = None
) -> list[Check]:
    """A whole MP4 with pictures of that part of the clip in it, and nothing else.

    path: of the preview. file: of the clip. coarse: of the coding (`coding.coarseness`).
    surround: of the clip's plan, where there is one. Raises InputError for a file that cannot
    be read.
    """
    recording = probe(path)
    apart, unlike, first_s = 0, 0.0, None
    for mine, clip in itertools.zip_longest(
        read_pictures(path, recording), pictures_in(file, span)
    ):
        if mine is None or clip is None:
            apart += 1
            continue
        first_s = clip.time_s if first_s is None else first_s
        apart += abs(mine.time_s - (clip.time_s - first_s)) > TICK_S
        planes = zip(mine.planes(), clip.planes(), strict=True)
        unlike = max(unlike, *(_unlike(a, b) for a, b in planes))
        if surround is not None:
            surround.look(clip.time_s, mine.planes())
    limit, sounds = UNLIKE_LIMIT * coarse, len(recording.audio)
    return [
        *check_container(path),
        make_check("preview without sound", sounds, 0, "streams", sounds == 0),
        make_check("preview shows the clip's pictures", apart, 0, "others",
                   apart == 0 and first_s is not None),
        make_check("preview looks as the clip", unlike, limit, "levels in the worst place",
                   unlike <= limit),
        *(surround.checks() if surround is not None else []),
    ]  # fmt: skip


def _unlike(mine: NDArray[np.uint8], clip: NDArray[np.uint8]) -> float:
    """Of two planes (row, col): the difference of the means of the worst tile."""
    import cv2

    if mine.shape != clip.shape:
        return 255.0
    rows, cols = mine.shape
    size = max(1, cols // TILE_PX), max(1, rows // TILE_PX)
    small = [cv2.resize(p.astype(np.float32), size, interpolation=cv2.INTER_AREA)
             for p in (mine, clip)]  # fmt: skip
    return float(np.abs(small[0] - small[1]).max())
