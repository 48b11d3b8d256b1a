"""Scale bars of the finished pictures: as long as the pixel spacing says, with their words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.model.plan import Piece, Plan
from pipeline.model.release import Check
from pipeline.stages.scale_bar import bar_ink, bar_rows
from pipeline.stages.verifying.result import make_check

WORDS_LIMIT = 0.9  # correlation with words and bar as drawn
LENGTH_LIMIT_PX = 2.0
_BRIGHT = 128  # between the white of the bar and its dark ground


class ScaleBars:
    """Folds finished pictures that have a scale bar."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._unseen = {n for n, p in enumerate(plan.pieces) if p.scale_bar is not None}
        self._any = bool(self._unseen)
        self._least, self._off_px = 1.0, 0.0

    def look(self, number: int, luma: NDArray[np.uint8]) -> None:
        """A picture of the piece `number`; luma (row, col)."""
        piece = self._plan.pieces[number]
        if piece.scale_bar is None:
            return
        self._unseen.discard(number)
        x, y, wide, high = piece.scale_bar.box_px
        part, ink = luma[y : y + high, x : x + wide].astype(float), bar_ink(piece.scale_bar)
        alike = 0.0
        if part.shape == ink.shape and part.std() >= 1:
            alike = float(np.corrcoef(part.ravel(), ink.ravel())[0, 1])
        self._least = min(self._least, alike)
        rows = bar_rows(piece.scale_bar)
        middle = part[(rows.start + rows.stop) // 2] if part.size else np.zeros(1)
        self._off_px = max(self._off_px, abs(float((middle > _BRIGHT).sum()) - self._long(piece)))

    def _long(self, piece: Piece) -> float:
        """How long it has to be, px of the clip: from the spacing and the place of the source."""
        source = self._plan.sources[piece.source]
        if piece.scale_bar is None or source.pixel_spacing_mm is None:
            return 0.0
        return piece.scale_bar.mm / source.pixel_spacing_mm * source.moved[0]

    def checks(self) -> list[Check]:
        if not self._any:
            return []
        least = 0.0 if self._unseen else self._least
        return [
            make_check("scale bar as planned", least, WORDS_LIMIT, "correlation",
                       least >= WORDS_LIMIT),
            make_check("scale bar as long as it says", self._off_px, LENGTH_LIMIT_PX, "px off",
                       self._off_px <= LENGTH_LIMIT_PX),
        ]  # fmt: skip
