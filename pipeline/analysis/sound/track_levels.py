"""What the mix knows of a track before it is rendered: power in time, loudness, spans that sound.

Power series hold one value per 100 ms; windows are the centred 400 ms of ducking depth.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import HOP_S, Loudness, integrated_lufs, lufs, power_of
from pipeline.model.time import Span

Samples = NDArray[np.float32]
ACTIVE_LU = 20.0
"""A window is narrated while it is within this of the narration's integrated loudness."""
WINDOW = 4  # hops of one 400 ms window


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

        inside = span_mask(spans, self.hop_power.size)
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


def span_mask(spans: Iterable[tuple[float, float]], hops: int) -> NDArray[np.bool_]:
    """Hops that a span touches."""
    out = np.zeros(hops, bool)
    for start, stop in spans:
        first = int(np.floor(max(0.0, start) / HOP_S + 1e-9))
        last = int(np.ceil(max(0.0, stop) / HOP_S - 1e-9))
        out[first:last] = True
    return out


def spans_of(mask: NDArray[np.bool_]) -> list[Span]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [Span(a * HOP_S, b * HOP_S) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def window_power(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean power of 400 ms windows, one per hop they start at, shape (hop,); ends padded."""
    padded = np.concatenate([power, np.zeros(WINDOW - 1)])
    return np.asarray(
        np.lib.stride_tricks.sliding_window_view(padded, WINDOW).mean(axis=1), dtype=np.float64
    )


def level_db(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(lufs(np.maximum(power, 1e-15)), dtype=np.float64)
