"""How far the background goes down under the narration, and between its parts.

Decided from power series (one value per 100 ms) and spans; the gain falls before the first
syllable, follows quiet syllables slowly, and never lifts the background.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.gain import GRID_S, gain_at, raised_cosine, smoothed_down
from pipeline.analysis.sound.loudness import HOP_S, integrated_lufs, lufs, power_of
from pipeline.analysis.sound.track_levels import (
    ACTIVE_LU,
    WINDOW,
    level_db,
    span_mask,
    spans_of,
    window_power,
)
from pipeline.model.mix import Keyframe
from pipeline.model.options import SoundOptions
from pipeline.model.time import Span, merge_spans

PER_HOP = round(HOP_S / GRID_S)
_SKIPPED_RATIO = 0.005  # share of windows that the following gain may leave short
_LEAST_GAIN_DB = -70.0
_ANY_DB = 100.0  # no limit
_BURST_RATIO = 3.0  # level over the background's target is divided by this
_RIDE_DB = 3.0
_RIDE_SHARE = 0.6


def hop_gain(grid_db: NDArray[np.float64], hops: int) -> NDArray[np.float64]:
    """Power gain per hop, from the grid points inside it (the edges count half)."""
    gain = 10.0 ** (grid_db / 10.0)
    parts = (gain[:-1] + gain[1:]) / 2.0
    return np.asarray(parts[: hops * PER_HOP].reshape(hops, PER_HOP).mean(axis=1))


def riding(
    voice: NDArray[np.float64], voice_lufs: float, spans: Sequence[Span], hops: int
) -> NDArray[np.float64]:
    """Gain per grid point that brings sentences a part of the way to the common loudness.

    It moves only in the pauses between sentences (0.5 s and longer).
    """
    grid = np.arange(hops * PER_HOP + 1) * GRID_S
    frames: list[Keyframe] = []
    for sentence in merge_spans(spans, 0.5):
        part = voice[span_mask([sentence], hops)]
        level = integrated_lufs(part)
        offset = 0.0
        if level is not None and sentence.length_s >= 0.8:
            offset = float(np.clip((voice_lufs - level) * _RIDE_SHARE, -_RIDE_DB, _RIDE_DB))
        frames += [(sentence.start_s, offset), (sentence.stop_s, offset)]
    return gain_at(frames, grid)


def narrated_spans(
    voice: NDArray[np.float64],
    voice_lufs: float,
    spans: Sequence[Span],
    sound: SoundOptions,
    trust_spans: bool,
) -> list[Span]:
    """Spans to keep ducked: speech, the windows it sounds in, and pauses too short to rise in."""
    hops = voice.size
    spoken = span_mask(spans, hops)
    active = window_power(voice) > power_of(voice_lufs - ACTIVE_LU)
    sounding = np.zeros(hops, bool)
    for shift in range(WINDOW):
        sounding[shift:] |= active[: hops - shift]
    near = span_mask([Span(a - 0.5, b + 0.5) for a, b in spans], hops)
    far = sounding & ~near
    if trust_spans or far.sum() > 0.2 * max(1, (~near).sum()):
        sounding &= near  # noise of the narrator's room, or a person's word
    rise = sound.duck_release_s + sound.duck_fall_s + sound.duck_lead_s
    return merge_spans(spans_of(spoken | sounding), max(sound.duck_hold_s, rise))


def burst_curve(
    background: NDArray[np.float64], static_db: float, target_lufs: float
) -> NDArray[np.float64]:
    """Gain <= 0 per grid point that divides what rises over the target by _BURST_RATIO.

    It is down 0.3 s before a burst and comes back within a second after it.
    """
    over = np.maximum(0.0, level_db(_centred(background)) + static_db - target_lufs)
    needed = -over * (1.0 - 1.0 / _BURST_RATIO)
    return smoothed_down(np.repeat(needed, PER_HOP), 12, 6)[
        np.minimum(np.arange(needed.size * PER_HOP + 1), needed.size * PER_HOP - 1)
    ]


def _centred(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Highest 400 ms mean among the windows that hold each hop."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(
        maximum_filter1d(window_power(power), WINDOW, mode="constant", origin=WINDOW // 2 - 1)
    )


def between_narrations(
    background: NDArray[np.float64],
    gap: NDArray[np.bool_],
    gap_lufs: float | None,
    target_lufs: float,
    most_db: float,
) -> tuple[float, NDArray[np.float64]]:
    """Static gain (at most `most_db`) and gain per grid point while nobody narrates."""
    if gap_lufs is None:
        return 0.0, np.zeros(background.size * PER_HOP + 1)
    static = min(most_db, target_lufs - gap_lufs)
    curve = static + burst_curve(background, static, target_lufs)
    for _ in range(8):
        # Holding the bursts takes loudness away: give it back, up to the limit.
        held = integrated_lufs((background * hop_gain(curve, background.size))[gap])
        if held is None or static >= most_db or abs(target_lufs - held) < 0.1:
            break
        static = min(most_db, static + target_lufs - held)
        curve = static + burst_curve(background, static, target_lufs)
    return static, curve


def ducked_gain(
    base: NDArray[np.float64],
    voice: NDArray[np.float64],
    voice_lufs: float,
    background: NDArray[np.float64],
    narrated: Sequence[Span],
    sentences: Sequence[float],
    sound: SoundOptions,
    margin_lu: float,
) -> NDArray[np.float64]:
    """Gain per grid point with the background down under the narration."""
    hops = voice.size
    grid = np.arange(base.size) * GRID_S
    level = level_db(window_power(voice))
    needed = level - sound.ducking_depth_lu - margin_lu - level_db(window_power(background))
    inside = span_mask(narrated, hops)
    active = (level > voice_lufs - ACTIVE_LU - 0.5) & inside
    limit_db = np.full(hops, np.inf)
    if active.any():
        least = np.quantile(needed[active], _SKIPPED_RATIO)
        for j in np.flatnonzero(active & (needed >= least)):
            limit_db[j : j + WINDOW] = np.minimum(limit_db[j : j + WINDOW], needed[j])
    for span in narrated:
        first, last = round(span.start_s / HOP_S), round(span.stop_s / HOP_S)
        here = needed[first:last][active[first:last]]
        # The steady part; where nothing is active (an aside, a false alarm) the usual depth.
        steady = float(np.quantile(here, 0.1)) if here.size else float(
            voice_lufs - 8.0 - sound.ducking_depth_lu - lufs(background[first:last].mean() + 1e-15)
        )
        limit_db[first:last] = np.minimum(limit_db[first:last], steady)
    limit_db = np.clip(limit_db, _LEAST_GAIN_DB, _ANY_DB)
    down = np.full(base.size, _ANY_DB)
    down[:-1] = np.repeat(limit_db, PER_HOP)
    down[-1] = down[-2]
    # A grid point on a hop's edge serves both hops.
    down[1:] = np.minimum(down[1:], np.concatenate([down[:-1]]))
    down = np.minimum(base, down)

    def points(start_s: float, stop_s: float) -> slice:
        """Grid points in [start_s, stop_s]."""
        first = int(np.ceil(max(0.0, start_s) / GRID_S - 1e-6))
        return slice(first, max(first, int(np.floor(stop_s / GRID_S + 1e-6)) + 1))

    # No further fall near a first syllable: the 2 s after the start of a sentence, and the
    # lead before it, share their lowest gain.
    level_start = down.copy()
    for start in (*sentences, *(span.start_s for span in narrated)):
        low = down[points(start, start + 2.0)]
        if low.size:
            near = points(start - sound.duck_lead_s - 0.3, start + 2.0)
            level_start[near] = np.minimum(level_start[near], low.min())
    share = np.zeros(base.size)
    held = np.full(base.size, _ANY_DB)
    for number, span in enumerate(narrated):
        fall_end = span.start_s - sound.duck_lead_s
        near = points(fall_end - sound.duck_fall_s, span.stop_s + sound.duck_release_s)
        fall = raised_cosine((grid[near] - (fall_end - sound.duck_fall_s)) / sound.duck_fall_s)
        rise = 1.0 - raised_cosine((grid[near] - span.stop_s) / sound.duck_release_s)
        share[near] = np.maximum(share[near], np.minimum(fall, rise))
        # Outside a span its own edge value holds: the ramps lead to it.
        previous = narrated[number - 1].stop_s if number else -span.start_s
        following = narrated[number + 1].start_s if number + 1 < len(narrated) else grid[-1] * 2
        own = points(span.start_s, span.stop_s)
        values = level_start[own]
        if values.size:
            held[points((previous + span.start_s) / 2, span.start_s)] = values[0]
            held[points(span.stop_s, (span.stop_s + following) / 2)] = values[-6:].min()
            held[own] = values
    held = smoothed_down(np.minimum(base, held), 6, 20)
    return np.asarray(base + share * (np.minimum(base, held) - base))


@dataclass(frozen=True)
class ExpectedDepth:
    windows: int
    share: float | None
    p5: float | None
    least: float | None


def expected_depth(
    voice: NDArray[np.float64],
    voice_lufs: float,
    behind: NDArray[np.float64],
    narrated: Sequence[Span],
    depth_lu: float,
) -> ExpectedDepth:
    level = level_db(window_power(voice))
    active = (level > voice_lufs - ACTIVE_LU) & span_mask(narrated, voice.size)
    if not active.any():
        return ExpectedDepth(0, None, None, None)
    depth = (level - level_db(window_power(behind)))[active]
    return ExpectedDepth(
        int(active.sum()),
        float((depth >= depth_lu).mean()),
        float(np.percentile(depth, 5)),
        float(depth.min()),
    )
