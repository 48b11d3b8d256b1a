"""The finished picture against its source: the mark's visibility, and luma elsewhere."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.surround import BLACK_LUMA
from pipeline.analysis.mark.painter import MarkPainter
from pipeline.analysis.mark.visibility import VisibilityFold, measure_visibility
from pipeline.media.frame import Picture
from pipeline.media.write import planes_of
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.release import Check
from pipeline.model.timeline import goes_on
from pipeline.stages.placed import mark_boxes
from pipeline.stages.rendering.blanking import Blanker
from pipeline.stages.restore import RESTORED_WORDS, Restorer, words_box, words_shown
from pipeline.stages.verifying.result import Verified, make_check

LUMA_LIMIT = 0.5
WORDS_LIMIT = 0.5  # correlation with the words as drawn; elsewhere it is near 0


class Compare:
    """The finished picture against its source: the mark's visibility, and luma elsewhere."""

    def __init__(self, plan: Plan, coverage: NDArray[np.float32], result: Verified) -> None:
        import av

        self._plan, self._coverage, self._result = plan, coverage, result
        low, high = (plan.mark.band_low, plan.mark.band_high) if plan.mark else (0.0, 1.0)
        self._fold = VisibilityFold(low, high)
        self._piece: Piece | None = None
        self._frame = av.VideoFrame(plan.width_px, plan.height_px, "yuv420p")
        self._painter: Any = None
        self._key: tuple[Any, ...] | None = None
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
        if self._plan.mark is not None:
            painter = self._painter_for(span, self._shots[id(piece)])
            value = measure_visibility(
                planes[0], shown[0], painter, (planes[1], planes[2]), (shown[1], shown[2])
            )
            cut = self._piece is not None and piece is not self._piece
            self._piece = piece
            self._fold.step(picture.time_s, value, cut)
            if np.isfinite(value):
                self._result.visibility.append((round(picture.time_s, 3), round(value, 3)))
            inside[painter.strokes.row, painter.strokes.col] = False
        count = int(inside.sum())
        if count:
            self._sum += float(shown[0][inside].astype(np.int64).sum())
            self._sum -= float(planes[0][inside].astype(np.int64).sum())
            self._count += count

    def _painter_for(self, span: FieldSpan, shot: int) -> Any:
        key = (shot, span.center_x_px, span.center_y_px, span.radius_px, span.left_px, span.top_px,
               span.right_px, span.bottom_px)  # fmt: skip
        if self._painter is not None and key != self._key:
            self._painter.move(span, shot)
        elif self._painter is None:
            assert self._plan.mark is not None
            self._painter = MarkPainter(
                self._plan.mark, self._coverage, span, self._plan.height_px, self._plan.width_px,
                self._plan.matrix, full_range=False, shot=shot,
            )  # fmt: skip
        self._key = key
        return self._painter

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
        mark = self._plan.mark
        if mark is not None and self._result.visibility:
            summary = self._fold.finish()
            self._result.mark = summary
            share = summary.in_band_ratio
            checks.append(
                make_check("mark visible inside its band", share, 0.9, "share of frames",
                       share is not None and share >= 0.9)
            )  # fmt: skip
        elif mark is not None:
            played = any(p.kind == "play" for p in self._plan.pieces)
            checks.append(make_check("mark visible inside its band", None, 0.9, "share of frames",
                                 not played))  # fmt: skip
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
