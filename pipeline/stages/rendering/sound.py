"""The sound of a clip: the redacted procedure, the narration, and both mixed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.redact import replace_speech
from pipeline.analysis.sound.tracks import render_mix
from pipeline.analysis.sound.voice_cut import faded
from pipeline.media.sound import read_sound, without_channel
from pipeline.media.stems import Stem, write_stem
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan, PlannedSource
from pipeline.model.time import Span
from pipeline.model.timeline import Timeline
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.rendering.given import NarrationMedia, SourceMedia

RATE_HZ = 48_000
EDGE_S = 0.01


@dataclass(frozen=True)
class MadeSound:
    procedure: Stem | None
    narration: Stem | None
    raw: Stem | None


def render_sound(
    plan: Plan,
    media: Sequence[SourceMedia],
    narration: NarrationMedia | None,
    options: Options,
    work: Path,
    *,
    progress: Progress = no_progress,
) -> MadeSound:
    """Make the redacted procedure stem, the narration stem and the mix, on the clip's axis."""
    length = round(plan.duration_s * RATE_HZ)
    if plan.live:
        # One microphone: what is left beside the voice is the room, speech included.
        rest = narration.rest if narration is not None else None
        procedure = on_clip_axis(plan, rest, 0.0, work / "procedure.f32", length) if rest else None
    else:
        procedure = procedure_stem(plan, media, work, length)
    voice = None
    if narration is not None:
        voice = on_clip_axis(
            plan, narration.voice, narration.offset_s, work / "narration.f32", length,
            plan.voice_heard,
        )  # fmt: skip
    if plan.mix is None or (procedure is None and voice is None):
        return MadeSound(procedure, voice, None)
    progress("mix", 0, 1)
    raw = write_stem(
        work / "mix.f32",
        plan.sound_channels,
        mixed(plan, procedure, voice),
        length,
    )
    progress("mix", 1, 1)
    return MadeSound(procedure, voice, raw)


def mixed(plan: Plan, procedure: Stem | None, voice: Stem | None) -> Iterator[NDArray[np.float32]]:
    assert plan.mix is not None
    return render_mix(
        procedure.blocks() if procedure else None,
        voice.blocks() if voice else None,
        plan.mix,
        channels=plan.sound_channels,
    )


def procedure_stem(
    plan: Plan, media: Sequence[SourceMedia], work: Path, length: int
) -> Stem | None:
    """The procedure sound of the clip with speech replaced, before any ducking."""
    used = {p.source for p in plan.pieces}
    redacted: dict[int, Stem] = {}
    for number in sorted(used):
        source = plan.sources[number]
        if source.has_sound:
            redacted[number] = _redacted_source(plan, media[number], source, work)
    if not redacted:
        return None
    stem = write_stem(work / "procedure.f32", 2, _procedure_blocks(plan, redacted), length)
    for part in redacted.values():
        part.path.unlink(missing_ok=True)
    return stem


def _redacted_source(plan: Plan, media: SourceMedia, source: PlannedSource, work: Path) -> Stem:
    length = round(source.duration_s * RATE_HZ)
    raw = write_stem(
        work / f"source{source.number}.f32",
        2,
        procedure_sound(media, plan),
        length,
    )
    spans = [
        Span(r.start_s, r.stop_s)
        for r in plan.redactions
        if r.of_sound and r.source == source.number
    ]
    if not spans:
        return raw
    seed = int(source.sha256[:8], 16)
    made = write_stem(
        work / f"redacted{source.number}.f32",
        2,
        replace_speech(lambda a, b: raw.read(a, b - a), length, spans, seed, RATE_HZ),
        length,
    )
    raw.path.unlink()
    return made


def procedure_sound(media: SourceMedia, plan: Plan) -> Iterator[NDArray[np.float32]]:
    """The room's sound of one source, stereo, without the channel that holds the narration."""
    channel, recording = plan.narration_channel, media.recording
    if channel is None:
        yield from read_sound(media.path, origin_s=recording.video.start_s, jumps=recording.jumps)
        return
    yield from without_channel(media.path, recording.video.start_s, channel, recording.jumps)


def _procedure_blocks(plan: Plan, stems: dict[int, Stem]) -> Iterator[NDArray[np.float32]]:
    timeline = Timeline(pieces=plan.pieces)

    def read(piece: Piece, start: int, count: int) -> NDArray[np.float32]:
        if piece.source not in stems or not piece.sound:
            return np.zeros((2, count), np.float32)
        first = round(timeline.sound(piece).start_s * RATE_HZ)
        return stems[piece.source].read(first + start, count)

    yield from _gathered(plan, 2, read)


def _gathered(
    plan: Plan, channels: int, read: Callable[[Piece, int, int], NDArray[np.float32]]
) -> Iterator[NDArray[np.float32]]:
    """Sound of the pieces one after the other; short fades where they do not join."""
    edge = round(EDGE_S * RATE_HZ)
    ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)).astype(np.float32)
    timeline = Timeline(pieces=plan.pieces)
    joins = [False, *(_sound_joins(a, b, plan, timeline) for a, b in pairwise(plan.pieces)), False]
    for number, piece in enumerate(plan.pieces):
        first = round(piece.in_clip.start_s * RATE_HZ)
        total = round(piece.in_clip.stop_s * RATE_HZ) - first
        at = 0
        while at < total:
            count = min(RATE_HZ, total - at)
            block = read(piece, at, count)
            if not joins[number] and at < edge:
                size = min(edge - at, count)
                block[:, :size] *= ramp[at : at + size]
            if not joins[number + 1] and at + count > total - edge:
                index = np.arange(max(0, total - edge - at), count)
                block[:, index] *= ramp[np.clip(total - 1 - (at + index), 0, edge - 1)]
            yield block
            at += count


def _sound_joins(a: Piece, b: Piece, plan: Plan, timeline: Timeline) -> bool:
    if a.source != b.source or a.sound != b.sound:
        # Parts of a split recording are joined without a gap.
        one, two = plan.sources[a.source], plan.sources[b.source]
        return (
            one.recording == two.recording
            and a.kind == b.kind == "play"
            and a.start_s + a.length_s >= one.duration_s - 0.05
            and b.start_s <= 0.05
        )
    return abs(timeline.sound(a).stop_s - timeline.sound(b).start_s) < 2e-3


def on_clip_axis(
    plan: Plan, stem: Stem, offset_s: float, target: Path, length: int,
    heard: tuple[float, float] | None = None,
) -> Stem:  # fmt: skip
    """A mono stem in case time (starting at `offset_s`) moved to the clip's axis.

    What an edit cuts out of case time is cut here too. heard: the part of clip time outside
    which it is silent.
    """
    shift = round(offset_s * RATE_HZ)

    def blocks() -> Iterator[NDArray[np.float32]]:
        for piece in plan.pieces:
            first = round(piece.in_clip.start_s * RATE_HZ)
            total = round(piece.in_clip.stop_s * RATE_HZ) - first
            start = round(piece.case_start_s * RATE_HZ) - shift
            for at in range(0, total, RATE_HZ):
                count = min(RATE_HZ, total - at)
                if piece.kind == "card":  # it has no case time
                    yield np.zeros((stem.channels, count), np.float32)
                    continue
                block = stem.read(start + at, count)
                yield (
                    block if heard is None else faded(block, (first + at) / RATE_HZ, RATE_HZ, heard)
                )

    return write_stem(target, stem.channels, blocks(), length)
