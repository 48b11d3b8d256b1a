"""Finished pictures beside what they should show: likeness, the mark, words that must be there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.strokes import Strokes
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.stages.card import card_box
from pipeline.stages.placed import mark_boxes
from pipeline.stages.restore import RESTORED_WORDS, words_box, words_shown
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.coded import Coded
from pipeline.stages.verifying.coding import coarseness
from pipeline.stages.verifying.expected import Expected, Planes
from pipeline.stages.verifying.fidelity import Fidelity
from pipeline.stages.verifying.marked import Marked
from pipeline.stages.verifying.result import Verifying, make_check
from pipeline.stages.verifying.scaled import ScaleBars

WORDS_LIMIT = 0.5  # correlation with the words as drawn; elsewhere it is near 0
CARD_LIMIT = 0.9
_EVERY_S = 0.25  # of pictures whose mark and words are measured
_ALONE_S = 0.5  # of those whose mark is read off them alone
_NEAR_S = 0.08  # meanwhile a mark goes 1.1 px in 1080 rows at its fastest
Ink = tuple[NDArray[np.intp], NDArray[np.intp]]
_NONE = np.zeros(0, np.intp)


class Compare:
    """Folds the pictures of the finished file, in order."""

    def __init__(
        self, plan: Plan, coverage: NDArray[np.float32], result: Verifying, crf: int
    ) -> None:
        """crf: of the coding."""
        self._plan, self._result = plan, result
        self._mark = Marked(plan, coverage)
        self._fidelity = Fidelity(crf)
        self._coded = Coded(plan, coarseness(crf))
        self._bars = ScaleBars(plan)
        self._marks = mark_boxes(plan, coverage)
        self._shots = reading.shot_numbers(plan)
        self._words: list[float] = []
        self._card: list[float] = []
        self._next_s = self._next_card_s = self._next_alone_s = 0.0

    def look(self, time_s: float, wanted: Expected, shown: Planes, between: bool) -> None:
        """One picture beside the one that should be there.

        between: a B picture; there a coder leaves single ones where their neighbours were, so that
        how visible the mark is goes up and down by a third. It is measured in the others.
        """
        box = None
        measured = not between and time_s + 1e-6 >= self._next_s
        if wanted.restored:
            box = words_box(wanted.field, self._plan.width_px, self._plan.height_px, self._marks)
            if measured:
                self._words.append(words_shown(shown[0], RESTORED_WORDS, box))
        if (bar := self._plan.pieces[wanted.piece].scale_bar) is not None:
            box = bar.box_px
            if measured:
                self._bars.look(wanted.piece, shown[0])
        shot = self._shots[wanted.piece]
        strokes = None
        if wanted.lit:
            source = self._plan.pieces[wanted.piece].source
            near_s = 0.0 if measured else _NEAR_S
            strokes = self._mark.strokes(wanted.field, shot, source, wanted.source_s, near_s)
        if strokes is not None and measured and self._plan.pieces[wanted.piece].kind == "play":
            self._mark.look(time_s, strokes, shot, wanted.planes, shown)
        ink = (_NONE, _NONE) if strokes is None else (strokes.row, strokes.col)
        coded = self._coded.coded(time_s, wanted)
        self._fidelity.step(coded, shown, ink, box, wanted.planes[0])
        if measured:
            self._coded.look(time_s, wanted, shown[0])
            self._next_s = time_s + _EVERY_S

    def alone(self, time_s: float, shown: Planes) -> None:
        """A picture of a played part that there is nothing beside to compare."""
        if time_s + 1e-6 < self._next_alone_s:
            return
        strokes = self._strokes(time_s)
        if strokes is not None:
            self._next_alone_s = time_s + _ALONE_S
            self._mark.look_alone(time_s, strokes, shown[0])

    def ink(self, time_s: float) -> Ink:
        """(rows, cols) of the mark's strokes in a picture, whether it is compared or not."""
        strokes = self._strokes(time_s)
        return (_NONE, _NONE) if strokes is None else (strokes.row, strokes.col)

    def near_strokes(self, time_s: float) -> Strokes | None:
        """The strokes as they lie in the picture, or did a moment before."""
        return self._strokes(time_s, _ALONE_S)

    def _strokes(self, time_s: float, near_s: float = 0.0) -> Strokes | None:
        number = reading.piece_number(self._plan, time_s)
        piece = self._plan.pieces[number]
        source = self._plan.sources[piece.source]
        source_s = reading.source_time(piece, time_s)
        span = reading.field_of(source, source_s)
        shown = not (reading.has_circle(source) and span.shape == "none")
        if piece.kind not in ("play", "freeze") or not shown:
            return None
        return self._mark.strokes(reading.in_clip(source, span), self._shots[number],
                                  piece.source, source_s, near_s)  # fmt: skip

    def card(self, time_s: float, shown: Planes) -> None:
        """A picture of the card."""
        if time_s + 1e-6 < self._next_card_s:
            return
        self._next_card_s = time_s + _EVERY_S
        words = self._plan.pieces[reading.piece_number(self._plan, time_s)].words
        box = card_box(words, self._plan.width_px, self._plan.height_px)
        self._card.append(words_shown(shown[0], words, box))

    def checks(self) -> list[Check]:
        checks = self._fidelity.checks()
        unit = "correlation"
        if self._plan.restorations:
            least = min(self._words, default=None)
            checks.append(make_check("restored contrast is named in the picture", least,
                          WORDS_LIMIT, unit, least is None or least >= WORDS_LIMIT))  # fmt: skip
        checks += [*self.card_checks(), *self._mark.checks(), *self._coded.checks()]
        checks += self._bars.checks()
        self._result.code_kept = self._coded.kept
        self._result.visibility = self._mark.visibility
        self._result.mark = self._mark.summary
        return checks

    def card_checks(self) -> list[Check]:
        """What needs no recording."""
        if not any(p.kind == "card" and not p.compared for p in self._plan.pieces):
            return []
        least = min(self._card, default=0.0)
        return [make_check("cards as planned", least, CARD_LIMIT, "correlation",
                           least >= CARD_LIMIT)]  # fmt: skip
