"""The words across a draft: no crop is free of them, and every place is seen without them."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stages.draft import STAY_S, draft_words, paint_draft


@pytest.mark.parametrize(("rows", "cols"), [(120, 160), (360, 640), (540, 960), (640, 360)])
def test_the_field_can_be_looked_at_and_no_crop_is_free_of_words(rows: int, cols: int) -> None:
    steps = [draft_words(rows, cols, n) > 0 for n in range(4)]
    for words in steps:
        assert 0.01 < words.mean() < 0.16
        # a crop of two fifths of each side, anywhere, holds letters
        high, wide = int(0.4 * rows), int(0.4 * cols)
        for top in range(0, rows - high, max(1, rows // 15)):
            for left in range(0, cols - wide, max(1, cols // 15)):
                assert words[top : top + high, left : left + wide].sum() > 20
    assert np.all(steps, axis=0).mean() < 0.001  # each place is free of them now and then


def test_letters_stand_out_on_bright_and_dark_tissue() -> None:
    for level in (0, 60, 128, 205, 255):
        luma = np.full((180, 320), level, np.uint8)
        paint_draft(luma, 0.0)
        assert (np.abs(luma.astype(int) - level) >= 70).mean() > 0.01
    early, late = (np.full((180, 320), 90, np.uint8) for _ in range(2))
    paint_draft(early, 0.0)
    paint_draft(late, STAY_S)
    assert (early != late).any()
