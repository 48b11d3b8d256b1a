"""A narration recorded on another device: its clock runs a little faster or slower. Pure.

Crystal clocks of recorders differ by up to 100 parts in a million (common practice, no
source): 0.36 s in an hour. Where the take also heard the room, short pieces of it are placed
on the recording one by one, and a line through the places tells offset and rate together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.narration import Samples
from pipeline.analysis.sound.offset import (
    ENVELOPE_HOP_S,
    OFFSET_LEAST_CONFIDENCE,
    find_offset,
)

MOST_PPM = 300.0
LEAST_S = 240.0
"""A shorter take drifts by less than a picture."""
_PIECE_S, _MOST_PIECES = 30.0, 120
_REACH_S = 0.5
_LEAST_CONFIDENCE = 0.3  # of one piece; that several agree makes it sure
_AGREE_S, _LEAST_AGREEING, _LEAST_SHARE = 0.015, 5, 0.6
_READ_S = 0.002  # the place of a piece is not known better
_SURE = 4.0  # standard errors
_MATTERS_S = 0.015

Levels = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Drift:
    """offset_s: where the take begins in case time. rate_ppm: by how much it is too long.

    error_ppm: standard error of the rate. pieces: of the take that agree on it.
    """

    offset_s: float
    rate_ppm: float
    error_ppm: float
    pieces: int


def find_drift(recording: Levels, narration: Levels, near_s: float | None = None) -> Drift | None:
    """Offset and rate of a take against the recording, None where nothing shows a drift.

    recording, narration: band levels (4, hop) of `EnvelopeFold`. near_s: its offset where that
    is known. None too where the drift is too small to matter or no surer than its error.
    """
    length_s = narration.shape[1] * ENVELOPE_HOP_S
    if length_s < LEAST_S:
        return None
    starts = np.linspace(
        0.0, length_s - _PIECE_S, min(_MOST_PIECES, int(length_s / _PIECE_S))
    )
    near_s = _rough(recording, narration, starts) if near_s is None else near_s
    if near_s is None:
        return None
    places = [_place(recording, narration, float(t), near_s) for t in starts]
    known = [(t, p) for t, p in zip(starts, places, strict=True) if p is not None]
    if len(known) < _LEAST_AGREEING:
        return None
    at_s, offset_s = (np.asarray(v, np.float64) for v in zip(*known, strict=True))
    slope, start_s = _line(at_s, offset_s)
    agree = np.abs(offset_s - start_s - slope * at_s) < _AGREE_S
    if agree.sum() < max(_LEAST_AGREEING, _LEAST_SHARE * at_s.size):
        return None
    at_s, offset_s = at_s[agree], offset_s[agree]
    slope, start_s = (float(v) for v in np.polyfit(at_s, offset_s, 1))
    left = float(np.sqrt(np.mean(np.square(offset_s - start_s - slope * at_s))))
    error = max(left, _READ_S) / float(np.sqrt(np.sum(np.square(at_s - at_s.mean()))))
    rate = -slope / (1.0 + slope)
    sure = abs(slope) > _SURE * error and abs(slope) * length_s > _MATTERS_S
    if not sure or abs(rate) > MOST_PPM * 1e-6:
        return None
    return Drift(start_s, rate * 1e6, error * 1e6, int(agree.sum()))


def _rough(recording: Levels, narration: Levels, starts: NDArray[np.float64]) -> float | None:
    """The offset to within a second: of the whole, or that on which two pieces agree."""
    whole = find_offset(recording, narration)
    if whole.confidence >= OFFSET_LEAST_CONFIDENCE:
        return whole.offset_s
    found: list[float] = []
    for start_s in starts[:: max(1, starts.size // 12)]:
        first = round(start_s / ENVELOPE_HOP_S)
        piece = find_offset(recording, narration[:, first : first + _hops(_PIECE_S)])
        if piece.confidence >= OFFSET_LEAST_CONFIDENCE:
            found.append(piece.offset_s - start_s)
    middle = float(np.median(found)) if found else 0.0
    near = [f for f in found if abs(f - middle) < 1.0]
    return float(np.median(near)) if len(near) >= 2 else None


def _place(
    recording: Levels, narration: Levels, start_s: float, near_s: float
) -> float | None:
    """The offset that one piece of the take shows, None if it shows none."""
    reach_s = _REACH_S + MOST_PPM * 1e-6 * start_s
    first, own = round((start_s + near_s - reach_s) / ENVELOPE_HOP_S), round(
        start_s / ENVELOPE_HOP_S
    )
    low, high = max(0, first), first + _hops(_PIECE_S + 2 * reach_s)
    if high <= low:
        return None
    found = find_offset(recording[:, low:high], narration[:, own : own + _hops(_PIECE_S)])
    place_s = found.offset_s + (low - own) * ENVELOPE_HOP_S
    good = found.confidence >= _LEAST_CONFIDENCE and abs(place_s - near_s) <= reach_s
    return place_s if good else None


def _hops(seconds: float) -> int:
    return round(seconds / ENVELOPE_HOP_S)


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """(slope, value at 0) by the medians of all pairs (Theil 1950, Sen 1968)."""
    one, two = np.triu_indices(x.size, 1)
    slope = float(np.median((y[two] - y[one]) / (x[two] - x[one])))
    return slope, float(np.median(y - slope * x))


def in_step(
    blocks: Iterable[Samples], rate_ppm: float, channels: int = 1, rate_hz: int = 48000
) -> Iterator[Samples]:
    """A take (channel, n) that is rate_ppm too long, brought to its right length."""
    import soxr  # type: ignore[import-untyped, unused-ignore]

    stream = soxr.ResampleStream(
        rate_hz * (1.0 + rate_ppm * 1e-6), rate_hz, channels, dtype="float32", quality="HQ"
    )
    for block in blocks:
        out = stream.resample_chunk(np.ascontiguousarray(block.T, np.float32))
        yield np.ascontiguousarray(out.reshape(-1, channels).T)
    out = stream.resample_chunk(np.zeros((0, channels), np.float32), last=True)
    yield np.ascontiguousarray(out.reshape(-1, channels).T)
