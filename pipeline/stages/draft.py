"""The words across a draft: everywhere, so that no crop is free of them, and nowhere for long.

A draft is there to be looked through. The words are small, outlined and few, and move on after
a while, so that every place of the field is seen free of them.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

WORD = "DRAFT"
STAY_S = 1.5
COLUMNS, ROWS = 4, 6
LIGHT, DARK = 205, 60


@lru_cache(maxsize=8)
def draft_words(rows: int, cols: int, step: int) -> NDArray[np.uint8]:
    """(row, col): 2 on the letters, 1 on their outline, 0 elsewhere; step: which of four places."""
    import cv2

    out = np.zeros((rows, cols), np.uint8)
    face = cv2.FONT_HERSHEY_SIMPLEX
    wide, high = cols / COLUMNS, rows / ROWS
    (unit, _), _ = cv2.getTextSize(WORD, face, 1.0, 1)
    size = max(0.3, 0.42 * wide / unit)
    thick = max(1, round(1.6 * size))
    for row in range(-1, ROWS + 1):
        for col in range(-1, COLUMNS + 1):
            across = col + (0.5 if row % 2 else 0.0) + 0.5 * (step % 2)
            down = row + 0.5 * (step // 2 % 2) + 0.7
            at = (int(across * wide), int(down * high))
            mask = np.zeros_like(out)
            cv2.putText(mask, WORD, at, face, size, 1, thick + 2)
            cv2.putText(mask, WORD, at, face, size, 2, thick)
            np.maximum(out, mask, out=out)
    out.setflags(write=False)
    return out


def paint_draft(luma: NDArray[np.uint8], time_s: float) -> None:
    """Writes the words over the luma (row, col) of a picture at `time_s` of the draft."""
    words = draft_words(*luma.shape, int(time_s / STAY_S) % 4)
    luma[words == 1] = DARK
    luma[words == 2] = LIGHT
