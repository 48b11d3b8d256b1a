"""The finished picture against its source: the mark's visibility, and luma elsewhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.surround import BLACK_LUMA
from pipeline.media.frame import Picture
from pipeline.media.write import planes_of
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.release import Check
from pipeline.model.timeline import goes_on
from pipeline.stages.placed import mark_boxes
from pipeline.stages.rendering.blanking import Blanker
from pipeline.stages.restore import RESTORED_WORDS, Restorer, words_box, words_shown
from pipeline.stages.verifying.marked import Marked
from pipeline.stages.verifying.result import Verified, make_check

LUMA_LIMIT = 0.5
WORDS_LIMIT = 0.5  # correlation with the words as drawn; elsewhere it is near 0


class Compare:
    """The finished picture against its source: the mark's visibility, and luma elsewhere."""

    def __init__(self, plan: Plan, coverage: NDArray[np.float32], result: Verified) -> None:
        import av

        self._plan, self._result = plan, result
        self._mark = Marked(plan, coverage)
        self._frame = av.VideoFrame(plan.width_px, plan.height_px, "yuv420p")
        self._sum = self._count = 0.0
        self._restorers = {
            s.number: Restorer([r for r in plan.restorations if r.source == s.number])
            for s in plan.sources
        }
        self._marks = mark_boxes(plan, coverage)
        self._words: list[float] = []
        self._shots = shot_numbers(plan)

    def look(
        self, picture: Picture, piece: Piece, source_s: float, source: Picture, blanker: Blanker
    ) -> None:
        planes = planes_of(self._frame)
        blanker.copy(source.planes(), planes, source_s)
        if not blanker.lit(source_s):
            return
        shown = picture.planes()
        span = self._plan.placement(piece.source).field(blanker.field(source_s))
        restored = self._restorers[piece.source].apply(planes, source_s)
        inside = planes[0] > BLACK_LUMA
        if restored:
            x, y, wide, high = words_box(
                span, self._plan.width_px, self._plan.height_px, self._marks
            )
            self._words.append(words_shown(shown[0], RESTORED_WORDS, (x, y, wide, high)))
            inside[max(0, y - high) : y + 2 * high, max(0, x - high) : x + wide + high] = False
        shot = self._shots[id(piece)]
        strokes = self._mark.strokes(span, shot, piece.source, source_s)
        if strokes is not None:
            self._mark.look(picture.time_s, strokes, shot, planes, shown)
            inside[strokes.row, strokes.col] = False
        count = int(inside.sum())
        if count:
            self._sum += float(shown[0][inside].astype(np.int64).sum())
            self._sum -= float(planes[0][inside].astype(np.int64).sum())
            self._count += count

    def checks(self, options: Options) -> list[Check]:
        checks = []
        if self._count:
            off = self._sum / self._count
            checks.append(
                make_check("picture brightness kept", abs(off), LUMA_LIMIT, "levels",
                       abs(off) <= LUMA_LIMIT)
            )  # fmt: skip
        if self._plan.restorations:
            least = min(self._words, default=None)
            checks.append(
                make_check("restored contrast is named in the picture", least, WORDS_LIMIT,
                       "correlation", least is None or least >= WORDS_LIMIT)
            )  # fmt: skip
        checks += self._mark.checks()
        self._result.visibility = self._mark.visibility
        self._result.mark = self._mark.summary
        return checks


def shot_numbers(plan: Plan) -> dict[int, int]:
    """Shot number of each piece (by identity), counted as the renderer counts them."""
    numbers: dict[int, int] = {}
    shot, previous = -1, None
    for piece in plan.pieces:
        joined = goes_on(previous, piece)
        if not joined:
            shot += 1
        numbers[id(piece)] = shot
        previous = piece
    return numbers
