"""The mark over the whole clip."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.painter import MarkPainter
from pipeline.model.field import FieldSpan
from pipeline.model.plan import Plan


class ClipPainter:
    """The mark over the whole clip: one painter, moved when the field moves."""

    def __init__(self, plan: Plan, coverage: NDArray[np.float32]) -> None:
        self._plan, self._coverage = plan, coverage
        self._painter: Any = None
        self._field: FieldSpan | None = None
        self._shot = -1

    def new_shot(self) -> None:
        self._shot += 1
        self._painter = None

    def paint(
        self, span: FieldSpan, planes: Sequence[NDArray[np.uint8]], time_s: float, cut: bool
    ) -> float | None:
        if self._plan.mark is None:
            return None
        if self._painter is None:
            self._painter = MarkPainter(
                self._plan.mark,
                self._coverage,
                span,
                self._plan.height_px,
                self._plan.width_px,
                self._plan.matrix,
                full_range=False,
                shot=self._shot,
            )
        elif self._field is not None and _geometry(self._field) != _geometry(span):
            self._painter.move(span)
        self._field = span
        return float(self._painter.paint(planes[0], planes[1], planes[2], time_s, cut=cut))


def _geometry(span: FieldSpan) -> tuple[float, ...]:
    return (span.center_x_px, span.center_y_px, span.radius_px, span.left_px, span.top_px,
            span.right_px, span.bottom_px)  # fmt: skip
