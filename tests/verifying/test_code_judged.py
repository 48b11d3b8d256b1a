"""When the release code is judged: only where enough of the field is bright enough to carry it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.model.field import FieldSpan
from pipeline.model.release_code import CodePlan
from pipeline.stages.verifying.coded import Coded

ROWS, COLS = 240, 320
FIELD = FieldSpan(
    start_s=0, stop_s=9, shape="circle", center_x_px=160, center_y_px=120, radius_px=118,
    left_px=42, top_px=2, right_px=278, bottom_px=238, confidence=1,
)  # fmt: skip


def seen(bright_cols: int, noise: int = 3) -> list[Any]:
    """The check of a second without the code, of which so many columns are bright."""
    code = CodePlan(seed="s" * 32, number=4711)
    fold = Coded(SimpleNamespace(code=code), 1.0)  # type: ignore[arg-type]
    luma = np.full((ROWS, COLS), 20, np.uint8)
    luma[:, 100 : 100 + bright_cols] = 120
    lit = np.full((ROWS, COLS), 255, np.uint8)
    wanted: Any = SimpleNamespace(
        planes=(luma, luma, luma), field=FIELD, lit=True, lit_mask=lit, sure=lit
    )
    random = np.random.default_rng(3)
    for number in range(25):
        shown = luma + random.integers(0, noise, luma.shape).astype(np.uint8)
        fold.look(number / 25, wanted, shown)
    return fold.checks()


@pytest.mark.parametrize("cols", [0, 20, 30])
def test_a_second_of_which_little_is_bright_is_not_judged(cols: int) -> None:
    """Eight bright cells shown 25 times are eight cells: most bits have none of them."""
    (check,) = seen(cols)
    assert check.passed and check.measured is None


@pytest.mark.parametrize("noise", [1, 3])
def test_a_bright_second_without_the_code_fails(noise: int) -> None:
    """Where nothing at all was added, too."""
    assert not seen(120, noise)[0].passed
