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
    """The mark over the whole clip: one painter, moved with the field and along its way."""

    def __init__(self, plan: Plan, coverage: NDArray[np.float32]) -> None:
        self._plan, self._coverage = plan, coverage
        self._painter: Any = None
        self.shot = -1

    def new_shot(self) -> None:
        self.shot += 1
        self._painter = None

    def paint(
        self,
        span: FieldSpan,
        planes: Sequence[NDArray[np.uint8]],
        time_s: float,
        cut: bool,
        source: int,
        source_s: float,
    ) -> float | None:
        """Paint one picture; source_s: the second of its recording that it shows."""
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
                shot=self.shot,
                source=source,
                time_s=source_s,
            )
        else:
            self._painter.move(span, self.shot, source, source_s)
        return float(self._painter.paint(planes[0], planes[1], planes[2], time_s, cut=cut))
