"""A stretch of sound that may be speech is judged as a whole: is it speech, or a machine?

Speech stands out from what is around it; what a suction tip or a drill does it does again and
again, a little like speech all along. Of each stretch, and of ten seconds on both sides, we look
at what the detectors and their verdict say (`speech_verdict`), and a logistic regression weighs
it, taught by tests/benchmarks/stretch_teach.py on generated scenes. Only kept scores are read.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.voice_activity import SURE, VERDICT, WEIGHED

Floats = NDArray[np.float32]
_JOIN, _BESIDE, _GUARD, _TALK, _NEAR = 10, 312, 16, 190, 4  # hops
_SHORT = 156  # hops; a sound under 5 s has nothing around a stretch that tells
_LEAST = 15  # hops around a stretch; with fewer it is held against the whole sound
_VALUES = 37
FAR_OFF = 3.0  # standard deviations at which a value is cut
_UNLIKELY = -9.0  # log-odds of the verdict where there is no other stretch
MACHINE = -3.75
"""Log-odds under which a stretch is none of speech. They are of a regression in which a stretch
counts by its length, so they are no odds of the real world.

Chosen on development scenes (720 of 20 s, each judged by weights that were taught on others).
"""
CALL_HOPS, CALL_MARGIN = 16, 0.75
"""A stretch of half a second at most may be a name that is called: it is left for speech down to
so much less. Little is replaced for it."""
SURELY, SURELY_HOPS = 0.8, 8
"""Both detectors of SURE so sure for so long (a quarter of a second): speech, whatever it is in."""


def _log_odds(score: NDArray[Any], least: float) -> Floats:
    sure = np.clip(np.nan_to_num(score.astype(np.float32)), least, 1 - least)
    return np.asarray(np.log(sure / (1 - sure)), np.float32)


def stretches(found: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open runs of True; those that are at most .32 s apart are one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], found.astype(np.int8), [0]]))).tolist()
    out: list[tuple[int, int]] = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        first = out.pop()[0] if out and start - out[-1][1] <= _JOIN else start
        out.append((first, stop))
    return out


def described(scores: Mapping[str, NDArray[Any]], found: NDArray[np.bool_]) -> Floats:
    """(stretch, value) of what the scores (hop,) say in each stretch and around it."""
    said = _log_odds(scores[VERDICT], 1e-4)
    each = np.stack([_log_odds(scores[name], 1e-3) for name in WEIGHED], axis=1)
    runs = stretches(found)
    starts, stops = np.asarray(runs, int).reshape(-1, 2).T
    peaks = np.asarray([said[a:b].max() for a, b in runs], np.float32)
    rows = np.zeros((len(runs), _VALUES), np.float32)
    for number, (start, stop) in enumerate(runs):
        left, right = max(0, start - _BESIDE), stop + _BESIDE
        hops = np.r_[left : max(left, start - _GUARD),
                     stop + _GUARD : max(stop + _GUARD, min(right, said.size))]  # fmt: skip
        hops = hops if hops.size >= _LEAST else np.arange(said.size)
        own, beside = said[start:stop], said[hops]
        quiet = hops[~found[hops]]
        quiet = quiet if quiet.size >= _LEAST else hops
        near = each[max(0, start - _NEAR) : stop + _NEAR]
        others = peaks[(starts < stop + _TALK) & (stops > start - _TALK) & (starts != start)]
        rows[number] = np.concatenate(
            [
                [np.log(own.size), own.max(), own.mean(), own.std()],
                np.percentile(own, [25, 75, 90]),
                [np.maximum(own, -3).sum() / 30, (own > -1).mean(), (own > 1).mean()],
                [(own > -1).sum() / 30],
                np.percentile(beside, [25, 50, 75, 90]),
                [beside.max(), own.max() - np.percentile(beside, 75)],
                [own.mean() - beside.mean(), found[hops].mean()],
                near.max(axis=0), each[start:stop].mean(axis=0), each[start:stop].std(axis=0),
                each[quiet].mean(axis=0), np.percentile(each[hops], 90, axis=0),
                [near.min(axis=1).max()],
                [others.size, others.max(initial=_UNLIKELY)],
            ]
        )  # fmt: skip
    return rows


def log_odds(weights: Mapping[str, Floats], known: Floats) -> Floats:
    """(stretch,) of what `described` gives that it is speech; see MACHINE."""
    x = np.clip((known - weights["mean"]) / weights["spread"], -FAR_OFF, FAR_OFF)
    return np.asarray(x @ weights["slope"] + weights["level"], np.float32)


@cache
def _weights() -> dict[str, Floats]:
    with (files(__package__) / "_weights" / "speech_stretch.npz").open("rb") as file:
        held = np.load(file)
        return {name: held[name].astype(np.float32) for name in held.files}


def _surely(scores: Mapping[str, NDArray[Any]]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_opening

    least = np.min([np.nan_to_num(scores[name]) for name in SURE], axis=0)
    return np.asarray(binary_opening(least >= SURELY, np.ones(SURELY_HOPS)), bool)


def spoken(
    scores: Mapping[str, NDArray[Any]],
    found: NDArray[np.bool_],
    weights: Mapping[str, Floats] | None = None,
    machine: float = MACHINE,
) -> NDArray[np.bool_]:
    """Of the hops that were found those in stretches of speech.

    scores: (hop,) 0..1 of the verdict and those that it weighs. What the detectors are sure of is
    speech, whatever is around it, and in a sound under 5 s all that was found. weights: others than
    the shipped ones, of which `machine` is the least log-odds.
    """
    if found.size < _SHORT or not found.any():
        return found
    out, surely = found.copy(), _surely(scores)
    judged = log_odds(weights or _weights(), described(scores, found))
    for (start, stop), odds in zip(stretches(found), judged, strict=True):
        least = machine - (CALL_MARGIN if stop - start <= CALL_HOPS else 0.0)
        if odds < least and not surely[start:stop].any():
            out[start:stop] = False
    return out
