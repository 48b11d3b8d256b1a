"""The finest detail of one sample, four ways: what focus and motion take first.

Measured on the sample as it comes, before it is reduced for registration: half an octave of
detail lies between the two, and a slight loss of focus takes little else.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.pairs import NOISE_SD

F64 = NDArray[np.float64]

# second differences along the row, the column and both diagonals
_ALONG = np.zeros((4, 3, 3), np.float32)
_ALONG[:, 1, 1] = -2
_ALONG[0, 1, ::2] = _ALONG[1, ::2, 1] = 1
_ALONG[2, (0, 2), (0, 2)] = _ALONG[3, (0, 2), (2, 0)] = 1
TISSUE_SD = 0.55  # of ln sharpness from tissue to tissue
NOISE_OVER = 4.0  # noise over fine detail from which on nothing is left to read
ENOUGH = 0.35  # share of a block that must be usable
LEAST_BLOCKS = 8
BLOCK_PX = 12  # blocks whose ln of power is averaged: one strong edge is not the whole picture


def finest(rgb: NDArray[np.uint8], ok: NDArray[np.float32]) -> F64:
    """(5,) mean over blocks of ln power of the finest detail of a sample; NaN if there is none.

    The first four along the row, the column and the diagonals, in coded levels, where noise is
    about equal; motion takes it along one of them. The last of all ways together, an octave
    lower. rgb: uint8 (row, col, 3), as measured. ok: 1 where the picture may be used, any size.
    """
    import cv2

    gray: Any = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    out = np.full(5, np.nan)
    for first, last in ((0, 4), (4, 5)):
        rows, cols = gray.shape
        use: Any = cv2.resize(ok, (cols, rows), interpolation=cv2.INTER_LINEAR)
        use = (use > 0.99).astype(np.float32)
        size = (max(1, cols // BLOCK_PX), max(1, rows // BLOCK_PX))
        share: Any = cv2.resize(use, size, interpolation=cv2.INTER_AREA)
        told = share > 0.5
        if told.sum() < 6:
            break
        power: Any = [
            cv2.resize(
                np.square(cv2.filter2D(gray, -1, k)) * use, size, interpolation=cv2.INTER_AREA
            )
            for k in _ALONG
        ]
        power = [sum(power)] if first else power
        out[first:last] = [np.log(x[told] / share[told] + 0.05).mean() for x in power]
        gray = cv2.resize(
            gray, (max(2, cols // 2), max(2, rows // 2)), interpolation=cv2.INTER_AREA
        )
    return out


def sharpness(sums: F64, noise: F64, area: float) -> tuple[F64, F64]:
    """(8, 8) ln of fine over coarse contrast against the rest of the field, and its weight 0..1.

    sums: (4, 8, 8) over the blocks: usable pixels, luma, power of the fine and of the
    coarser bands, linear light. noise: (3,) power over the luma per band. area: px of a block.
    """
    count = np.maximum(sums[0], 1)
    light = sums[1] / count
    noise_fine, noise_coarse = noise[0] * light + 1e-12, (noise[1] + noise[2]) * light
    coarse = np.maximum(sums[3] / count - noise_coarse, 1e-12)
    fine = np.maximum(sums[2] / count - noise_fine, 0.1 * noise_fine)
    ok = sums[0] > ENOUGH * area
    none = np.zeros_like(light)
    if ok.sum() < LEAST_BLOCKS:
        return none, none
    ratio = fine / coarse
    # the noise taken off is known to NOISE_SD of itself, against the fine detail to be expected
    share = noise_fine / (np.median(ratio[ok]) * coarse)
    weight = 1 / (1 + (0.5 * NOISE_SD * share / TISSUE_SD) ** 2)
    weight = np.where(ok & (share < NOISE_OVER), weight, 0)
    known = weight > 0
    if known.sum() < LEAST_BLOCKS:
        return none, none
    value = 0.5 * np.log(ratio)
    return np.where(known, value - np.median(value[known]), 0), weight
