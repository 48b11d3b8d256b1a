"""Verify: measure the finished file, and trust nothing the renderer said.

The file is decoded from start to end; the surround, the mark and the picture are compared
with the plan and its sources. `alone` checks a file that has neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.media.probe import probe
from pipeline.media.stems import Stem
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.verifying.kept import seen_checks
from pipeline.stages.verifying.mixed import MixedFold
from pipeline.stages.verifying.pictures import Onlooker
from pipeline.stages.verifying.result import Verified, Verifying
from pipeline.stages.verifying.sound import (
    aimed_lufs,
    ducking_checks,
    live_checks,
    sound_checks,
    stem_checks,
)
from pipeline.stages.verifying.throughout import Series


def verify_release(
    path: Path,
    plan: Plan,
    media: Sequence[SourceMedia],
    coverage: NDArray[np.float32],
    options: Options,
    *,
    stem: Stem | None,
    narration: Stem | None,
    voice_consent: bool,
    series: Sequence[Series] | None = None,
    progress: Progress = no_progress,
    onlookers: Sequence[Onlooker] = (),
) -> Verified:
    """All checks of a release: against its plan, its sources and the redacted stem.

    series: of each source, as it was surveyed: what is not compared with it is held against that.
    onlookers: are handed every picture that is decoded, for another purpose than to check it.
    """
    result = Verifying()
    recording = probe(path)
    seen_checks(path, recording, plan, media, coverage, options, result, progress, onlookers,
                series)  # fmt: skip
    wanted_lufs = aimed_lufs(plan, stem, narration, options)
    heard = stem is not None or narration is not None
    mixed = None
    if plan.mix is not None and heard and recording.audio:
        mixed = MixedFold(
            plan,
            stem,
            narration,
            min(2, recording.audio[0].channels),
            options.output.audio_kbps,
            path.parent,
        )
    result.checks += sound_checks(
        path, recording, options, result, silent=plan.mix is None or not heard,
        wanted_lufs=wanted_lufs, mixed=mixed,
    )  # fmt: skip
    result.checks += stem_checks(stem, plan, voice_consent, result)
    result.checks += live_checks(narration, plan, voice_consent)
    result.checks += ducking_checks(stem, narration, plan, options, result)
    progress("verify", 1, 1)
    return result.done()
