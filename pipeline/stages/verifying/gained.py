"""The gain of a recording, by verify's own sums: to red, green and blue, times it, and back."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

# Of red and blue in luma: ITU-R BT.709, BT.601 and BT.2020, table 4 (2.5.1, 3.2 in the older ones).
RED_BLUE = {"bt709": (0.2126, 0.0722), "bt601": (0.299, 0.114), "bt2020": (0.2627, 0.0593)}
Plane = NDArray[np.uint8]
Floats = NDArray[np.floating]


def with_gain(
    planes: Sequence[Plane], gain: tuple[float, float, float], matrix: str, lit_colour: Plane
) -> list[Plane]:
    """Y, Cb and Cr (row, col) of limited range after it; colour changes where it is lit (255)."""
    rows, cols = planes[1].shape
    y = planes[0][: 2 * rows, : 2 * cols].astype(np.float32)
    cb, cr = (p.astype(np.float32) - 128 for p in planes[1:])
    luma = planes[0].copy()
    twice_cb, twice_cr = (p.repeat(2, 0).repeat(2, 1) for p in (cb, cr))
    new_y, _, _ = _gained(y, twice_cb, twice_cr, gain, matrix)
    luma[: 2 * rows, : 2 * cols] = np.clip(np.rint(new_y), 0, 235).astype(np.uint8)
    mean = y.reshape(rows, 2, cols, 2).mean(axis=(1, 3))
    out = [luma]
    for plane, new in zip(planes[1:], _gained(mean, cb, cr, gain, matrix)[1:], strict=True):
        code = np.clip(np.rint(new + 128), 0, 255).astype(np.uint8)
        out.append(np.where(lit_colour > 0, code, plane))
    return out


def _gained(
    y: Floats, cb: Floats, cr: Floats,
    gain: tuple[float, float, float], matrix: str,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Y as coded, Cb and Cr less 128, all of one size."""
    k_red, k_blue = RED_BLUE[matrix]
    k_green = 1 - k_red - k_blue
    grey = (y - 16) / 219
    red = grey + 2 * (1 - k_red) * cr / 224
    blue = grey + 2 * (1 - k_blue) * cb / 224
    green = (grey - k_red * red - k_blue * blue) / k_green
    red, green, blue = gain[0] * red, gain[1] * green, gain[2] * blue
    new = k_red * red + k_green * green + k_blue * blue
    return (
        16 + 219 * new,
        224 * (blue - new) / (2 * (1 - k_blue)),
        224 * (red - new) / (2 * (1 - k_red)),
    )
