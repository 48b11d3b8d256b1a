"""Verify follows a mark that wanders by its own lines, and notices one that is not where it is
planned."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.analysis.mark.painter import MarkPainter
from pipeline.analysis.mark.planning import plan_mark
from pipeline.analysis.mark.wander import Stretch
from pipeline.media.glyphs import text_glyph
from pipeline.model.field import FieldSpan
from pipeline.model.options import MarkOptions
from pipeline.stages.verifying.marked import IN_BAND_LIMIT, Marked

WIDE, HIGH = 640, 360
TIMES = np.arange(20.0, 40.0, 1.0)


@pytest.fixture(scope="module")
def made():
    glyph = text_glyph("TEACHING COPY", width_px=1000)
    field = FieldSpan(
        start_s=0, stop_s=60, shape="circle", center_x_px=320, center_y_px=180, radius_px=170,
        left_px=150, top_px=10, right_px=490, bottom_px=350, confidence=1,
    )  # fmt: skip
    mark = plan_mark(
        [field], None, MarkOptions(), glyph.coverage, glyph.x_height_ratio, [], 5, height_px=HIGH,
        shown=[Stretch(0, "5eed" * 16, 20.0, 40.0)],
    )  # fmt: skip
    return glyph, field, mark


def passed(made, painted, late_s: float = 0.0) -> bool:
    """The check's verdict on pictures painted by the plan `painted`, each `late_s` too late."""
    glyph, field, mark = made
    plan = SimpleNamespace(mark=mark, height_px=HIGH, width_px=WIDE, matrix="bt709", pieces=[])
    marked = Marked(plan, glyph.coverage)
    painter = MarkPainter(painted, glyph.coverage, field, HIGH, WIDE, "bt709", False, 0)
    half = np.full((HIGH // 2, WIDE // 2), 128, np.uint8)
    for time_s in TIMES:
        plain = np.full((HIGH, WIDE), 110, np.uint8)
        shown = plain.copy()
        painter.move(field, 0, 0, float(time_s) - late_s)
        painter.paint(shown, half, half, 0.0)
        strokes = marked.strokes(field, 0, 0, float(time_s))
        marked.look(float(time_s), strokes, 0, (plain, half, half), (shown, half, half))
    check = marked.checks()[0]
    assert check.limit == IN_BAND_LIMIT
    return check.passed


def test_a_mark_on_its_way_passes_and_lies_where_verify_puts_it(made):
    glyph, field, mark = made
    assert passed(made, mark)
    painter = MarkPainter(mark, glyph.coverage, field, HIGH, WIDE, "bt709", False, 0)
    plan = SimpleNamespace(mark=mark, height_px=HIGH, width_px=WIDE, matrix="bt709", pieces=[])
    marked = Marked(plan, glyph.coverage)
    for time_s in (20.0, 27.3, 39.9):
        painter.move(field, 0, 0, time_s)
        drawn = []
        for s in (painter.strokes, marked.strokes(field, 0, 0, time_s)):
            out = np.zeros((HIGH, WIDE))
            out[s.row, s.col] = s.weight
            drawn.append(out)
        assert np.corrcoef(drawn[0].ravel(), drawn[1].ravel())[0, 1] > 0.995


def test_a_mark_that_does_not_follow_its_way_is_noticed(made):
    _, _, mark = made
    assert not passed(made, mark.model_copy(update={"paths": []}))
    assert not passed(made, mark, late_s=2.0)
    way = mark.paths[0]
    off = [[(x + 0.03, y, t) for x, y, t in points] for points in way.marks]
    elsewhere = mark.model_copy(update={"paths": [way.model_copy(update={"marks": off})]})
    assert not passed(made, elsewhere)
