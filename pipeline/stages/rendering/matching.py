"""The constant gain of a recording, in the decoded planes: one table of numbers for all of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.light import LUMA_WEIGHTS

_SCALE, _OFFSET = np.array([219.0, 224.0, 224.0]), np.array([16.0, 128.0, 128.0])
_WHITE = 235


def gain_table(gain: tuple[float, float, float], matrix: str) -> NDArray[np.float64]:
    """(3, 4): from codes of Y, Cb, Cr to those after a gain of red, green and blue as coded.

    Black stays black.
    """
    red, blue = LUMA_WEIGHTS[matrix]
    luma = np.array([red, 1 - red - blue, blue])
    to_ycc = np.array([
        luma,
        (np.array([0, 0, 1]) - luma) / (2 * (1 - blue)),
        (np.array([1, 0, 0]) - luma) / (2 * (1 - red)),
    ])  # fmt: skip
    table = to_ycc @ np.diag(gain) @ np.linalg.inv(to_ycc)
    table = _SCALE[:, None] * table / _SCALE
    return np.column_stack([table, _OFFSET - table @ _OFFSET])


def apply_gain(
    planes: Sequence[NDArray[np.uint8]], table: NDArray[np.float64], lit: NDArray[np.uint8]
) -> None:
    """Y, U and V (row, col) in place. lit: 255 where colour is seen, of the size of U."""
    import cv2

    rows, cols = planes[1].shape
    full = [np.repeat(np.repeat(p, 2, 0), 2, 1) for p in planes[1:]]
    small = cv2.resize(planes[0][: 2 * rows, : 2 * cols], (cols, rows),
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    whole = cv2.merge([planes[0][: 2 * rows, : 2 * cols], *full])
    luma = cv2.transform(whole, table[:1])
    half = cv2.transform(cv2.merge([small, *planes[1:]]), table[1:])
    planes[0][: 2 * rows, : 2 * cols] = np.minimum(luma, _WHITE)
    for plane, new in zip(planes[1:], cv2.split(half), strict=True):
        cv2.copyTo(new, lit, plane)
