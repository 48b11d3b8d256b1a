"""How far the narration stands over the background, as the page and the report draw it.

Drawn is what the checks measure: `depth_report` of `analysis.sound.depth`, over 400 ms windows
in which the narrator is heard. Where nobody narrates there is a gap, not a 0.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.depth import depth_report
from pipeline.analysis.sound.gain import gain_at
from pipeline.analysis.sound.loudness import PowerFold
from pipeline.analysis.sound.tracks import to_channels
from pipeline.media.stems import Stem
from pipeline.model.plan import Plan

HOP_S = 0.02


class Levels(NamedTuple):
    """Mean K-weighted power per hop on the clip's axis before the gains, shape (hop,).

    heard: True if measured on the sound that is mixed, speech replaced; False if expected from
    the measured recordings.
    """

    narration: NDArray[Any]
    background: NDArray[Any]
    hop_s: float
    heard: bool


class Depth(NamedTuple):
    """time_s: middle of each window, clip time, shape (window,). difference_lu: NaN where
    nobody narrates. share: of the narrated windows that reach the depth; None without any.
    """

    time_s: NDArray[Any]
    difference_lu: NDArray[Any]
    share: float | None
    heard: bool


def heard_levels(narration: Stem | None, background: Stem | None, channels: int) -> Levels | None:
    """Measured on both stems; None without narration."""
    if narration is None:
        return None
    parts = []
    for stem in (narration, background):
        fold = PowerFold(channels, hop_s=HOP_S)
        blocks = stem.blocks() if stem is not None else ()
        powers = [fold.step(to_channels(b, channels)).astype(np.float32) for b in blocks]
        parts.append(np.concatenate(powers) if powers else np.zeros(0, np.float32))
    longest = max(p.size for p in parts)
    front, behind = (np.pad(p, (0, longest - p.size)) for p in parts)
    return Levels(front, behind, HOP_S, True)


def depth_of(levels: Levels, plan: Plan) -> Depth:
    """The depth under the gains of the plan. Raises nothing; a plan without a mix has none."""
    if plan.mix is None:
        return Depth(np.zeros(0), np.zeros(0), None, levels.heard)
    time_s = (np.arange(levels.narration.size) + 0.5) * levels.hop_s
    front = levels.narration * 10 ** (gain_at(plan.mix.narration_gain, time_s) / 10)
    behind = levels.background * 10 ** (gain_at(plan.mix.background_gain, time_s) / 10)
    found = depth_report(front, behind, levels.hop_s, plan.mix.depth_lu, plan.narration)
    return Depth(found.time_s, found.depth_series_lu, found.share, levels.heard)


def at_clip_times(depth: Depth, clip_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The difference at moments of the clip, shape as clip_s; NaN where that is NaN."""
    out = np.full(clip_s.shape, np.nan)
    if depth.time_s.size == 0:
        return out
    on = np.isfinite(clip_s)
    index = np.clip(np.searchsorted(depth.time_s, clip_s[on]), 0, depth.time_s.size - 1)
    out[on] = depth.difference_lu[index]
    return out
