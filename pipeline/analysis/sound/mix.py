"""Narration in front, procedure behind: the gains of both tracks, decided from their levels.

Depth: JAES 67(12) 2019 recommends 15 LU of voice over ambience; WCAG 2.x SC 1.4.7
asks 20 dB. Both are held per 400 ms window, so the gain follows the quiet syllables
where a steady difference is not enough, slowly, and never lifts the background.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.ducking import (
    PER_HOP,
    ExpectedDepth,
    between_narrations,
    burst_curve,
    ducked_gain,
    expected_depth,
    hop_gain,
    narrated_spans,
    riding,
)
from pipeline.analysis.sound.gain import keyframes_of
from pipeline.analysis.sound.limiter import reachable
from pipeline.analysis.sound.loudness import HOP_S, integrated_lufs
from pipeline.analysis.sound.track_levels import TrackLevels, span_mask
from pipeline.model.mix import MixExpectation, MixPlan
from pipeline.model.options import SoundOptions
from pipeline.model.time import merge_spans

MOST_RAISED_DB = 30.0
"""Most that procedure sound alone is raised."""
_MARGIN_LU = 1.7  # for windows between hops, and for what the limiter and the codec do
# A mix that is mostly background pushes the voice over the profile's loudness; no further
# than this, since the limiter would be heard; rather the background comes nearer.
_NARRATION_OVER_LU = 6.0
_NARRATION_MOST_LUFS = -9.5
_CLOSEST_LU = 3.0


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
    ride = riding(voice, voice_lufs, spans, hops)
    ridden = voice * 10.0 ** (ride[PER_HOP // 2 :: PER_HOP][:hops] / 10.0)
    ridden_lufs = integrated_lufs(ridden)
    assert ridden_lufs is not None
    narrated = narrated_spans(ridden, ridden_lufs, spans, sound, trust_spans)
    sentences = [span.start_s for span in merge_spans(spans, 0.4)]
    plan.narrated = [(round(a, 3), round(min(b, duration_s), 3)) for a, b in narrated]
    gap = ~span_mask(narrated, hops)
    if gap.sum() < 10:
        gap = np.ones(hops, bool)
    gap_lufs = integrated_lufs(background[gap])

    static, below, margin = loudness_lufs - ridden_lufs, sound.background_below_narration_lu, 0.0
    most = max(
        loudness_lufs + 3.0, min(loudness_lufs + _NARRATION_OVER_LU, _NARRATION_MOST_LUFS)
    ) - ridden_lufs
    curve = np.zeros(hops * PER_HOP + 1)
    depth = ExpectedDepth(0, None, None, None)
    for _ in range(12):
        front = ridden * 10.0 ** (static / 10.0)
        front_lufs = ridden_lufs + static
        level_db, base = between_narrations(background, gap, gap_lufs, front_lufs - below, static)
        if background_lufs is not None:
            curve = ducked_gain(
                base, front, front_lufs, background, narrated, sentences, sound,
                _MARGIN_LU + margin,
            )
        plan.background_static_db = round(level_db, 3)
        behind = background * hop_gain(curve, hops)
        mixed = integrated_lufs(front + behind)
        depth = expected_depth(front, front_lufs, behind, narrated, sound.ducking_depth_lu)
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
    mixed = integrated_lufs(ridden * 10.0 ** (static / 10.0) + background * hop_gain(curve, hops))
    plan.trim_db = round(0.0 if mixed is None else loudness_lufs - mixed, 3)
    plan.narration_static_db = round(static, 3)
    plan.narration_gain = keyframes_of(ride + static, 0.05)
    if background_lufs is not None:
        plan.background_gain = keyframes_of(curve)
    rest = integrated_lufs((background * hop_gain(curve, hops))[gap])
    plan.expected = MixExpectation(
        integrated_lufs=rounded(mixed),
        narration_lufs=rounded(front_lufs),
        background_lufs=rounded(rest),
        depth_share=rounded(depth.share, 4),
        depth_p5_lu=rounded(depth.p5),
        depth_min_lu=rounded(depth.least),
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


def rounded(value: float | None, digits: int = 2) -> float | None:
    return None if value is None else round(float(value), digits)


def _fit(power: NDArray[np.floating], hops: int) -> NDArray[np.float64]:
    power = np.asarray(power, dtype=np.float64)[:hops]
    return np.pad(power, (0, hops - power.size))


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
    curve = np.zeros(hops * PER_HOP + 1)
    mixed: float | None = None
    for _ in range(6):
        curve = static + burst_curve(background, static, plan.loudness_lufs + 3.0)
        mixed = integrated_lufs(background * hop_gain(curve, hops))
        if mixed is None or abs(plan.loudness_lufs - mixed) < 0.01:
            break
        static = min(MOST_RAISED_DB, static + plan.loudness_lufs - mixed)
    plan.background_static_db = round(static, 3)
    plan.background_gain = keyframes_of(curve)
    plan.expected = MixExpectation(integrated_lufs=rounded(mixed), background_lufs=rounded(mixed))
    if static >= MOST_RAISED_DB:
        plan.warnings.append(
            "the procedure sound is too quiet to be brought to the profile's loudness"
        )
    return plan
