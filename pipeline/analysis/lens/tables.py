"""What the lens measure keeps of a recording: its tables of samples and pairs, and its result."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens import pairs
from pipeline.model.field import FieldSpan

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
LAGS = (1, 5)
WORK_PX = 88
LEAST_INLIERS = 0.35
DARK_LEVEL = 0.045
CLIPPED_PIXEL = 250
CLIPPED_MOST = 0.65  # share of the field above which nothing can be followed
DARK_PIXEL = 20
SHEET_PX = 4  # a clipped part at least so wide is no highlight


@dataclass
class LensResult:
    """Series of one recording, one entry per sample; NaN is unknown.

    time_s: float64 (n,). contrast_loss, contrast_loss_low, contrast_loss_high:
    float32 (n,), share of contrast lost to fog and its interval, which may be known where
    the loss is not: fog that was never seen to leave. veiling_luminance:
    float32 (n,), luma of the airlight in linear light, 1 at full scale. contrast: that of
    coarse detail over the mean light. redness: ln of red over the other two, of the mean
    linear light. saturation, clipped_share, dark_share: 0..1.
    level: mean luma, gamma-coded, 0..1. blur: loss of fine detail beyond fog, 0..1.
    blur_sure, glare_sure, dark_sure: how sure it is that this explains the moment, 0..1.
    smudge: loss of detail under a smudge beyond the rest of the field, 0..1, 0 without one.
    smudge_covers: share of the field that it lies over, as if all of it lost so much.
    foreign_share: share of the lit field whose colour is not red. break_before:
    1 where the view could not be followed from the sample before. gain: factor of
    camera gain. airlight: its colour in linear light at gain 1, luma of it.
    """

    time_s: F64
    contrast_loss: F32
    contrast_loss_low: F32
    contrast_loss_high: F32
    veiling_luminance: F32
    contrast: F32
    redness: F32
    saturation: F32
    clipped_share: F32
    dark_share: F32
    level: F32
    blur: F32
    blur_sure: F32
    glare_sure: F32
    dark_sure: F32
    smudge: F32
    smudge_covers: F32
    foreign_share: F32
    break_before: F32
    gain: F32
    airlight: F32

    def series(self) -> dict[str, NDArray[Any]]:
        """Name -> array, as stored in `series.npz`."""
        return {f.name: getattr(self, f.name) for f in dataclass_fields(self)}


class GrowingTable:
    """Rows of float32 that grow by doubling."""

    def __init__(self, width: int) -> None:
        self._data = np.empty((256, width), np.float32)
        self.rows = 0

    def add(self, row: NDArray[Any]) -> None:
        if self.rows == len(self._data):
            self._data = np.concatenate([self._data, np.empty_like(self._data)])
        self._data[self.rows] = row
        self.rows += 1

    @property
    def values(self) -> F32:
        return self._data[: self.rows]


class Tables(NamedTuple):
    """What the fold gathers: all that `solve_tables` needs.

    times: (n,) s. samples: (n, 20). pairs: (p, 14). blocks: (b, 135), for the pairs of
    the longest lag. sharp: (n, 192), sharpness of the blocks, its weight, and how far they
    moved anyhow since the sample before. size: (row, col) of the working picture in px.
    """

    times: F64
    samples: F32
    pairs: F32
    blocks: F32
    sharp: F32
    size: tuple[int, int]


# columns of the sample table
MEAN, DARK = slice(0, 3), slice(3, 6)
SHARP, SHEET = slice(14, 19), 19  # ln of the finest detail: four ways, and an octave lower
SAMPLE_WIDTH = 20
# columns of the pair table
PAIR_WIDTH = 2 + 4 * 3
# columns of the block table: row of the pair table, detail per block, its weight, motion
CELLS = pairs.BLOCKS**2
SHARP_WIDTH = 3 * CELLS
DETAIL, DETAIL_WEIGHT = slice(1, 1 + CELLS), slice(1 + CELLS, 1 + 2 * CELLS)
BLOCK_WIDTH = 1 + 2 * CELLS + 6


def column_bounds(f: FieldSpan) -> tuple[float, float, float, float]:
    """Left, top, right, bottom in px of the lit picture."""
    box = (f.left_px, f.top_px, f.right_px, f.bottom_px)
    if f.outline_px is not None or f.shape == "none":
        return box
    r = 1.05 * f.radius_px
    return (
        max(box[0], f.center_x_px - r),
        max(box[1], f.center_y_px - r),
        min(box[2], f.center_x_px + r),
        min(box[3], f.center_y_px + r),
    )
