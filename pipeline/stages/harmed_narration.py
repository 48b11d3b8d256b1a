"""Where a narration is damaged: it is silent there, and a person listens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.clicks import overwritten_folds
from pipeline.media.container import open_media
from pipeline.media.sound import RATE_HZ, narration_sound
from pipeline.model.survey import Survey
from pipeline.model.time import Span, merge_spans
from pipeline.model.timeline import Timeline

JOIN_S = 0.2
SHORT_S = 0.5  # of what its header promises, from which something is missing


def whole_sound(path: Path, harmed: list[Span]) -> Iterator[NDArray[np.float32]]:
    """Blocks of a narration file, (1, sample) at 48 kHz; `harmed` gets its damage at the end.

    Where it holds less than its header promises, what is missing is damage, and given as silence.
    """
    with closing(open_media(path)) as container:
        stream = container.streams.audio[0] if container.streams.audio else None
        codec = stream.codec_context.codec.name if stream is not None else ""
        promised_s = (
            float(stream.duration * stream.time_base)
            if stream is not None and stream.duration and stream.time_base
            else 0.0
        )
    silent = overwritten_folds(codec)
    noisy: list[tuple[float, float]] = []
    done = 0
    for block in narration_sound(path, noisy):
        for _, watch in silent:
            watch.step(block)
        done += block.shape[1]
        yield block
    noisy += [span for _, watch in silent for span in watch.finish()]
    end_s = done / RATE_HZ
    if promised_s - end_s > SHORT_S:
        # Behind damage nobody knows when the rest was said.
        noisy.append((min([end_s, *(start_s for start_s, _ in noisy[-1:])]), promised_s))
    harmed += merge_spans((Span(*s) for s in noisy), JOIN_S)


def damaged_in_case(axis: Timeline, surveys: Sequence[Survey]) -> list[Span]:
    """Damaged sound of the recordings, in case time: of a narration that lies in them."""
    return merge_spans(
        span
        for number, survey in enumerate(surveys)
        for damage in survey.damage
        if damage.what == "sound"
        for span in axis.case_of_source(number, (damage.start_s, damage.stop_s))
    )
