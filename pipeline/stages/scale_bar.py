"""A scale bar as it is drawn: the length in words, and under it the bar."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.media.glyphs import lines_ink
from pipeline.model.plan import ScaleBar

_WORDS = 0.6  # of the height, above the bar
_BAR = 0.16  # height of the bar


def bar_rows(bar: ScaleBar) -> slice:
    """Rows of the bar itself, from the top of its box."""
    high = bar.box_px[3]
    first = round(0.72 * high)
    return slice(first, first + max(2, round(_BAR * high)))


@lru_cache(maxsize=8)
def _ink(words: str, length_px: int, wide: int, high: int, rows: tuple[int, int]
         ) -> NDArray[np.float32]:  # fmt: skip
    ink = np.zeros((high, wide), np.float32)
    text = lines_ink(words, None, _WORDS * high / 1.25, 1.25)[:high, :wide]
    left = (wide - text.shape[1]) // 2
    ink[: text.shape[0], left : left + text.shape[1]] = text
    first = (wide - length_px) // 2
    ink[rows[0] : rows[1], first : first + length_px] = 1.0
    return ink


def bar_ink(bar: ScaleBar) -> NDArray[np.float32]:
    """Coverage 0..1 of its box, (row, col): words and bar in the middle."""
    _, _, wide, high = bar.box_px
    rows = bar_rows(bar)
    return _ink(bar.words, bar.length_px, wide, high, (rows.start, rows.stop))
