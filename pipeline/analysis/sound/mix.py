"""Narration in front, procedure behind: the gain plan, the render and the measure of it.

`plan_mix` decides from power series (one value per 100 ms) and spans; `render_mix`
obeys; `ducking_depth` measures the two rendered tracks and trusts neither.

Depth: JAES 67(12) 2019 recommends 15 LU of voice over ambience; WCAG 2.x SC 1.4.7
asks 20 dB. Both are held per 400 ms window, so the gain follows the quiet syllables
where a steady difference is not enough, slowly, and never lifts the background.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.limiter import reachable
from pipeline.analysis.sound.loudness import (
    HOP_S,
    Loudness,
    PowerFold,
    integrated_lufs,
    lufs,
    power_of,
)
from pipeline.model.mix import Keyframe, MixExpectation, MixPlan
from pipeline.model.options import SoundOptions
from pipeline.model.time import Span, merge_spans

Samples = NDArray[np.float32]

ACTIVE_LU = 20.0
"""A window is narrated while it is within this of the narration's integrated loudness."""

_WINDOW = 4  # hops of one 400 ms window
MOST_RAISED_DB = 30.0
"""Most that procedure sound alone is raised."""
_GRID_S = 0.05  # grid on which gains are computed
_PER_HOP = round(HOP_S / _GRID_S)
_MARGIN_LU = 1.7  # for windows between hops, and for what the limiter and the codec do
_SKIPPED_RATIO = 0.005  # share of windows that the following gain may leave short
_LEAST_GAIN_DB = -70.0
_ANY_DB = 100.0  # no limit
_BURST_RATIO = 3.0  # level over the background's target is divided by this
_RIDE_DB = 3.0
_RIDE_SHARE = 0.6
# A mix that is mostly background pushes the voice over the profile's loudness; no further
# than this, since the limiter would be heard; rather the background comes nearer.
_NARRATION_OVER_LU = 6.0
_NARRATION_MOST_LUFS = -9.5
_CLOSEST_LU = 3.0


@dataclass(frozen=True)
class TrackLevels:
    """One track on the output's time axis.

    hop_power: (hop,) K-weighted mean power per 100 ms as it will be rendered: a mono
    track played by two channels counts twice. before_s, after_s: sounding time that
    falls outside the output and will not be heard. end_s: where the track ends.
    """

    hop_power: NDArray[np.float64]
    before_s: float = 0.0
    after_s: float = 0.0
    end_s: float | None = None

    @classmethod
    def of(
        cls,
        loudness: Loudness,
        duration_s: float,
        offset_s: float = 0.0,
        twice: bool = False,
    ) -> TrackLevels:
        """A measured track that starts at `offset_s` of the output (may be negative).

        twice: measured as one channel, rendered on two (+3 LU).
        """
        return cls.placed(loudness.hop_power, [(0.0, None, offset_s)], duration_s, twice)

    @classmethod
    def placed(
        cls,
        hop_power: NDArray[np.floating],
        pieces: Sequence[tuple[float, float | None, float]],
        duration_s: float,
        twice: bool = False,
    ) -> TrackLevels:
        """Pieces (start_s, stop_s or None for the end, at_s in the output) of one source."""
        hops = max(1, int(np.ceil(duration_s / HOP_S - 1e-9)))
        source = np.asarray(hop_power, dtype=np.float64) * (2.0 if twice else 1.0)
        total = np.concatenate([[0.0], np.cumsum(source)]) * HOP_S
        times = np.arange(total.size) * HOP_S
        edges = np.arange(hops + 1) * HOP_S
        out = np.zeros(hops)
        before = after = end = 0.0
        for start, stop, at in pieces:
            last = times[-1] if stop is None else min(stop, times[-1])
            inside = np.clip(edges - at + start, start, max(start, last))
            out += np.diff(np.interp(inside, times, total)) / HOP_S
            end = max(end, at + last - start)
            lead, rest = source[: int(max(0.0, -at) / HOP_S)], source[
                int(max(0.0, duration_s - at + start) / HOP_S) :
            ]
            before += _sounding_s(lead, source)
            after += _sounding_s(rest, source)
        return cls(np.maximum(out, 0.0), before, after, end)

    def joined(self, other: TrackLevels) -> TrackLevels:
        """Two parts of one track laid over one another, e.g. two recordings in order."""
        return TrackLevels(
            self.hop_power + other.hop_power,
            self.before_s + other.before_s,
            self.after_s + other.after_s,
            max(self.end_s or 0.0, other.end_s or 0.0),
        )

    def without(self, spans: Iterable[tuple[float, float]]) -> TrackLevels:
        """Levels after speech was replaced: inside spans the level of the sound around them."""
        from scipy.ndimage import median_filter

        inside = _mask(spans, self.hop_power.size)
        if not inside.any() or inside.all():
            return TrackLevels(
                np.where(inside, 0.0, self.hop_power), self.before_s, self.after_s, self.end_s
            )
        outside = np.flatnonzero(~inside)
        level = np.log10(self.hop_power[outside] + 1e-15)
        level = median_filter(level, min(21, level.size), mode="nearest")
        power = self.hop_power.copy()
        power[inside] = 10.0 ** np.interp(np.flatnonzero(inside), outside, level)
        return TrackLevels(power, self.before_s, self.after_s, self.end_s)


