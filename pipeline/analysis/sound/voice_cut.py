"""Where the narration of a part begins and ends: at a pause near its ends, if there is one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.model.time import Span

NEAR_S = 0.8  # so far inside the part a pause is looked for; common practice, no source
QUIET = 0.01  # power below that of the speech around it: a pause of 20 dB
FADE_S = 0.06  # where there is no pause


def heard_part(
    part: Span, spoken: Sequence[Span], power: NDArray[np.float64] | NDArray[np.float32],
    start_s: float, hop_s: float = 0.1,
) -> Span:  # fmt: skip
    """The span inside `part` in which the narration is heard, on the same axis.

    spoken: spans of speech. power: (hop,) of the narration, the first hop at `start_s`.
    Where somebody speaks across an end of the part, what lies between the end and the nearest
    pause is left out, so that no word is heard by half; without a pause near, the word is cut.
    """
    ends = list(part)
    for side, edge_s in enumerate(part):
        over = next((s for s in spoken if s.start_s + 0.02 < edge_s < s.stop_s - 0.02), None)
        if over is None:
            continue
        inward = 1.0 if side == 0 else -1.0
        # The speech itself may end near.
        end_s = over.stop_s if side == 0 else over.start_s
        if abs(end_s - edge_s) <= NEAR_S:
            ends[side] = end_s
            continue
        level = float(np.median(_hops(power, start_s, hop_s, over))) if over.length_s else 0.0
        for k in range(round(NEAR_S / hop_s)):
            at_s = edge_s + inward * k * hop_s
            here = _hops(power, start_s, hop_s, Span(at_s - 0.5 * hop_s, at_s + 0.5 * hop_s))
            if len(here) and float(here.max()) <= QUIET * level:
                ends[side] = at_s
                break
    return Span(ends[0], ends[1]) if ends[1] > ends[0] else Span(part.start_s, part.start_s)


def _hops(
    power: NDArray[np.float64] | NDArray[np.float32], start_s: float, hop_s: float, span: Span
) -> NDArray[np.float64]:
    first = max(0, int(np.floor((span.start_s - start_s) / hop_s + 1e-6)))
    stop = max(first, int(np.ceil((span.stop_s - start_s) / hop_s - 1e-6)))
    return np.asarray(power[first:stop], np.float64)


def faded(
    block: NDArray[np.float32], at_s: float, rate_hz: int, heard: tuple[float, float]
) -> NDArray[np.float32]:
    """`block` (channel, sample) from `at_s` on: silent outside `heard`, faded at its ends."""
    time_s = at_s + np.arange(block.shape[1]) / rate_hz
    inside = np.minimum(time_s - heard[0], heard[1] - time_s) / FADE_S
    gain = 0.5 - 0.5 * np.cos(np.pi * np.clip(inside, 0.0, 1.0))
    return np.asarray(block * gain.astype(np.float32), np.float32)
