"""Blanking: what may be seen of a source, copied into a black picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.masks import field_mask
from pipeline.model.field import FieldSpan, field_at
from pipeline.model.plan import PlannedSource, Redaction
from pipeline.stages.planning.picture import has_field
from pipeline.stages.rendering.matching import apply_gain, gain_table

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
        self._place = source.placement(width_px, height_px)
        self._inset_px = inset_px
        self._boxes = [(r, r.covers) for r in redactions if r.box_px is not None]
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
        if self._masks is None or id(span) != self._made_for:
            self._masks = self._make(span, planes[0].shape)
            self._made_for = id(span)
        for number, (source, target) in enumerate(zip(planes, into, strict=True)):
            window = self._place.window(1 if number == 0 else 2)
            if window is None:
                return
            mask = self._masks[0 if number == 0 else 1]
            cv2.copyTo(source[window.source], mask[window.source], target[window.output])
        self.cover(into, time_s)

    def lit_mask(self) -> NDArray[np.uint8]:
        """(row, col) of the clip's size: 255 where luma was copied from the last picture that was
        lit; boxes are not taken out."""
        wide, high = self._place.output_px
        out = np.zeros((high, wide), np.uint8)
        window = self._place.window()
        if window is not None and self._masks is not None:
            out[window.output] = self._masks[0][window.source]
        return out

    def cover(self, into: Sequence[NDArray[np.uint8]], time_s: float) -> None:
        """Fills the boxes of that time."""
        for whole, covers in self._boxes:
            if whole.start_s <= time_s < whole.stop_s:
                for cover in covers:
                    if cover.start_s <= time_s < cover.stop_s:
                        self._fill(cover.box_px, into)

    def match(self, into: Sequence[NDArray[np.uint8]], time_s: float, matrix: str) -> None:
        """The gain of the source, on what `copy` put there; matrix: of the colours."""
        if not self._source.matched or not self.lit(time_s) or self._masks is None:
            return
        window = self._place.window(2)
        if window is None:
            return
        lit = np.zeros(into[1].shape, np.uint8)
        lit[window.output] = self._masks[1][window.source]
        apply_gain(into, gain_table(self._source.gain, matrix), lit)

    def _make(
        self, span: FieldSpan, shape: tuple[int, ...]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        rows, cols = shape
        if not self._fielded:
            return (
                np.full((rows, cols), 255, np.uint8),
                np.full((rows // 2, cols // 2), 255, np.uint8),
            )
        inset = self._inset_px
        luma = field_mask(span, rows, cols, inset_px=inset, scale=self._place.scale)
        # Chroma is shared by four pixels: only where all four are lit.
        whole = luma[: rows // 2 * 2, : cols // 2 * 2]
        two = np.minimum(whole[::2], whole[1::2])
        return luma, np.minimum(two[:, ::2], two[:, 1::2])

    def _fill(self, box: tuple[int, int, int, int], into: Sequence[NDArray[np.uint8]]) -> None:
        rows, cols = self._place.covered(box)
        for number, (plane, level) in enumerate(zip(into, BLACK, strict=True)):
            half = 1 if number == 0 else 2
            plane[
                rows.start // half : rows.stop // half, cols.start // half : cols.stop // half
            ] = level
