"""The meter of ducking: how far the narration lies over the background in two rendered tracks.

It trusts neither the plan nor the render: levels, lead and release are measured anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import HOP_S, PowerFold, integrated_lufs, power_of
from pipeline.analysis.sound.track_levels import ACTIVE_LU, Samples, level_db
from pipeline.model.time import Span, merge_spans

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


def depth_report(
    front: NDArray[np.float64],
    behind: NDArray[np.float64],
    hop_s: float,
    depth_lu: float,
    spans: Sequence[tuple[float, float]] | None = None,
    source: NDArray[np.float64] | None = None,
) -> DuckingReport:
    """The report from power series (hop,) of both tracks; see `DuckingFold`."""
    from scipy.ndimage import maximum_filter1d

    hops = min(front.size, behind.size)
    per_window = round(0.4 / hop_s)
    whole = round(HOP_S / hop_s)
    if hops < per_window:
        return DuckingReport(0, None, None, None, None)
    front, behind = front[:hops], behind[:hops]
    coarse = front[: hops // whole * whole].reshape(-1, whole).mean(axis=1)
    level = integrated_lufs(coarse)
    view = np.lib.stride_tricks.sliding_window_view
    voice = level_db(view(front, per_window).mean(axis=1))
    rest = level_db(view(behind, per_window).mean(axis=1))
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
    away = ~maximum_filter1d(sounding, 2 * round(1.5 / hop_s) + 1, mode="constant")
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
