"""How black the surround of a finished picture is: one measure, with a plan and without.

Where the field lies is told by the caller: by the plan, or found anew in the finished
file. What counts as outside, what is measured there and the limit are the same for both.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.masks import field_mask
from pipeline.model.field import FieldSpan

BLACK_LUMA = 16
SURROUND_LIMIT = 12.0  # code values of 8 bits above black, or away from grey
RIM_PX = 11.4  # coding spreads the rim over a block of 8 px, and over its diagonal
_RING_PX = 6.0

Plane = NDArray[np.uint8]


def outside_mask(
    span: FieldSpan | None, height_px: int, width_px: int, edge_inset_px: float = 0.0
) -> Plane:
    """(row, col) uint8: 255 where the picture must be black, 0 in the field and at its rim.

    span: the field in pixels of that picture; None or 'none': there is no field, all of the
    picture must be black. edge_inset_px: how far inside `span` the picture ends; 0 for a
    field that was found in the finished picture, where it is what is seen.
    """
    if span is None or span.shape == "none":
        return np.full((height_px, width_px), 255, np.uint8)
    inside = field_mask(span, height_px, width_px, inset_px=edge_inset_px - RIM_PX)
    return np.asarray(255 - inside, np.uint8)


def ring_mask(span: FieldSpan, height_px: int, width_px: int) -> Plane:
    """(row, col) uint8: 255 in a ring just inside the edge of a field found in the picture."""
    outer = field_mask(span, height_px, width_px, inset_px=2.0)
    inner = field_mask(span, height_px, width_px, inset_px=2.0 + _RING_PX)
    return np.asarray(outer & ~inner, np.uint8)


def lit_share(luma: Plane, mask: Plane) -> float:
    """Share of the masked pixels that are not black; 0 where the mask is empty."""
    part = luma[mask > 0]
    return float((part > BLACK_LUMA + SURROUND_LIMIT).mean()) if part.size else 0.0


def brightest_outside(planes: Sequence[Plane], outside: Plane) -> float:
    """The most that a pixel of the mask differs from black, in code values of 8 bits.

    planes: Y, U and V of yuv420p in limited range, (row, col). Luma counts by what it has
    over 16, chroma by how far it lies from 128, where none of its four pixels is inside.
    """
    import cv2

    luma, *chroma = planes
    worst = max(0.0, cv2.minMaxLoc(luma, mask=outside)[1] - BLACK_LUMA)
    rows, cols = chroma[0].shape
    two = np.minimum(outside[: 2 * rows : 2, : 2 * cols], outside[1 : 2 * rows : 2, : 2 * cols])
    quarter = np.minimum(two[:, ::2], two[:, 1::2])
    if quarter.any():
        for plane in chroma:
            least, most, _, _ = cv2.minMaxLoc(plane, mask=quarter)
            worst = max(worst, abs(least - 128), abs(most - 128))
    return float(worst)


def near_fields(fields: Iterable[FieldSpan], time_s: float, reach_s: float) -> list[FieldSpan]:
    """The fields at `time_s`, with those that begin or end within `reach_s` of it.

    Where a field found in samples changes is known to a sample or so only: near the change
    the picture may still, or already, show the other one.
    """
    return [f for f in fields if f.start_s - reach_s <= time_s < f.stop_s + reach_s]
