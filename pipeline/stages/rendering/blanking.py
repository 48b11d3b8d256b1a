"""Blanking: what may be seen of a source, copied into a black picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan, field_at
from pipeline.model.plan import PlannedSource, Redaction
from pipeline.stages.planning.picture import has_field

BLACK = (16, 128, 128)


class Blanker:
    """Copies the lit picture of one source into black frames, and fills boxes.

    Works on uint8 planes (row, col): luma full size, chroma half size.
    """

    def __init__(
        self, source: PlannedSource, width_px: int, height_px: int, inset_px: float,
        redactions: Sequence[Redaction],
    ) -> None:  # fmt: skip
        self._source = source
        self._size = (width_px, height_px)
        self._inset_px = inset_px
        self._boxes = [r for r in redactions if r.box_px is not None]
        self._made_for: int | None = None
        self._masks: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None = None
        self._fielded = has_field(source.fields)

    def field(self, time_s: float) -> FieldSpan:
        return field_at(self._source.fields, time_s)

    def lit(self, time_s: float) -> bool:
        """False where a recording with a field shows none: the whole picture is black then."""
        return not (self._fielded and self.field(time_s).shape == "none")

    def copy(
        self,
        planes: Sequence[NDArray[np.uint8]],
        into: Sequence[NDArray[np.uint8]],
        time_s: float,
    ) -> None:
        """`into` is filled with black, then with what may be seen of `planes`."""
        import cv2

        for plane, level in zip(into, BLACK, strict=True):
            plane[:] = level
        if not self.lit(time_s):
            return
        span = self.field(time_s)
        if id(span) != self._made_for:
            self._masks = self._make(span, planes[0].shape)
            self._made_for = id(span)
        assert self._masks is not None
        _, dx, dy = self._source.moved
        for number, (source, target) in enumerate(zip(planes, into, strict=True)):
            half = 1 if number == 0 else 2
            x, y = int(dx) // half, int(dy) // half
            rows, cols = source.shape
            cv2.copyTo(
                source, self._masks[0 if number == 0 else 1], target[y : y + rows, x : x + cols]
            )
        self.cover(into, time_s)

    def cover(self, into: Sequence[NDArray[np.uint8]], time_s: float) -> None:
        """Fills the boxes of that time."""
        for box in self._boxes:
            if box.start_s <= time_s < box.stop_s and box.box_px is not None:
                self._fill(box.box_px, into)

    def _make(
        self, span: FieldSpan, shape: tuple[int, ...]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        from pipeline.analysis.field.track import field_mask

        rows, cols = shape
        scale = self._source.moved[0]
        if not self._fielded:
            return (
                np.full((rows, cols), 255, np.uint8),
                np.full((rows // 2, cols // 2), 255, np.uint8),
            )
        inset = self._inset_px
        luma = field_mask(span, rows, cols, inset_px=inset, scale=scale)
        # Chroma is shared by four pixels: only where all four are lit.
        four = luma[: rows // 2 * 2, : cols // 2 * 2].reshape(rows // 2, 2, cols // 2, 2)
        return luma, np.ascontiguousarray(four.min(axis=(1, 3)))

    def _fill(self, box: tuple[int, int, int, int], into: Sequence[NDArray[np.uint8]]) -> None:
        scale, dx, dy = self._source.moved
        x0, y0 = box[0] * scale + dx, box[1] * scale + dy
        x1, y1 = x0 + box[2] * scale, y0 + box[3] * scale
        left, top = max(0, int(x0) // 2 * 2), max(0, int(y0) // 2 * 2)
        right, bottom = int(np.ceil(x1 / 2)) * 2, int(np.ceil(y1 / 2)) * 2
        for number, (plane, level) in enumerate(zip(into, BLACK, strict=True)):
            half = 1 if number == 0 else 2
            plane[top // half : bottom // half, left // half : right // half] = level
