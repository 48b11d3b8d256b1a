"""How loud each part of the sound is: levels on the clip's axis, and the mix planned from them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.mix import plan_mix
from pipeline.analysis.sound.track_levels import TrackLevels
from pipeline.model.decisions import Decision
from pipeline.model.options import Options, SoundOptions
from pipeline.model.plan import Piece, Redaction
from pipeline.model.time import Span, merge_spans
from pipeline.model.timeline import Timeline
from pipeline.stages.planning.given import NarrationInput, SourceInput

HOP_S = 0.1


def sound_channels(sources: Sequence[SourceInput], options: Options) -> int:
    widest = max((a.channels for s in sources for a in s.recording.audio[:1]), default=1)
    return 1 if widest == 1 and options.sound.mono == "mono" else 2


def sound_options(sound: SoundOptions, decisions: Sequence[Decision]) -> SoundOptions:
    for decision in decisions:
        if decision.verb == "mix":
            known = {k: v for k, v in decision.value.items() if k in SoundOptions.model_fields}
            sound = SoundOptions.model_validate(sound.model_dump() | known)
    return sound


def _hops(pieces: Sequence[Piece], duration_s: float, power_of: Any) -> NDArray[np.float64]:
    """Power per 100 ms on the axis of the clip, gathered piece by piece."""
    out = np.zeros(int(np.ceil(duration_s / HOP_S)))
    for piece in pieces:
        first = round(piece.out_start_s / HOP_S)
        count = round(piece.in_clip.stop_s / HOP_S) - first
        if count > 0:
            out[first : first + count] = power_of(piece, count)[: max(0, len(out) - first)]
    return out


def _take(power: NDArray[Any], start_s: float, count: int) -> NDArray[np.float64]:
    """`count` hops from `start_s` on; zero outside."""
    index = round(start_s / HOP_S) + np.arange(count)
    inside = (index >= 0) & (index < len(power))
    out = np.zeros(count)
    out[inside] = power[index[inside]]
    return out


def mix_of(
    sources: Sequence[SourceInput],
    pieces: Sequence[Piece],
    narration: NarrationInput | None,
    spans: list[Span],
    duration_s: float,
    sound: SoundOptions,
    options: Options,
    redactions: Sequence[Redaction],
    channels: int,
    live: bool,
    warnings: list[str],
) -> Any:
    background, voice = levels_of(
        sources, pieces, narration, duration_s, redactions, channels, live
    )
    if narration is not None:
        begins_s = narration.own_time(0.0)
        lost_s = sum(max(0.0, min(s.stop_s, begins_s) - s.start_s) for s in narration.spans)
        if lost_s > 0.05:
            warnings.append(f"{lost_s:.1f} s of narration lie before the start and are not heard")
    return plan_mix(
        voice,
        background,
        spans,
        duration_s,
        sound,
        options.output.loudness_lufs,
        options.output.true_peak_dbtp,
    )


def levels_of(
    sources: Sequence[SourceInput],
    pieces: Sequence[Piece],
    narration: NarrationInput | None,
    duration_s: float,
    redactions: Sequence[Redaction],
    channels: int,
    live: bool,
) -> tuple[TrackLevels, TrackLevels | None]:
    """Background and narration on the clip's axis before their gains, from what was measured.

    Where speech is replaced the background has the level of the sound around it.
    """
    timeline = Timeline(pieces=pieces)

    def procedure(piece: Piece, count: int) -> NDArray[np.float64]:
        power = sources[piece.source].series.get("sound_hop_power")
        if power is None or not piece.sound or sources[piece.source].still:
            return np.zeros(count)
        return _take(power, timeline.sound(piece).start_s, count)

    if live:
        rest = narration.rest_hop_power if narration is not None else None

        def room(piece: Piece, count: int) -> NDArray[np.float64]:
            if rest is None or not piece.sound or piece.kind == "card":
                return np.zeros(count)
            return _take(rest, piece.case_start_s, count) * (2.0 if channels == 2 else 1.0)

        background = TrackLevels(_hops(pieces, duration_s, room))
    else:
        background = TrackLevels(_hops(pieces, duration_s, procedure)).without(
            replaced_spans(pieces, redactions)
        )
    voice = None
    if narration is not None:
        heard = narration

        def narrated(piece: Piece, count: int) -> NDArray[np.float64]:
            if piece.kind == "card":
                return np.zeros(count)
            # A mono voice played by two channels counts twice (BS.1770-5, equation 2).
            power = _take(heard.hop_power, heard.own_time(piece.case_start_s), count)
            return power * (2.0 if channels == 2 else 1.0)

        voice = TrackLevels(_hops(pieces, duration_s, narrated))
    return background, voice


def replaced_spans(pieces: Sequence[Piece], redactions: Sequence[Redaction]) -> list[Span]:
    """Spans of the clip in which the procedure sound is replaced."""
    timeline = Timeline(pieces=pieces)
    return merge_spans(
        span
        for source in sorted({r.source for r in redactions})
        for span in timeline.clip_of_sound(
            source, [(r.start_s, r.stop_s) for r in redactions if r.of_sound and r.source == source]
        )
    )
