"""Which pictures the finished file has, and when, beside those that the plan asks for."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence

import numpy as np

from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.model.time import Span, merge_spans
from pipeline.stages.verifying.expected import SAME_S
from pipeline.stages.verifying.result import make_check

_EDGE_S = 0.02  # of a compared part, where a picture may belong to either side


def times_check(
    plan: Plan, stamps_s: Iterable[float], wanted_s: Sequence[float], parts: Sequence[Span]
) -> Check:
    """Pictures that are missing, or that nobody asked for.

    stamps_s: of all packets of the file, decoded or not. wanted_s: of the pictures of the played
    parts that were compared, `parts`. Held, black and card pieces have the rate of the plan.
    """
    have = np.sort(np.asarray(list(stamps_s), float))
    wrong = sorted(t for t in wanted_s if _away(have, t) > SAME_S)
    should = np.sort(np.asarray(wanted_s, float))
    for part in merge_spans(parts, 1e-3):
        inside = have[(have >= part.start_s + _EDGE_S) & (have < part.stop_s - _EDGE_S)]
        wrong += [float(t) for t in inside if _away(should, float(t)) > SAME_S]
    for piece in plan.pieces:
        if piece.kind == "play":
            continue
        count = max(1, round(piece.length_s * plan.frame_rate_hz))
        there = (have >= piece.out_start_s - SAME_S) & (have < piece.in_clip.stop_s - SAME_S)
        if abs(int(there.sum()) - count) > 1:
            wrong.append(piece.out_start_s)
    at = f", first at {min(wrong):.2f} s" if wrong else ""
    return make_check("pictures at their times", len(wrong), 0, "missing or too many" + at,
                      not wrong)  # fmt: skip


def _away(times: np.ndarray[tuple[int], np.dtype[np.float64]], time_s: float) -> float:
    """Distance to the nearest of sorted times."""
    at = bisect_left(times, time_s)
    near = [abs(float(times[k]) - time_s) for k in (at - 1, at) if 0 <= k < times.size]
    return min(near, default=np.inf)
