"""Render: obey a frozen plan. Writes temporary files only.

Pictures: decoded planes in, everything outside the field black, boxes filled,
the mark blended into the planes, H.264 out. Sound: the procedure with speech
replaced (the stem that verify listens to), narration, ducking, loudness.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.mix import aim
from pipeline.media.captions import one_at_a_time
from pipeline.media.stems import Stem
from pipeline.media.write import finish
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.script import Cue
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.rendering.given import NarrationMedia, SourceMedia
from pipeline.stages.rendering.loudness import CodedSound, coded_to_loudness
from pipeline.stages.rendering.pictures import render_pictures
from pipeline.stages.rendering.sound import MadeSound, render_sound


@dataclass(frozen=True)
class Rendered:
    """What was made: files in the work folder and what was measured while making them."""

    path: Path
    stem: Stem | None
    narration: Stem | None
    mix: Stem | None
    visibility: tuple[tuple[float, float], ...] = ()
    frames: int = 0
    limited: Mapping[str, float] = field(default_factory=dict)
    gain_db: float = 0.0
    damage: tuple[str, ...] = ()


def render(
    plan: Plan,
    media: Sequence[SourceMedia],
    narration: NarrationMedia | None,
    coverage: NDArray[np.float32],
    options: Options,
    work: Path,
    *,
    draft: bool = False,
    sound: MadeSound | None = None,
    progress: Progress = no_progress,
) -> Rendered:
    """Make the clip in `work`. `draft`: half size, with DRAFT across it.

    sound: what `render_sound` made of this plan; it is made here if left out.
    Raises OutputError when the disk is full, InputError when a source changed.
    """
    sound = sound or render_sound(plan, media, narration, options, work, progress=progress)
    pictures = work / "pictures.mp4"
    damage: list[str] = []
    visibility, frames = render_pictures(
        plan, media, coverage, options, pictures, draft=draft, damage=damage, progress=progress
    )
    target = work / "clip.mp4"
    coded: CodedSound | None = None
    if sound.raw is not None and plan.mix is not None:
        wanted_lufs, most_db = aim(plan.mix, sound.raw.blocks, sound.raw.channels)
        coded = coded_to_loudness(sound.raw, wanted_lufs, most_db, options, work)
    finish(
        pictures,
        coded.path if coded else None,
        target,
        end_s=plan.duration_s,
        matrix=plan.matrix,
        chapters=[(c.start_s, c.stop_s, c.title) for c in plan.chapters],
        captions=_text_track(plan) if plan.text_track else (),
        work=work,
    )
    if sound.raw is not None:
        sound.raw.path.unlink()
    pictures.unlink()
    return Rendered(
        path=target,
        stem=sound.procedure,
        narration=sound.narration,
        mix=coded.mix if coded else None,
        visibility=tuple(visibility),
        frames=frames,
        limited=MappingProxyType(coded.limited if coded else {}),
        gain_db=coded.gain_db if coded else 0.0,
        damage=tuple(damage),
    )


def _text_track(plan: Plan) -> list[Cue]:
    return one_at_a_time([(c.start_s, c.stop_s, c.text) for c in plan.captions])
