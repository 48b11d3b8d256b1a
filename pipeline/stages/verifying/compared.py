"""Cards with two pictures: each beside its source as everywhere, its mark, its words.

By verify's own reading of the plan: the pictures are made anew as held ones are (`expected`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.model.options import Options
from pipeline.model.plan import Compared, Piece, Plan
from pipeline.model.release import Check
from pipeline.stages.card import strip_boxes
from pipeline.stages.damage import ShownDamage
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.restore import words_shown
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.expected import Expected, ExpectedPictures
from pipeline.stages.verifying.fidelity import Fidelity
from pipeline.stages.verifying.marked import SECOND_WIDER, Marked
from pipeline.stages.verifying.result import make_check

PREFIX = "comparison: "
WORDS_LIMIT = 0.9  # correlation, as of a card
_EVERY_S = 0.25
_NEIGHBOUR = "no picture of its neighbour"  # nothing moves on a card

Planes = Sequence[NDArray[np.uint8]]


@dataclass
class _Card:
    """What one card should show: both pictures in one, and each by itself for its mark."""

    whole: Expected
    parts: list[Expected]
    marks: list[Marked]


class ComparedCards:
    """Folds the pictures of the finished file that belong to such a card."""

    def __init__(
        self, plan: Plan, media: Sequence[SourceMedia], coverage: NDArray[np.float32],
        options: Options,
    ) -> None:  # fmt: skip
        self._plan, self._media, self._coverage = plan, media, coverage
        self._options = options
        self._fidelity = Fidelity(options.output.crf)
        self._shots = reading.shot_numbers(plan)
        self._made: dict[int, _Card | None] = {}
        self._missing: set[int] = {n for n, p in enumerate(plan.pieces) if p.compared}
        self._words: list[float] = []
        self._visible: list[tuple[float, float]] = []
        self._next_s = 0.0

    def look(self, number: int, time_s: float, shown: Planes) -> None:
        """A picture of the card that is the piece `number`."""
        piece = self._plan.pieces[number]
        if number not in self._made:
            self._made[number] = self._card(piece)
        card = self._made[number]
        if card is None:
            return
        self._missing.discard(number)
        measured = time_s + 1e-6 >= self._next_s
        rows, cols = [], []
        for part, mark, of in zip(card.parts, card.marks, piece.compared, strict=True):
            strokes = mark.strokes(part.field, self._shots[number], of.source, of.start_s)
            if strokes is None:
                continue
            rows.append(strokes.row)
            cols.append(strokes.col)
            if measured:
                value = mark.look(time_s, strokes, self._shots[number], part.planes, shown)
                self._visible.append((time_s, value))
        ink = (np.concatenate(rows), np.concatenate(cols)) if rows else _NONE
        self._fidelity.step(replace(card.whole, time_s=time_s), shown, ink, None)
        if measured:
            self._next_s = time_s + _EVERY_S
            for of, box in zip(piece.compared, strip_boxes(piece.compared), strict=True):
                self._words.append(words_shown(shown[0], of.words, box))

    def _card(self, piece: Piece) -> _Card | None:
        parts = []
        for of in piece.compared:
            held = piece.model_copy(
                update={"kind": "freeze", "compared": [], "source": of.source,
                        "start_s": of.start_s}
            )  # fmt: skip
            alone = reading.with_moved(self._plan, of).model_copy(update={"pieces": [held]})
            made = ExpectedPictures(alone, self._media, self._options, ShownDamage(alone))
            part = made.at(piece.out_start_s)
            if part is None:
                return None
            parts.append(part)
        return _Card(_joined(parts, piece.compared, self._plan.width_px), parts,
                     [Marked(self._plan, self._coverage) for _ in parts])  # fmt: skip

    def checks(self) -> list[Check]:
        """None for a clip without such a card."""
        if not self._made and not self._missing:
            return []
        found = [
            c.model_copy(update={"check": PREFIX + c.check})
            for c in self._fidelity.checks() if c.check != _NEIGHBOUR
        ]  # fmt: skip
        least = min(self._words, default=0.0)
        missing = len(self._missing)
        found += [
            make_check(PREFIX + "shown", missing, 0, "cards missing", missing == 0),
            make_check(PREFIX + "named in words", least, WORDS_LIMIT, "correlation",
                       least >= WORDS_LIMIT),
        ]  # fmt: skip
        if self._plan.mark is not None:
            low = self._plan.mark.band_low / SECOND_WIDER
            high = self._plan.mark.band_high * SECOND_WIDER
            off = [(max(low - v, v - high) if np.isfinite(v) else np.inf, t, v)
                   for t, v in self._visible]  # fmt: skip
            worst = max(off, default=(np.inf, 0.0, 0.0))
            found.append(
                make_check(PREFIX + "mark visible on both", worst[2], f"{low:.1f} to {high:.1f}",
                           f"L*, at {worst[1]:.1f} s", worst[0] <= 0)
            )  # fmt: skip
        return found


_NONE = (np.zeros(0, np.intp), np.zeros(0, np.intp))


def _joined(parts: Sequence[Expected], of: Sequence[Compared], width_px: int) -> Expected:
    """Each half of the picture from its own; where words stand nothing is compared."""
    half = width_px // 4 * 2

    def side_by_side(planes: Sequence[NDArray[np.uint8]], at: int) -> NDArray[np.uint8]:
        out = planes[0].copy()
        out[:, at:] = planes[1][:, at:]
        return out

    y, u, v = (
        side_by_side([p.planes[k] for p in parts], half if k == 0 else half // 2) for k in range(3)
    )
    sure = side_by_side([p.sure for p in parts], half)
    for one in of:
        x, top, wide, high = one.strip_px
        sure[top : top + high, x : x + wide] = 0
    lit = side_by_side([p.lit_mask for p in parts], half)
    colour = side_by_side([p.lit_colour for p in parts], half // 2)
    return replace(parts[0], planes=(y, u, v), lit_mask=lit, lit_colour=colour, sure=sure)
