"""Render: obey a frozen plan. Writes temporary files only.

Pictures: decoded planes in, everything outside the field black, boxes filled,
the mark blended into the planes, H.264 out. Sound: the procedure with speech
replaced (the stem that verify listens to), narration, ducking, loudness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.limiter import AAC_MARGIN_DB
from pipeline.analysis.sound.mix import aim
from pipeline.media.stems import Stem
from pipeline.media.write import finish
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.rendering.given import NarrationMedia, SourceMedia
from pipeline.stages.rendering.loudness import loudness_of, to_loudness
from pipeline.stages.rendering.pictures import render_pictures
from pipeline.stages.rendering.sound import render_sound

CODED_TOLERANCE_LU = 0.06
CODING_TRIES = 6
CODED_MOST_DB = 0.5  # what coding took may be given back


@dataclass(frozen=True)
class Rendered:
    """What was made: files in the work folder and what was measured while making them."""

    path: Path
    stem: Stem | None
    narration: Stem | None
    mix: Stem | None
    visibility: list[tuple[float, float]] = field(default_factory=list)
    frames: int = 0
    limited: dict[str, float] = field(default_factory=dict)
    gain_db: float = 0.0
    damage: list[str] = field(default_factory=list)


def render(
    plan: Plan,
    media: Sequence[SourceMedia],
    narration: NarrationMedia | None,
    coverage: NDArray[np.float32],
    options: Options,
    work: Path,
    *,
    draft: bool = False,
    progress: Progress = no_progress,
) -> Rendered:
    """Make the clip in `work`. `draft`: half size, with DRAFT across it.

    Raises OutputError when the disk is full, InputError when a source changed.
    """
    pictures = work / "pictures.mkv"
    damage: list[str] = []
    visibility, frames = render_pictures(
        plan, media, coverage, options, pictures, draft=draft, damage=damage, progress=progress
    )
    sound = render_sound(plan, media, narration, options, work, progress=progress)
    target = work / "clip.mp4"
    margin_db = AAC_MARGIN_DB
    wanted_lufs, most_db = options.output.loudness_lufs, 40.0
    if sound.raw is not None and plan.mix is not None:
        wanted_lufs, most_db = aim(plan.mix, sound.raw.blocks, sound.raw.channels)
    gain_db: float | None = None
    tried = work / "tried.mp4"
    best = math.inf
    for _ in range(CODING_TRIES):
        if sound.raw is not None:
            sound.mix, sound.gain_db, sound.limited = to_loudness(
                sound.raw, wanted_lufs, most_db, options, work, gain_db, margin_db
            )
        finish(
            pictures,
            sound.mix.path if sound.mix else None,
            tried,
            matrix=plan.matrix,
            chapters=[(c.start_s, c.stop_s, c.title) for c in plan.chapters],
            audio_kbps=options.output.audio_kbps,
            sound_channels=plan.sound_channels,
            work=work,
        )
        over_db, short_lu = 0.0, 0.0
        if sound.raw is not None:
            measured = loudness_of(tried, plan.sound_channels)
            if measured.true_peak_dbtp is not None:
                over_db = max(0.0, measured.true_peak_dbtp - options.output.true_peak_dbtp)
            if measured.integrated_lufs is not None:
                short_lu = wanted_lufs - measured.integrated_lufs
        # Coding raises peaks, and changes the level of noise by up to a quarter of a
        # decibel, differently at each gain: keep the best of a few tries.
        error = abs(short_lu) + 100 * over_db
        if error < best:
            best = error
            tried.replace(target)
        if error <= CODED_TOLERANCE_LU:
            break
        margin_db += over_db + 0.1 if over_db else 0.0
        gain_db = min(sound.gain_db + 0.6 * short_lu, most_db + CODED_MOST_DB)
    if sound.raw is not None:
        sound.raw.path.unlink()
    pictures.unlink()
    return Rendered(
        path=target,
        stem=sound.procedure,
        narration=sound.narration,
        mix=sound.mix,
        visibility=visibility,
        frames=frames,
        limited=sound.limited,
        gain_db=sound.gain_db,
        damage=damage,
    )
