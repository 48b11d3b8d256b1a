"""Which pictures of a source are clear: for what is held, and for the poster. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Findings
from pipeline.model.survey import Survey
from pipeline.model.time import Span, merge_spans, round_s
from pipeline.model.timeline import pictures

CLEAR, UNKNOWN, COVERED, DISTURBED, OUTSIDE = range(5)
EDGE_S = 0.2  # an event begins a little before its measure passes the threshold
NEAR_S = 0.5  # of pictures this near to the last clear one the sharpest is taken
POSTERS = 3  # to choose from
LEAST_APART_S, APART = 2.0, 0.1  # of two of them: seconds, and share of the clip


class Clearness:
    """Ranks the pictures of one source, at the times of its series.

    series: of the survey, `time_s` and, where measured, `contrast_loss`,
    `contrast_loss_high` and `blur`, all (sample,). event_loss: contrast loss from which fog
    is an event. covered: spans in which something in the picture is filled with black.
    """

    def __init__(
        self,
        survey: Survey,
        findings: Findings,
        series: Mapping[str, NDArray[Any]],
        event_loss: float,
        covered: Sequence[tuple[float, float]] = (),
    ) -> None:
        length_s = survey.recording.duration_s
        self.time_s = np.asarray(
            series["time_s"] if "time_s" in series else np.arange(0.0, length_s, 0.1), float
        )
        unknown = np.full(len(self.time_s), np.nan)

        def of(name: str) -> NDArray[np.float64]:
            value = np.asarray(series.get(name, unknown), float)
            return value if value.shape == unknown.shape else unknown

        # The upper end of the interval, where there is one: a doubtful picture is not clear.
        self.loss = np.fmax(of("contrast_loss"), of("contrast_loss_high"))
        self._blur = np.nan_to_num(of("blur"))
        self.rank = np.full(len(self.time_s), UNKNOWN)
        self.rank[np.isfinite(of("contrast_loss")) & (self.loss < event_loss)] = CLEAR
        self.rank[self.loss >= event_loss] = DISTURBED
        for span in covered:
            self._at_least(COVERED, *span)
        for event in findings.events:
            self._at_least(DISTURBED, event.start_s - EDGE_S, event.stop_s + EDGE_S)
        shown = np.zeros(len(self.time_s), bool)
        for field in survey.field:
            if field.shape != "none":
                shown |= (self.time_s >= field.start_s) & (self.time_s < field.stop_s)
        self.rank[~shown] = OUTSIDE

    def _at_least(self, rank: int, start_s: float, stop_s: float) -> None:
        here = (self.time_s >= start_s) & (self.time_s < stop_s)
        self.rank[here] = np.maximum(self.rank[here], rank)

    def at(self, time_s: float) -> tuple[int, float, float]:
        """(rank, contrast loss or NaN, blur) of the sample nearest to `time_s`."""
        if not len(self.time_s):
            return UNKNOWN, float("nan"), 0.0
        near = int(np.argmin(np.abs(self.time_s - time_s)))
        return int(self.rank[near]), float(self.loss[near]), float(self._blur[near])

    def to_hold(
        self, hole: Span, part: Span, taken: Sequence[tuple[float, float]] = ()
    ) -> tuple[float, int] | None:
        """(time, rank) of the picture to hold in `hole`: the last clear one before it in `part`,
        else the first one after it; where none is clear, the least bad one.

        taken: spans that are cut or held themselves. None where nothing is left: what lies
        outside `part` is never held, it may be another patient.
        """
        free = (self.time_s >= part.start_s) & (self.time_s < part.stop_s - 1e-6)
        for start_s, stop_s in (*taken, hole):
            free &= (self.time_s < start_s - 1e-6) | (self.time_s >= stop_s + 1e-6)
        for rank in (CLEAR, UNKNOWN, COVERED, DISTURBED):
            fit = free & (self.rank == rank)
            before = np.nonzero(fit & (self.time_s < hole.start_s))[0]
            after = np.nonzero(fit & (self.time_s >= hole.stop_s))[0]
            if len(before):
                last_s = self.time_s[before[-1]]
                near = before[self.time_s[before] >= last_s - NEAR_S]
            elif len(after):
                near = after[self.time_s[after] <= self.time_s[after[0]] + NEAR_S]
            else:
                continue
            cost = self._blur[near] + np.nan_to_num(self.loss[near])
            return round_s(float(self.time_s[near[int(np.argmin(cost))]])), rank
        return None


def in_event(edits: Sequence[Any], source: int, time_s: float) -> bool:
    """True while something was found in a source (`model.plan.Edit`), whatever is done about it.

    A picture whose contrast is not known well enough is not one of those: it may be as clear.
    """
    return any(
        e.source == source and e.start_s - EDGE_S <= time_s < e.stop_s + EDGE_S for e in edits
    )


def covered_spans(redactions: Sequence[Any], source: int) -> list[Span]:
    """When a box of `redactions` (`model.plan.Redaction`) covers the picture of a source."""
    return merge_spans(
        (r.start_s, r.stop_s)
        for r in redactions
        if r.source == source and r.what in ("lettering", "face")
    )


def posters_s(
    pieces: Sequence[Any], clearness: Mapping[int, Clearness], duration_s: float
) -> list[float]:
    """Clip times of up to three pictures to choose a poster from, the best first.

    The best is clear, in the body, near a third of the clip. The others are clear or at least
    not disturbed, sharp, and show other moments.
    pieces: `model.plan.Piece`. What is held, black, a card or fading is only taken where
    nothing else is shown; then a held picture before a black one.
    """
    shown: list[tuple[int, float, float, float]] = []
    for piece in pieces:
        if piece.kind == "play":
            at = np.arange(piece.start_s + piece.fade_s + 0.1, piece.start_s + piece.length_s, 0.5)
            for time_s in (float(t) for t in at):
                rank, loss, blur = clearness[piece.source].at(time_s)
                out_s = pictures(piece).at(time_s)
                lost = loss if np.isfinite(loss) else 0.3
                shown.append((rank, abs(out_s / duration_s - 1 / 3) + lost, lost + blur, out_s))
        else:
            rank = 6 if piece.kind == "freeze" else 7
            at_s = piece.out_start_s
            shown.append((rank, at_s / duration_s, 0.0, at_s))
    best = min(shown, default=(9, 0.0, 0.0, 0.0))
    chosen = [best[3]]
    apart_s = max(LEAST_APART_S, APART * duration_s)
    for _, _, _, out_s in sorted((s for s in shown if s[0] <= COVERED), key=lambda s: (s[0], s[2])):
        if len(chosen) < POSTERS and all(abs(out_s - c) >= apart_s for c in chosen):
            chosen.append(out_s)
    return [round_s(c) for c in chosen]
