"""The scope field: a circle cut by a box, or an outline, over a span of time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from pipeline.model.document import Part

Shape = Literal["circle", "circle-clipped", "other", "none"]


class FieldSpan(Part):
    """Field geometry in [start_s, stop_s), in pixels of the working picture.

    The lit picture is the circle cut by the box [left, right) x [top, bottom),
    or, where `outline_px` is given, that closed polygon. A pixel centre lies at
    +0.5: pixel (col 0) covers x in [0, 1). For 'other' and 'none' the centre is
    the centroid and the radius sqrt(area / pi).
    """

    start_s: float
    stop_s: float
    shape: Shape
    center_x_px: float
    center_y_px: float
    radius_px: float
    left_px: float
    top_px: float
    right_px: float
    bottom_px: float
    outline_px: list[tuple[float, float]] | None = None
    confidence: float

    @property
    def lit_box(self) -> tuple[float, float, float, float]:
        """(left, top, right, bottom) around the lit picture."""
        left, top, right, bottom = self.left_px, self.top_px, self.right_px, self.bottom_px
        if self.outline_px:
            xs, ys = zip(*self.outline_px, strict=True)
        elif self.shape in ("circle", "circle-clipped"):
            (x, y), r = (self.center_x_px, self.center_y_px), self.radius_px
            xs, ys = (x - r, x + r), (y - r, y + r)
        else:
            return left, top, right, bottom
        return max(left, min(xs)), max(top, min(ys)), min(right, max(xs)), min(bottom, max(ys))

    def relative(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Position relative to the field: centre (0, 0), radius 1, y down."""
        return (
            (x_px - self.center_x_px) / self.radius_px,
            (y_px - self.center_y_px) / self.radius_px,
        )

    def pixel(self, x: float, y: float) -> tuple[float, float]:
        """Pixel position of a field-relative one."""
        return self.center_x_px + x * self.radius_px, self.center_y_px + y * self.radius_px


def whole_picture(
    width_px: int, height_px: int, start_s: float, stop_s: float, confidence: float
) -> FieldSpan:
    """The field 'none': the picture fills the frame."""
    return FieldSpan(
        start_s=start_s,
        stop_s=stop_s,
        shape="none",
        center_x_px=width_px / 2,
        center_y_px=height_px / 2,
        radius_px=math.sqrt(width_px * height_px / math.pi),
        left_px=0,
        top_px=0,
        right_px=width_px,
        bottom_px=height_px,
        confidence=confidence,
    )


def field_at(fields: Sequence[FieldSpan], time_s: float) -> FieldSpan:
    """The field span that holds `time_s`; the nearest one outside all spans."""
    for span in fields:
        if span.start_s <= time_s < span.stop_s:
            return span
    return min(fields, key=lambda s: min(abs(s.start_s - time_s), abs(s.stop_s - time_s)))
