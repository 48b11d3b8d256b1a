"""Spans of speech, of sure speech and of sound that cannot be judged, decided from kept scores."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.speech import HOP_S, SpeechSeries
from pipeline.analysis.sound.voice_activity import (
    BELIEVED,
    BORNE_OUT,
    BORNE_OUT_S,
    ROOM_GOES_ON,
    ROOM_THRESHOLDS,
    SURE,
    VERDICT,
)
from pipeline.model.time import Span, merge_spans, subtract_spans

ROOM_PAD_S = 0.25  # on both sides of speech found in the room
ONSET_PAD_S = 0.2
"""Added before a narration span: quiet first consonants come before the detector fires."""
END_PAD_S = 0.15
"""Added after a narration span: a word's end fades under the detector's threshold."""


def narration_spans(
    series: SpeechSeries,
    threshold: float = 0.5,
    onset_pad_s: float = ONSET_PAD_S,
    end_pad_s: float = END_PAD_S,
    join_s: float = 0.2,
    shortest_s: float = 0.09,
) -> list[Span]:
    """Spans [start_s, stop_s) in which the narrator speaks.

    A span starts where the score reaches `threshold` and lasts until it falls below
    threshold - 0.15 (hysteresis); pieces closer than `join_s` are one, pieces shorter
    than `shortest_s` are dropped before padding.
    """
    score = np.zeros(series.level_dbfs.size, np.float32)
    for values in series.probability.values():
        np.fmax(score, values.astype(np.float32), out=score)
    above = _hysteresis(score, threshold, max(0.01, threshold - 0.15))
    spans = [s for s in merge_spans(_runs(above), join_s) if s.length_s >= shortest_s]
    padded = [
        Span(max(0.0, s.start_s - onset_pad_s), min(series.duration_s, s.stop_s + end_pad_s))
        for s in spans
    ]
    return merge_spans(padded)


ROOM_JOIN_S = 0.8
"""Padded spans this close are one: quiet words between loud ones must not be left over."""
TOO_LOW_DBFS = -92.0
"""RMS under which 16-bit steps hide speech: recall was 1.000 at -88 dBFS, .969 at -95."""
SILENT_DBFS = -115.0
"""RMS under which a 16-bit recording holds nothing."""
TOO_CLIPPED_RATIO = 0.5
"""Share of samples at full scale from which the detectors are not believed."""


def room_speech_spans(
    series: SpeechSeries,
    pad_s: float = ROOM_PAD_S,
    thresholds: Mapping[str, float] = ROOM_THRESHOLDS,
    goes_on: Mapping[str, float] = ROOM_GOES_ON,
) -> tuple[list[Span], list[Span]]:
    """(speech, undecided) spans of the procedure sound, each padded by `pad_s`.

    Speech: any detector at or above its threshold, and around that as long as it stays at or
    above `goes_on`; where there is a verdict, and the detector is none of BELIEVED, only what the
    verdict bears out. Undecided, and not speech: the
    loudest sound within a second lies between silence and TOO_LOW_DBFS, too many samples
    are clipped, or a detector gave no number (`why_undecided` tells which). Both are to
    be replaced; a person may overrule either.
    """
    speech = np.zeros(series.level_dbfs.size, bool)
    borne_out = _borne_out(series)
    for name, values in series.probability.items():
        high = thresholds.get(name, 0.3)
        found = _hysteresis(values.astype(np.float32), high, min(high, goes_on.get(name, high)))
        speech |= found if name in BELIEVED else _runs_with(found, borne_out)
    unknown = np.logical_or.reduce(list(_doubts(series).values())) & ~speech

    def padded(flags: NDArray[np.bool_]) -> list[Span]:
        spans = (s.padded(pad_s, series.duration_s) for s in _runs(flags))
        return merge_spans(spans, ROOM_JOIN_S)

    return padded(speech), padded(unknown)


def _borne_out(series: SpeechSeries) -> NDArray[np.bool_]:
    """Hops near which the verdict says that there may be speech; all where there is no verdict."""
    from scipy.ndimage import maximum_filter1d

    said = series.probability.get(VERDICT)
    if said is None or not said.size:
        return np.ones(series.level_dbfs.size, bool)
    near = maximum_filter1d(said.astype(np.float32), 2 * round(BORNE_OUT_S / HOP_S) + 1)
    return np.asarray(near >= BORNE_OUT)


SURE_SCORE, SURE_S = 0.8, 0.5
"""Every detector of SURE at least so sure for at least so long is speech, whoever denies it."""


def sure_speech_spans(series: SpeechSeries) -> list[Span]:
    """Spans in which every detector of SURE that was asked is sure of speech.

    Gaps of two hops do not end one.
    """
    least = np.ones(series.level_dbfs.size, np.float32)
    asked = [values for name, values in series.probability.items() if name in SURE]
    for values in asked:
        np.minimum(least, np.nan_to_num(values.astype(np.float32)), out=least)
    runs = merge_spans(_runs(least >= SURE_SCORE), 2 * HOP_S)
    return [s for s in runs if s.length_s >= SURE_S] if asked else []


Doubt = Literal["too low", "too clipped", "no answer"]
"""Why nobody can tell whether there is speech; 'no answer': a detector gave no number."""


def _doubts(series: SpeechSeries, margin: float = 0.0) -> dict[Doubt, NDArray[np.bool_]]:
    """Hops (hop,) that cannot be judged, by the reason; `margin` asks for clearer cases."""
    from scipy.ndimage import maximum_filter1d

    level = np.zeros(0, np.float32)
    if series.level_dbfs.size:
        level = maximum_filter1d(
            np.maximum(series.level_dbfs.astype(np.float32), -200.0),
            2 * round(1.0 / HOP_S) + 1,
            mode="nearest",
        )
    silent = np.zeros(series.level_dbfs.size, bool)
    for values in series.probability.values():
        silent |= np.isnan(values)
    return {
        "no answer": silent,
        "too clipped": series.clipped.astype(np.float32) > TOO_CLIPPED_RATIO + 0.1 * margin,
        "too low": (level > SILENT_DBFS + 3 * margin) & (level < TOO_LOW_DBFS - 3 * margin),
    }


def unjudged_spans(
    series: SpeechSeries, replaced: Sequence[tuple[float, float]] = ()
) -> list[Span]:
    """Spans of a finished procedure sound that nobody can vouch for.

    A detector gave no number, or the sound is clearly too low or too clipped and was not
    `replaced`. Clearly: 3 dB or a tenth beyond the limits of `room_speech_spans`, because
    hops fall differently on an edited sound.
    """
    doubts = _doubts(series, margin=1.0)
    unheard = _runs(doubts["no answer"])
    unfit = subtract_spans(_runs(doubts["too low"] | doubts["too clipped"]), replaced)
    return merge_spans([*unheard, *unfit])


def why_undecided(series: SpeechSeries, span: tuple[float, float]) -> Doubt:
    """The reason that holds for most of an undecided span [start_s, stop_s)."""
    first = max(0, int(span[0] / HOP_S))
    last = max(first + 1, int(np.ceil(span[1] / HOP_S)))
    count = {why: int(flags[first:last].sum()) for why, flags in _doubts(series).items()}
    return max(count, key=lambda why: count[why])


def _hysteresis(score: NDArray[np.float32], high: float, low: float) -> NDArray[np.bool_]:
    """Runs of score >= low that hold at least one value >= high."""
    return _runs_with(score >= low, score >= high)


def _runs_with(flags: NDArray[np.bool_], wanted: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Runs of True that hold at least one of `wanted`."""
    from scipy.ndimage import label

    runs, count = label(flags)
    good = np.zeros(count + 1, bool)
    good[np.unique(runs[flags & wanted])] = True
    good[0] = False
    return np.asarray(good[runs], dtype=bool)


def _runs(flags: NDArray[np.bool_]) -> list[Span]:
    """Spans of the runs of True, in seconds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [
        Span(float(a) * HOP_S, float(b) * HOP_S)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
