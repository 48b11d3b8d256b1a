"""The release code is drawn where a picture is seen, and nowhere else."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from pipeline.model.field import FieldSpan
from pipeline.model.release_code import CodePlan
from pipeline.stages.rendering.coding import CodePainter

FIELD = FieldSpan(
    start_s=0, stop_s=9, shape="circle-clipped", center_x_px=160, center_y_px=120, radius_px=118,
    left_px=42, top_px=2, right_px=230, bottom_px=238, confidence=1,
)  # fmt: skip


def test_what_is_not_lit_stays_as_it_is() -> None:
    """A flat side cuts cells in two: the part beyond it is surround."""
    painter = CodePainter(SimpleNamespace(code=CodePlan(seed="s" * 32, number=4711)))  # type: ignore[arg-type]
    luma = np.full((240, 320), 120, np.uint8)
    lit = np.zeros_like(luma)
    lit[:, :230] = 255
    before = luma.copy()
    assert painter.paint(luma, FIELD, 0.5, 0, lambda: lit)
    changed = luma != before
    assert changed[:, 60:225].mean() > 0.2
    assert not changed[:, 230:].any()
