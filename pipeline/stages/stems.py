"""The two tracks of a released clip as sound files: voice, and procedure as it was ducked.

They are made once more from the recordings by the plan that the clip was made by. Before they
are written they are held against the sound in the released file, as verify does: nothing is in
them that is not in the clip.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import LoudnessFold
from pipeline.analysis.sound.tracks import render_mix, render_tracks
from pipeline.errors import NeedsPerson, OutputError
from pipeline.media.sound import read_sound
from pipeline.media.stems import Stem
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.stages.rendering.sound import MadeSound
from pipeline.stages.verifying.mixed import MixedFold

RATE_HZ = 48_000
_FULL = 0.999


@dataclass(frozen=True)
class StemFiles:
    """Written files by what they hold, and by how much both were lowered to fit (dB)."""

    files: dict[str, Path]
    lowered_db: float


def write_ducked(
    clip: Path, plan: Plan, made: MadeSound, options: Options, work: Path, names: dict[str, Path]
) -> StemFiles:
    """Write the tracks of a clip as 24-bit WAV of 48 kHz; those that there are.

    clip: the released file. names: files for `procedure` and `voice`. Their sum is the sound of
    the clip before its limiter; where that is over full scale, both are lowered alike.
    Raises NeedsPerson where the tracks are not what is heard in the clip.
    """
    assert plan.mix is not None
    channels = plan.sound_channels
    _refuse_foreign(clip, plan, made, options, work)
    gain = _static_gain(clip, plan, made)
    there = {"procedure": made.procedure, "voice": made.narration}
    peak = max((float(np.abs(b * gain).max(initial=0)) for pair in _tracks(plan, made)
                for b in pair), default=0.0)  # fmt: skip
    lowered = min(1.0, _FULL / peak) if peak else 1.0
    for number, what in enumerate(("procedure", "voice")):
        if there[what] is None:
            continue
        with soundfile.SoundFile(
            names[what], "w", RATE_HZ, channels, "PCM_24", format="WAV"
        ) as out:
            for pair in _tracks(plan, made):
                out.write(np.ascontiguousarray((pair[number] * gain * lowered).T))
    files = {w: names[w] for w in there if there[w] is not None}
    return StemFiles(files, float(round(20 * np.log10(lowered), 2)))


def _tracks(
    plan: Plan, made: MadeSound
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.float32]]]:
    assert plan.mix is not None
    return render_tracks(_blocks(made.procedure), _blocks(made.narration), plan.mix,
                         channels=plan.sound_channels)  # fmt: skip


def _blocks(stem: Stem | None) -> Iterator[NDArray[np.float32]] | None:
    return stem.blocks() if stem is not None else None


def _static_gain(clip: Path, plan: Plan, made: MadeSound) -> float:
    """What the whole clip was raised by: from the loudness of the file and of the mix."""
    assert plan.mix is not None
    heard, mixed = LoudnessFold(plan.sound_channels), LoudnessFold(plan.sound_channels)
    for block in read_sound(clip, channels=plan.sound_channels):
        heard.step(block)
    for block in render_mix(_blocks(made.procedure), _blocks(made.narration), plan.mix,
                            channels=plan.sound_channels):  # fmt: skip
        mixed.step(block)
    one, two = heard.finish().integrated_lufs, mixed.finish().integrated_lufs
    return 1.0 if one is None or two is None else float(10 ** ((one - two) / 20))


def _refuse_foreign(clip: Path, plan: Plan, made: MadeSound, options: Options, work: Path) -> None:
    fold = MixedFold(plan, made.procedure, made.narration, plan.sound_channels,
                     options.output.audio_kbps, work)  # fmt: skip
    for block in read_sound(clip, channels=plan.sound_channels):
        fold.step(block)
    failed = [c for c in fold.finish() if not c.passed]
    if failed:
        row = failed[0]
        replaced = any(r.of_sound for r in plan.redactions)
        raise NeedsPerson(
            "The tracks made again are not what is heard in the clip",
            f"{row.check}: {row.measured} {row.unit}",
            ("another version of Fieldstop put another noise in the place of speech, or a file "
             "was changed since: " if replaced else "")
            + "make and release the clip again, then ask for the timeline of that revision",
            code="check",
        )  # fmt: skip


def check_written(path: Path, length_s: float) -> float:
    """Length of a written track in seconds. Raises OutputError if it is not as it should be."""
    found = soundfile.info(str(path))
    seconds = found.frames / found.samplerate
    if abs(seconds - length_s) > 0.01:
        raise OutputError("A track was not written whole", f"{seconds:.2f} s", "run it again")
    return float(seconds)
