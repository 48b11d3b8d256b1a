"""The gain at which a sound has its loudness after coding: one more try from those so far. Pure.

Coding changes the level of sound by up to 1.5 LU, for two reasons: noise is coded
coarsely, and the gates of BS.1770-5 count or leave out whole blocks of 400 ms that lie near
their threshold (10 LU under the rest), which a small change moves across it. So the loudness
is neither a straight line over the gain nor always rising, and is measured after coding.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

CLOSE_LU = 0.06
"""Near enough to stop at once."""
ENOUGH_LU = 0.15
"""Near enough after FEW tries; `verify` allows 0.2."""
FEW, MOST_TRIES = 5, 16
_FURTHEST_DB = 2.5
"""More than this over the first gain would only be limited: coding takes 1.5 LU at most."""
_LEAST_STEP_DB = 0.005


class Try(NamedTuple):
    """A gain, and how much louder than wanted the coded sound was (LU)."""

    gain_db: float
    over_lu: float


def next_gain_db(tries: Sequence[Try], most_db: float) -> float | None:
    """The gain to try next, at most most_db; None where the search is over.

    tries: in the order they were made; the first at the gain that is right without coding.

    Between two neighbours of which one is too quiet and one too loud it interpolates, and
    keeps away from both; the pair with the smallest gains comes first, since more gain means
    more limiting. Without such a pair it goes on in the direction of the error.
    """
    best = min(abs(t.over_lu) for t in tries)
    if best <= (CLOSE_LU if len(tries) < FEW else ENOUGH_LU) or len(tries) >= MOST_TRIES:
        return None
    ordered = sorted(tries)
    for low, high in pairwise(ordered):
        wide_db = high.gain_db - low.gain_db
        if (low.over_lu < 0) != (high.over_lu < 0) and wide_db > 2 * _LEAST_STEP_DB:
            share = low.over_lu / (low.over_lu - high.over_lu)
            return low.gain_db + min(0.8, max(0.2, share)) * wide_db
    if ordered[0].over_lu > 0:
        return ordered[0].gain_db - 1.1 * ordered[0].over_lu - _LEAST_STEP_DB
    last = ordered[-1]
    most_db = min(most_db, tries[0].gain_db + _FURTHEST_DB)
    if last.gain_db >= most_db - _LEAST_STEP_DB:
        return None
    return min(most_db, last.gain_db + max(0.1, -1.1 * last.over_lu))
