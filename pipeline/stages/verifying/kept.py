"""Verify a finished file by the plan that is kept of it, with its recordings or without.

The procedure's sound and the narration are not kept, so nothing is told about them here.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.media.guard import probe_apart
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.recording import Recording
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.verifying.container import stream_checks
from pipeline.stages.verifying.identity import identity_checks, search_of
from pipeline.stages.verifying.pictures import Onlooker, picture_checks
from pipeline.stages.verifying.result import Verified, Verifying
from pipeline.stages.verifying.sound import sound_checks
from pipeline.stages.verifying.throughout import Series


def verify_kept(
    path: Path,
    plan: Plan,
    media: Sequence[SourceMedia] | None,
    coverage: NDArray[np.float32],
    options: Options,
    *,
    silent: bool,
    wanted_lufs: float | None,
    series: Sequence[Series] | None = None,
    signed: bool = False,
    progress: Progress = no_progress,
) -> Verified:
    """media: None where the recordings are not here. silent: the file may have no sound.
    series: of each recording, as it was surveyed; None where that is not kept.

    wanted_lufs: the loudness that it was brought to. signed: it may hold a signature.
    Raises InputError if it cannot be read.
    """
    result = Verifying()
    recording = probe_apart(path)
    seen_checks(
        path,
        recording,
        plan,
        media,
        coverage,
        options,
        result,
        progress,
        series=series,
        signed=signed,
    )
    result.checks += sound_checks(
        path, recording, options, result, silent=silent, wanted_lufs=wanted_lufs
    )
    progress("verify", 1, 1)
    return result.done()


def seen_checks(
    path: Path,
    recording: Recording,
    plan: Plan,
    media: Sequence[SourceMedia] | None,
    coverage: NDArray[np.float32],
    options: Options,
    result: Verifying,
    progress: Progress,
    onlookers: Sequence[Onlooker] = (),
    series: Sequence[Series] | None = None,
    *,
    signed: bool = False,
) -> None:
    """Add to `result` all checks but those of the sound: streams, pictures, what identifies."""
    result.checks += stream_checks(path, recording, plan, signed=signed)
    with ExitStack() as stack:
        search = search_of(recording, plan, coverage, options)
        if search is not None:
            stack.enter_context(search)
            onlookers = [*onlookers, search.step]
        result.checks += picture_checks(path, recording, plan, media, coverage, options, result,
                                        onlookers, progress, series)  # fmt: skip
        if search is not None:
            result.checks += identity_checks(search, plan, options, result)
