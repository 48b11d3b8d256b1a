"""A card: words in the middle of a black picture."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, UsageError
from pipeline.model.case import CaseMeasured
from pipeline.model.plan import Compared
from pipeline.stages.restore import draw_words, words_coverage

_WIDEST = 0.42  # of the picture's height; with text of any length it fits any field
_TALLEST = 0.3
_RASTER = 512
_LARGEST = 0.1  # rows of a line, of the picture's shorter side


def check_card(measured: CaseMeasured | None) -> None:
    """Raises InputError where the card of a case cannot be drawn."""
    try:
        if measured is not None:
            words_coverage(measured.card, 64)
    except UsageError as error:
        raise InputError(
            "The card of [measured] cannot be drawn", error.got, "write label and unit in Latin,"
            " Greek or Cyrillic letters, or leave [measured] out",
        ) from None  # fmt: skip


def card_box(text: str, width_px: int, height_px: int) -> tuple[int, int, int, int]:
    """(x, y, width, height) of the words, in the middle of the picture."""
    wide = round(2 * _WIDEST * height_px)
    wide = max(16, min(wide, round(0.9 * width_px)) // 2 * 2)
    high = words_coverage(text, wide).shape[0]
    lines = text.count("\n") + 1
    most = min(_TALLEST * height_px, lines * _LARGEST * min(width_px, height_px))
    if high > most:
        wide = max(16, round(wide * most / high) // 2 * 2)
        high = words_coverage(text, wide).shape[0]
    return (width_px - wide) // 2, (height_px - high) // 2, wide, high


def strip_boxes(compared: Sequence[Compared]) -> list[tuple[int, int, int, int]]:
    """(x, y, width, height) of the words of each, in the middle of its strip, of one height."""
    shapes = [words_coverage(c.words, _RASTER).shape for c in compared]
    rows_px = math.inf
    for (rows, cols), (_, _, wide, high) in zip(shapes, (c.strip_px for c in compared),
                                                strict=True):  # fmt: skip
        pad = max(4, high // 4)
        rows_px = min(rows_px, high - 2 * pad, (wide - 2 * pad) * rows / cols)
    out = []
    for c, (rows, cols) in zip(compared, shapes, strict=True):
        x, y, wide, high = c.strip_px
        width = max(16, round(rows_px * cols / rows) // 2 * 2)
        tall = words_coverage(c.words, width).shape[0]
        out.append((x + (wide - width) // 2, y + (high - tall) // 2, width, tall))
    return out


def card_zone(width_px: int, height_px: int) -> tuple[int, int, int, int]:
    """(x, y, width, height) that no card goes beyond, its bar included."""
    pad = 0.5 * _TALLEST * height_px
    wide = min(width_px, round(2 * _WIDEST * height_px + 2 * pad))
    high = min(height_px, round(_TALLEST * height_px + 2 * pad))
    return (width_px - wide) // 2, (height_px - high) // 2, wide, high


def draw_card(planes: Sequence[NDArray[np.uint8]], text: str) -> None:
    """The words in the middle of a black picture: Y, U and V (row, col), in place."""
    rows, cols = planes[0].shape
    draw_words(planes, text, card_box(text, cols, rows))