def _sounding_s(part: NDArray[np.float64], whole: NDArray[np.float64]) -> float:
    level = integrated_lufs(whole)
    if level is None or part.size == 0:
        return 0.0
    return float((part > power_of(level - ACTIVE_LU)).sum()) * HOP_S


def _mask(spans: Iterable[tuple[float, float]], hops: int) -> NDArray[np.bool_]:
    """Hops that a span touches."""
    out = np.zeros(hops, bool)
    for start, stop in spans:
        first = int(np.floor(max(0.0, start) / HOP_S + 1e-9))
        last = int(np.ceil(max(0.0, stop) / HOP_S - 1e-9))
        out[first:last] = True
    return out


def _spans_of(mask: NDArray[np.bool_]) -> list[Span]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [Span(a * HOP_S, b * HOP_S) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _windows(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean power of 400 ms windows, one per hop they start at, shape (hop,); ends padded."""
    padded = np.concatenate([power, np.zeros(_WINDOW - 1)])
    return np.asarray(
        np.lib.stride_tricks.sliding_window_view(padded, _WINDOW).mean(axis=1), dtype=np.float64
    )


def _db(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(lufs(np.maximum(power, 1e-15)), dtype=np.float64)


def raised_cosine(share: NDArray[np.floating]) -> NDArray[np.float64]:
    """0..1 to 0..1 with level ends."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(share, 0.0, 1.0)), dtype=np.float64)


def gain_at(keyframes: Sequence[Keyframe], time_s: NDArray[np.floating]) -> NDArray[np.float64]:
    """Gain in dB at times: raised cosine in dB between keyframes, constant outside them."""
    if not keyframes:
        return np.zeros(np.shape(time_s))
    at = np.asarray([k[0] for k in keyframes])
    level = np.asarray([k[1] for k in keyframes])
    if at.size == 1:
        return np.full(np.shape(time_s), level[0])
    index = np.clip(np.searchsorted(at, time_s, side="right") - 1, 0, at.size - 2)
    share = raised_cosine((time_s - at[index]) / np.maximum(at[index + 1] - at[index], 1e-9))
    return np.asarray(level[index] + share * (level[index + 1] - level[index]))


def _keyframes(grid_db: NDArray[np.float64], tolerance_db: float = 0.2) -> list[Keyframe]:
    """Few keyframes that stay within `tolerance_db` above and five times that below the grid."""
    count = grid_db.size
    if count == 0:
        return []
    kept = [0, count - 1] if count > 1 else [0]
    stack = [(0, count - 1)]
    while stack:
        a, b = stack.pop()
        if b - a < 2:
            continue
        share = raised_cosine(np.arange(b - a + 1) / (b - a))
        error = grid_db[a] + share * (grid_db[b] - grid_db[a]) - grid_db[a : b + 1]
        error = np.where(error > 0, error, -error / 5.0)
        worst = int(np.argmax(error))
        if error[worst] <= tolerance_db:
            continue
        # Long stretches are halved too, so that the work stays near n log n.
        kept.append(a + worst)
        stack += [(a, a + worst), (a + worst, b)]
    return [(round(k * _GRID_S, 6), round(float(grid_db[k]), 3)) for k in sorted(set(kept))]


def _lowered(grid_db: NDArray[np.float64], back: int, ahead: int) -> NDArray[np.float64]:
    """Running minimum from `back` points ago to `ahead` points on, smoothed inside that reach.

    The result is nowhere above the input.
    """
    from scipy.ndimage import correlate1d, minimum_filter1d

    size = back + ahead + 1
    origin = (ahead - back) // 2
    low = minimum_filter1d(grid_db, size + (size + 1) % 2, mode="nearest", origin=-origin)
    kernel = np.hanning(2 * min(back, ahead) + 3)[1:-1]
    return np.asarray(correlate1d(low, kernel / kernel.sum(), mode="nearest"), dtype=np.float64)


def plan_mix(
    narration: TrackLevels | None,
    procedure: TrackLevels,
    narration_spans: Sequence[tuple[float, float]],
    duration_s: float,
    sound: SoundOptions,
    loudness_lufs: float,
    true_peak_dbtp: float,
    trust_spans: bool = False,
) -> MixPlan:
    """Gains of both tracks over [0, duration_s).

    narration, procedure: levels on the output's axis (None or silent: no such track).
    narration_spans: where the narrator speaks, padded as `speech.narration_spans` does.
    trust_spans: True if a person has been over the spans; else a loud sound of a clean
    narration outside every span counts as narrated too.
    One static gain brings the mix to its loudness. The background is never raised beside
    that: its gain is at most the narration's static gain, so one that is quiet already
    keeps its balance to the voice, and under speech at most the gain it has between.
    """
    hops = max(1, int(np.ceil(duration_s / HOP_S - 1e-9)))
    background = _fit(procedure.hop_power, hops)
    voice = _fit(narration.hop_power, hops) if narration is not None else np.zeros(hops)
    voice_lufs, background_lufs = integrated_lufs(voice), integrated_lufs(background)
    plan = MixPlan(
        duration_s=duration_s,
        loudness_lufs=loudness_lufs,
        true_peak_dbtp=true_peak_dbtp,
        depth_lu=sound.ducking_depth_lu,
    )
    _warn(plan, narration, voice_lufs, background_lufs, duration_s)
    if voice_lufs is None:
        return _background_alone(plan, background, background_lufs)
    spans = merge_spans(
        (max(0.0, a), min(duration_s, b)) for a, b in narration_spans if b > 0 and a < duration_s
    )
    ride = _riding(voice, voice_lufs, spans, hops)
    ridden = voice * 10.0 ** (ride[_PER_HOP // 2 :: _PER_HOP][:hops] / 10.0)
    ridden_lufs = integrated_lufs(ridden)
    assert ridden_lufs is not None
    narrated = _narrated(ridden, ridden_lufs, spans, sound, trust_spans)
    sentences = [span.start_s for span in merge_spans(spans, 0.4)]
    plan.narrated = [(round(a, 3), round(min(b, duration_s), 3)) for a, b in narrated]
    gap = ~_mask(narrated, hops)
    if gap.sum() < 10:
        gap = np.ones(hops, bool)
    gap_lufs = integrated_lufs(background[gap])

    static, below, margin = loudness_lufs - ridden_lufs, sound.background_below_narration_lu, 0.0
    most = max(
        loudness_lufs + 3.0, min(loudness_lufs + _NARRATION_OVER_LU, _NARRATION_MOST_LUFS)
    ) - ridden_lufs
    curve = np.zeros(hops * _PER_HOP + 1)
    depth = _Depth(0, None, None, None)
    for _ in range(12):
        front = ridden * 10.0 ** (static / 10.0)
        front_lufs = ridden_lufs + static
        level_db, base = _between(background, gap, gap_lufs, front_lufs - below, static)
        if background_lufs is not None:
            curve = _ducked(
                base, front, front_lufs, background, narrated, sentences, sound,
                _MARGIN_LU + margin,
            )
        plan.background_static_db = round(level_db, 3)
        behind = background * _hop_gain(curve, hops)
        mixed = integrated_lufs(front + behind)
        depth = _expected_depth(front, front_lufs, behind, narrated, sound.ducking_depth_lu)
        short = depth.share is not None and depth.share < 0.97
        if short:
            margin = min(6.0, margin + 0.7)
        error = 0.0 if mixed is None else loudness_lufs - mixed
        if abs(error) < 0.01 and (not short or margin >= 6.0):
            break
        if static + error > most and static >= most - 1e-6 and below > _CLOSEST_LU:
            below = max(_CLOSEST_LU, below - max(0.3, error))
        static = min(most, static + error)
    front_lufs = ridden_lufs + static
    mixed = integrated_lufs(ridden * 10.0 ** (static / 10.0) + background * _hop_gain(curve, hops))
    plan.trim_db = round(0.0 if mixed is None else loudness_lufs - mixed, 3)
    plan.narration_static_db = round(static, 3)
    plan.narration_gain = _keyframes(ride + static, 0.05)
    if background_lufs is not None:
        plan.background_gain = _keyframes(curve)
    rest = integrated_lufs((background * _hop_gain(curve, hops))[gap])
    plan.expected = MixExpectation(
        integrated_lufs=_round(mixed),
        narration_lufs=_round(front_lufs),
        background_lufs=_round(rest),
        depth_share=_round(depth.share, 4),
        depth_p5_lu=_round(depth.p5),
        depth_min_lu=_round(depth.least),
    )
    if below < sound.background_below_narration_lu - 0.5:
        plan.warnings.append(
            f"the background lies {below:.1f} LU below the narration, not"
            f" {sound.background_below_narration_lu:g}: there is little narration, and it would"
            " have to be limited hard"
        )
    if abs(plan.trim_db) > 1.0:
        plan.warnings.append(
            f"the whole mix needs {plan.trim_db:+.1f} dB more to reach {loudness_lufs:g} LUFS"
        )
    if depth.share is not None and depth.share < 0.95:
        plan.warnings.append(
            f"only {100 * depth.share:.0f} % of the narrated windows will have "
            f"{sound.ducking_depth_lu:g} LU over the background"
        )
    return plan


def _round(value: float | None, digits: int = 2) -> float | None:
    return None if value is None else round(float(value), digits)


def _fit(power: NDArray[np.floating], hops: int) -> NDArray[np.float64]:
    power = np.asarray(power, dtype=np.float64)[:hops]
    return np.pad(power, (0, hops - power.size))


def _hop_gain(grid_db: NDArray[np.float64], hops: int) -> NDArray[np.float64]:
    """Power gain per hop, from the grid points inside it (the edges count half)."""
    gain = 10.0 ** (grid_db / 10.0)
    parts = (gain[:-1] + gain[1:]) / 2.0
    return np.asarray(parts[: hops * _PER_HOP].reshape(hops, _PER_HOP).mean(axis=1))


def _warn(
    plan: MixPlan,
    narration: TrackLevels | None,
    voice_lufs: float | None,
    background_lufs: float | None,
    duration_s: float,
) -> None:
    if narration is None:
        pass
    elif voice_lufs is None:
        plan.warnings.append("the narration holds no sound inside the picture")
    else:
        if narration.before_s > 0.2:
            plan.warnings.append(
                f"{narration.before_s:.1f} s of narration lie before the picture and are lost"
            )
        if narration.after_s > 0.2:
            plan.warnings.append(
                f"the narration is longer than the picture: {narration.after_s:.1f} s are lost"
            )
        if narration.end_s is not None and narration.end_s < duration_s - 1.0:
            plan.warnings.append(
                f"the narration ends at {narration.end_s:.1f} s of {duration_s:.1f} s"
            )
    if background_lufs is None:
        plan.warnings.append("the procedure sound is silent")


def aim(
    plan: MixPlan, mix: Callable[[], Iterable[NDArray[np.float32]]], channels: int
) -> tuple[float, float]:
    """(loudness in LUFS, highest static gain in dB) for the mix that `render_mix` gives.

    With a narration it is the profile's; procedure sound alone is brought as far as
    `limiter.reachable` says, and no further than MOST_RAISED_DB in all.
    """
    if plan.narrated:
        return plan.loudness_lufs, 40.0
    left_db = 0.0 if plan.background_static_db >= MOST_RAISED_DB else 40.0
    return reachable(mix, channels, plan.loudness_lufs, plan.true_peak_dbtp, most_db=left_db)


def _background_alone(
    plan: MixPlan, background: NDArray[np.float64], level_lufs: float | None
) -> MixPlan:
    """No narration: a static gain to the profile's loudness; bursts are held."""
    if level_lufs is None:
        return plan
    hops = background.size
    static = min(MOST_RAISED_DB, plan.loudness_lufs - level_lufs)
    curve = np.zeros(hops * _PER_HOP + 1)
    mixed: float | None = None
    for _ in range(6):
        curve = static + _burst_curve(background, static, plan.loudness_lufs + 3.0)
        mixed = integrated_lufs(background * _hop_gain(curve, hops))
        if mixed is None or abs(plan.loudness_lufs - mixed) < 0.01:
            break
        static = min(MOST_RAISED_DB, static + plan.loudness_lufs - mixed)
    plan.background_static_db = round(static, 3)
    plan.background_gain = _keyframes(curve)
    plan.expected = MixExpectation(integrated_lufs=_round(mixed), background_lufs=_round(mixed))
    if static >= MOST_RAISED_DB:
        plan.warnings.append(
            "the procedure sound is too quiet to be brought to the profile's loudness"
        )
    return plan


def _riding(
    voice: NDArray[np.float64], voice_lufs: float, spans: Sequence[Span], hops: int
) -> NDArray[np.float64]:
    """Gain per grid point that brings sentences a part of the way to the common loudness.

    It moves only in the pauses between sentences (0.5 s and longer).
    """
    grid = np.arange(hops * _PER_HOP + 1) * _GRID_S
    frames: list[Keyframe] = []
    for sentence in merge_spans(spans, 0.5):
        part = voice[_mask([sentence], hops)]
        level = integrated_lufs(part)
        offset = 0.0
        if level is not None and sentence.length_s >= 0.8:
            offset = float(np.clip((voice_lufs - level) * _RIDE_SHARE, -_RIDE_DB, _RIDE_DB))
        frames += [(sentence.start_s, offset), (sentence.stop_s, offset)]
    return gain_at(frames, grid)


def _narrated(
    voice: NDArray[np.float64],
    voice_lufs: float,
    spans: Sequence[Span],
    sound: SoundOptions,
    trust_spans: bool,
) -> list[Span]:
    """Spans to keep ducked: speech, the windows it sounds in, and pauses too short to rise in."""
    hops = voice.size
    spoken = _mask(spans, hops)
    active = _windows(voice) > power_of(voice_lufs - ACTIVE_LU)
    sounding = np.zeros(hops, bool)
    for shift in range(_WINDOW):
        sounding[shift:] |= active[: hops - shift]
    near = _mask([Span(a - 0.5, b + 0.5) for a, b in spans], hops)
    far = sounding & ~near
    if trust_spans or far.sum() > 0.2 * max(1, (~near).sum()):
        sounding &= near  # noise of the narrator's room, or a person's word
    rise = sound.duck_release_s + sound.duck_fall_s + sound.duck_lead_s
    return merge_spans(_spans_of(spoken | sounding), max(sound.duck_hold_s, rise))


def _burst_curve(
    background: NDArray[np.float64], static_db: float, target_lufs: float
) -> NDArray[np.float64]:
    """Gain <= 0 per grid point that divides what rises over the target by _BURST_RATIO.

    It is down 0.3 s before a burst and comes back within a second after it.
    """
    over = np.maximum(0.0, _db(_centred(background)) + static_db - target_lufs)
    needed = -over * (1.0 - 1.0 / _BURST_RATIO)
    return _lowered(np.repeat(needed, _PER_HOP), 12, 6)[
        np.minimum(np.arange(needed.size * _PER_HOP + 1), needed.size * _PER_HOP - 1)
    ]


def _centred(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Highest 400 ms mean among the windows that hold each hop."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(
        maximum_filter1d(_windows(power), _WINDOW, mode="constant", origin=_WINDOW // 2 - 1)
    )


def _between(
    background: NDArray[np.float64],
    gap: NDArray[np.bool_],
    gap_lufs: float | None,
    target_lufs: float,
    most_db: float,
) -> tuple[float, NDArray[np.float64]]:
    """Static gain (at most `most_db`) and gain per grid point while nobody narrates."""
    if gap_lufs is None:
        return 0.0, np.zeros(background.size * _PER_HOP + 1)
    static = min(most_db, target_lufs - gap_lufs)
    curve = static + _burst_curve(background, static, target_lufs)
    for _ in range(8):
        # Holding the bursts takes loudness away: give it back, up to the limit.
        held = integrated_lufs((background * _hop_gain(curve, background.size))[gap])
        if held is None or static >= most_db or abs(target_lufs - held) < 0.1:
            break
        static = min(most_db, static + target_lufs - held)
        curve = static + _burst_curve(background, static, target_lufs)
    return static, curve


def _ducked(
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
    grid = np.arange(base.size) * _GRID_S
    level = _db(_windows(voice))
    needed = level - sound.ducking_depth_lu - margin_lu - _db(_windows(background))
    inside = _mask(narrated, hops)
    active = (level > voice_lufs - ACTIVE_LU - 0.5) & inside
    limit_db = np.full(hops, np.inf)
    if active.any():
        least = np.quantile(needed[active], _SKIPPED_RATIO)
        for j in np.flatnonzero(active & (needed >= least)):
            limit_db[j : j + _WINDOW] = np.minimum(limit_db[j : j + _WINDOW], needed[j])
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
    down[:-1] = np.repeat(limit_db, _PER_HOP)
    down[-1] = down[-2]
    # A grid point on a hop's edge serves both hops.
    down[1:] = np.minimum(down[1:], np.concatenate([down[:-1]]))
    down = np.minimum(base, down)

    def points(start_s: float, stop_s: float) -> slice:
        """Grid points in [start_s, stop_s]."""
        first = int(np.ceil(max(0.0, start_s) / _GRID_S - 1e-6))
        return slice(first, max(first, int(np.floor(stop_s / _GRID_S + 1e-6)) + 1))

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
    held = _lowered(np.minimum(base, held), 6, 20)
    return np.asarray(base + share * (np.minimum(base, held) - base))


@dataclass(frozen=True)
class _Depth:
    windows: int
    share: float | None
    p5: float | None
    least: float | None


def _expected_depth(
    voice: NDArray[np.float64],
    voice_lufs: float,
    behind: NDArray[np.float64],
    narrated: Sequence[Span],
    depth_lu: float,
) -> _Depth:
    level = _db(_windows(voice))
    active = (level > voice_lufs - ACTIVE_LU) & _mask(narrated, voice.size)
    if not active.any():
        return _Depth(0, None, None, None)
    depth = (level - _db(_windows(behind)))[active]
    return _Depth(
        int(active.sum()),
        float((depth >= depth_lu).mean()),
        float(np.percentile(depth, 5)),
        float(depth.min()),
    )


# ---------------------------------------------------------------------------- render


def to_channels(block: Samples, channels: int) -> Samples:
    """The block with 1 or 2 channels.

    Mono is put on both (dual mono); more than two are folded down by ITU-R BS.775-4
    (centre and surrounds at -3 dB, no LFE), in ffmpeg's channel order.
    """
    have = block.shape[0]
    if have == channels:
        return block
    if have == 1:
        return np.repeat(block, channels, axis=0)
    half = np.float32(np.sqrt(0.5))
    left, right = block[0].copy(), block[1].copy()
    if have in (3, 5, 6, 7, 8):
        left += half * block[2]
        right += half * block[2]
    if have >= 4:
        first = {4: 2, 5: 3}.get(have, 4)
        for k in range(first, have):
            (left if (k - first) % 2 == 0 else right)[...] += half * block[k]
    stereo = np.stack([left, right])
    return stereo if channels == 2 else np.asarray(stereo.mean(axis=0, keepdims=True))


class GainRide:
    """Multiplies blocks in order by a gain of keyframes; the gain is linear within 1 ms."""

    def __init__(self, keyframes: Sequence[Keyframe], rate_hz: int = 48000) -> None:
        self._keyframes = list(keyframes)
        self._rate_hz = rate_hz
        self._step = rate_hz // 1000
        self._position = 0

    def step(self, block: Samples) -> Samples:
        count = block.shape[1]
        first = self._position // self._step
        last = (self._position + count) // self._step + 1
        points = np.arange(first, last + 1) * self._step
        gain_db = gain_at(self._keyframes, points / self._rate_hz)
        at = np.arange(self._position, self._position + count)
        self._position += count
        gain = 10.0 ** (gain_db / 20.0)
        if np.ptp(gain) == 0:
            return np.asarray(block * np.float32(gain[0]))
        curve = np.interp(at, points, gain)
        return np.asarray(block * curve.astype(np.float32))


class _Feed:
    """Hands out a stream in pieces of a wanted length, zeros after its end."""

    def __init__(self, blocks: Iterable[Samples] | None, channels: int) -> None:
        self._blocks = iter(blocks) if blocks is not None else iter(())
        self._channels = channels
        self._pieces: list[Samples] = []
        self._held = 0
        self.ended = False

    def take(self, count: int) -> Samples:
        while self._held < count and not self.ended:
            block = next(self._blocks, None)
            if block is None:
                self.ended = True
                break
            block = to_channels(np.asarray(block, dtype=np.float32), self._channels)
            self._pieces.append(block)
            self._held += block.shape[1]
        held = (
            np.concatenate(self._pieces, axis=1) if self._pieces
            else np.zeros((self._channels, 0), np.float32)
        )
        out, rest = held[:, :count], held[:, count:]
        self._pieces, self._held = [rest], rest.shape[1]
        if out.shape[1] < count:
            out = np.pad(out, ((0, 0), (0, count - out.shape[1])))
        return out


def render_tracks(
    procedure: Iterable[Samples] | None,
    narration: Iterable[Samples] | None,
    plan: MixPlan,
    channels: int = 2,
    rate_hz: int = 48000,
) -> Iterator[tuple[Samples, Samples]]:
    """(background, narration) blocks after their gains, each (channels, n).

    Both inputs start at output time 0 and may have any channel count and block sizes;
    what is missing is silence, what goes past plan.duration_s is dropped.
    """
    total = round(plan.duration_s * rate_hz)
    behind, front = _Feed(procedure, channels), _Feed(narration, channels)
    behind_gain = GainRide(plan.background_gain, rate_hz)
    front_gain = GainRide(plan.narration_gain, rate_hz)
    for start in range(0, total, rate_hz):
        count = min(rate_hz, total - start)
        yield behind_gain.step(behind.take(count)), front_gain.step(front.take(count))


def render_mix(
    procedure: Iterable[Samples] | None,
    narration: Iterable[Samples] | None,
    plan: MixPlan,
    channels: int = 2,
    rate_hz: int = 48000,
) -> Iterator[Samples]:
    """The mix before the limiter, blocks of one second (channels, n) float32."""
    for behind, front in render_tracks(procedure, narration, plan, channels, rate_hz):
        yield behind + front


# --------------------------------------------------------------------------- measure


SYLLABLE_S = 0.12
"""Of the first syllable; the shortest stressed ones last about this (common practice)."""


@dataclass(frozen=True)
class DuckingReport:
    """Depth of the narration over the background, measured on the two rendered tracks.

    windows: narrated 400 ms windows. share: of them at or above depth_lu. p5_lu,
    least_lu: of the depth. onset_lead_s, release_s: per narration, how long before its
    first sound the background had finished falling, and how long it took to come back;
    only with the background before its gain, and only where it was lowered.
    time_s, depth_lu_series: for the plot, (window,), NaN where not narrated.
    """

    windows: int
    share: float | None
    p5_lu: float | None
    least_lu: float | None
    background_gap_lufs: float | None
    onset_lead_s: list[float] = field(default_factory=list)
    release_s: list[float] = field(default_factory=list)
    time_s: NDArray[np.float32] = field(default_factory=lambda: np.zeros(0, np.float32), repr=False)
    depth_series_lu: NDArray[np.float32] = field(
        default_factory=lambda: np.zeros(0, np.float32), repr=False
    )


class DuckingFold:
    """Measures ducking depth while the two rendered tracks pass.

    hop_s: step of the windows. source: True if the background before its gain is given too.
    """

    def __init__(self, channels: int, rate_hz: int = 48000, hop_s: float = 0.02) -> None:
        self._folds = [PowerFold(channels, rate_hz, hop_s) for _ in range(3)]
        self._parts: list[list[NDArray[np.float32]]] = [[], [], []]
        self._hop_s = hop_s

    def step(self, narration: Samples, background: Samples, source: Samples | None = None) -> None:
        """Blocks of the same length (channel, n)."""
        for k, block in enumerate((narration, background, source)):
            if block is not None:
                self._parts[k].append(self._folds[k].step(block).astype(np.float32))

    def step_source(self, block: Samples) -> None:
        """A block (channel, n) of the background before its gain, where it comes by itself."""
        self._parts[2].append(self._folds[2].step(block).astype(np.float32))

    def finish(
        self,
        depth_lu: float = 15.0,
        spans: Sequence[tuple[float, float]] | None = None,
    ) -> DuckingReport:
        """spans: count only windows that lie in these (a noisy narration is 'active' always)."""
        front, behind, source = (
            np.concatenate(p).astype(np.float64) if p else np.zeros(0) for p in self._parts
        )
        return depth_report(front, behind, self._hop_s, depth_lu, spans, source)


def ducking_depth(
    narration: Iterable[Samples],
    background: Iterable[Samples],
    depth_lu: float = 15.0,
    spans: Sequence[tuple[float, float]] | None = None,
    source: Iterable[Samples] | None = None,
    rate_hz: int = 48000,
    channels: int = 2,
    hop_s: float = 0.02,
) -> DuckingReport:
    """Ducking depth of two rendered tracks (streams of blocks, any sizes).

    Definition: K-weighted level of narration over background in centred 400 ms windows
    in which the narration is within 20 dB of its own integrated loudness. See
    `DuckingFold` for spans and source.
    """
    fold = DuckingFold(channels, rate_hz, hop_s)
    feeds = [_Feed(narration, channels), _Feed(background, channels)]
    third = _Feed(source, channels) if source is not None else None
    while not all(f.ended for f in feeds):
        front, behind = (f.take(rate_hz) for f in feeds)
        fold.step(front, behind, third.take(rate_hz) if third is not None else None)
    return fold.finish(depth_lu, spans)


def depth_report(
    front: NDArray[np.float64],
    behind: NDArray[np.float64],
    hop_s: float,
    depth_lu: float,
    spans: Sequence[tuple[float, float]] | None = None,
    source: NDArray[np.float64] | None = None,
) -> DuckingReport:
    """The report from power series (hop,) of both tracks; see `DuckingFold`."""
    hops = min(front.size, behind.size)
    per_window = round(0.4 / hop_s)
    whole = round(HOP_S / hop_s)
    if hops < per_window:
        return DuckingReport(0, None, None, None, None)
    front, behind = front[:hops], behind[:hops]
    coarse = front[: hops // whole * whole].reshape(-1, whole).mean(axis=1)
    level = integrated_lufs(coarse)
    view = np.lib.stride_tricks.sliding_window_view
    voice = _db(view(front, per_window).mean(axis=1))
    rest = _db(view(behind, per_window).mean(axis=1))
    time_s = (np.arange(voice.size) * hop_s + 0.2).astype(np.float32)
    active = np.zeros(voice.size, bool) if level is None else voice > level - ACTIVE_LU
    if spans is not None:
        inside = np.zeros(voice.size, bool)
        for start, stop in spans:
            inside |= (time_s >= start) & (time_s < stop)
        active &= inside
    depth = (voice - rest).astype(np.float32)
    series = np.where(active, depth, np.nan).astype(np.float32)
    sounding = np.zeros(hops, bool)
    for k in np.flatnonzero(active):
        sounding[k : k + per_window] = True
    # The plateau between narrations: holds and ramps are neither up nor down.
    away = np.convolve(sounding, np.ones(2 * round(1.5 / hop_s) + 1), "same") < 0.5
    quiet = behind[away]
    quiet = quiet[: quiet.size // whole * whole].reshape(-1, whole).mean(axis=1)
    leads: list[float] = []
    releases: list[float] = []
    if source is not None and source.size >= hops and level is not None:
        leads, releases = _times(front, behind, source[:hops], hop_s, level, spans)
    if not active.any():
        return DuckingReport(0, None, None, None, integrated_lufs(quiet), leads, releases,
                             time_s, series)
    values = depth[active]
    return DuckingReport(
        int(active.sum()),
        float((values >= depth_lu).mean()),
        float(np.percentile(values, 5)),
        float(values.min()),
        integrated_lufs(quiet),
        leads,
        releases,
        time_s,
        series,
    )


def _times(
    front: NDArray[np.float64],
    behind: NDArray[np.float64],
    source: NDArray[np.float64],
    hop_s: float,
    level_lufs: float,
    spans: Sequence[tuple[float, float]] | None,
) -> tuple[list[float], list[float]]:
    """Onset leads and release times from the gain behind / source of each hop."""
    loud = np.flatnonzero(front > power_of(level_lufs - ACTIVE_LU))
    if loud.size == 0:
        return [], []
    voiced = merge_spans(((k * hop_s, (k + 1) * hop_s) for k in loud), 1.3)
    if spans is not None:
        voiced = [s for s in voiced if any(s.overlap(Span(a, b)) for a, b in spans)]
    known = source > power_of(-80.0)
    gain = np.full(source.size, np.nan)
    gain[known] = 10.0 * np.log10(np.maximum(behind[known], 1e-15) / source[known])
    leads, releases = [], []
    for number, span in enumerate(voiced):
        first, last = round(span.start_s / hop_s), round(span.stop_s / hop_s)
        start = max(0, first - round(3.0 / hop_s))
        around = gain[start : first + round(SYLLABLE_S / hop_s)]
        good = np.isfinite(around)
        if good.sum() > 5:
            # Fallen: within 1 dB of where it is in the first syllable, from then on. A fall
            # that goes on into the syllable gives a lead below 0.
            floor = float(np.median(around[good][-3:]))
            if np.nanmax(around) > floor + 2.0:
                above = start + int(np.flatnonzero(good & (around > floor + 1.0))[-1])
                leads.append((first - 1 - above) * hop_s)
        following = voiced[number + 1].start_s if number + 1 < len(voiced) else gain.size * hop_s
        after = gain[last : min(gain.size, last + round(min(4.0, following - span.stop_s) / hop_s))]
        good = np.isfinite(after)
        if good.sum() > 20:
            top = float(np.nanmax(after))
            if top > float(after[good][0]) + 2.0:
                releases.append(int(np.flatnonzero(good & (after > top - 1.0))[0]) * hop_s)
    return leads, releases
