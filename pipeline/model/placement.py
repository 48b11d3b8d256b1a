"""Where the picture of a source lies in the output picture: the one place that converts. Pure.

Source pixels are those of the working picture, field-relative positions have the field's centre
at (0, 0) and its radius as 1, output pixels are those of the finished clip. y points down, a
pixel centre lies at +0.5. Pixels are square on all three: the reader takes up a file's pixel
aspect in the same step that scales (`media.working`), so that a picture is resampled once and
a circle stays a circle wherever it is measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from pipeline.model.field import FieldSpan

Box = tuple[float, float, float, float]


class Window(NamedTuple):
    """What of a plane is seen, (rows, columns) each, and where in the plane of the output."""

    source: tuple[slice, slice]
    output: tuple[slice, slice]


@dataclass(frozen=True)
class Placement:
    """A source's picture scaled and moved into an output picture, which may be smaller.

    source_px, output_px: (width, height). scale: pixels of the output for one of the source.
    offset_px: (x, y) of the picture's upper left corner in the output, even; negative where
    the output cuts into the picture. Raises ValueError for an odd offset: colour is shared by
    two pixels each way.
    """

    source_px: tuple[int, int]
    output_px: tuple[int, int]
    scale: float = 1.0
    offset_px: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if any(v % 2 for v in self.offset_px):
            raise ValueError(f"an offset must be even: {self.offset_px}")

    @classmethod
    def fitted(cls, source_px: tuple[int, int], output_px: tuple[int, int]) -> Placement:
        """The whole picture as large as it fits, in the middle."""
        scale = min(output_px[0] / source_px[0], output_px[1] / source_px[1])
        left, top = (
            max(0.0, (o - s * scale) / 2 // 2 * 2)
            for s, o in zip(source_px, output_px, strict=True)
        )
        return cls(source_px, output_px, scale, (left, top))

    @property
    def picture_px(self) -> tuple[int, int]:
        """(width, height) of the whole scaled picture, even."""
        width, height = self.source_px
        if self.scale == 1.0:
            return width, height
        wide, high = width * self.scale, height * self.scale
        return max(2, round(wide / 2) * 2), max(2, round(high / 2) * 2)

    def point(self, x_px: float, y_px: float) -> tuple[float, float]:
        """A point of the source in output pixels; it may lie outside of the output."""
        return x_px * self.scale + self.offset_px[0], y_px * self.scale + self.offset_px[1]

    def source_point(self, x_px: float, y_px: float) -> tuple[float, float]:
        """A point of the output in source pixels."""
        return (x_px - self.offset_px[0]) / self.scale, (y_px - self.offset_px[1]) / self.scale

    def box(self, box_px: Box) -> Box:
        """A box (x, y, width, height) of the source in output pixels."""
        left, top = self.point(box_px[0], box_px[1])
        return left, top, box_px[2] * self.scale, box_px[3] * self.scale

    def covered(self, box_px: Box) -> tuple[slice, slice]:
        """(rows, columns) of the output that cover a box of the source: even, inside."""
        x, y, wide, high = self.box(box_px)
        return _even(y, y + high, self.output_px[1]), _even(x, x + wide, self.output_px[0])

    def field(self, span: FieldSpan) -> FieldSpan:
        """A field of the source in output pixels."""
        if self.scale == 1.0 and self.offset_px == (0.0, 0.0):
            return span
        outline = span.outline_px
        x_px, y_px = self.point(span.center_x_px, span.center_y_px)
        left, top = self.point(span.left_px, span.top_px)
        right, bottom = self.point(span.right_px, span.bottom_px)
        return span.model_copy(
            update={
                "center_x_px": x_px,
                "center_y_px": y_px,
                "radius_px": span.radius_px * self.scale,
                "left_px": left,
                "right_px": right,
                "top_px": top,
                "bottom_px": bottom,
                "outline_px": None if outline is None else [self.point(x, y) for x, y in outline],
            }
        )

    def window(self, part: int = 1) -> Window | None:
        """What the output shows of the scaled picture; None if nothing.

        part: 1 for luma, 2 for colour planes of half the size.
        """
        seen = []
        for size, whole, offset in zip(
            self.picture_px, self.output_px, self.offset_px, strict=True
        ):
            at = int(offset) // part
            first, last = max(0, at), min(whole // part, at + size // part)
            if last <= first:
                return None
            seen.append((slice(first - at, last - at), slice(first, last)))
        (cols, out_cols), (rows, out_rows) = seen
        return Window((rows, cols), (out_rows, out_cols))


def _even(start: float, stop: float, most: int) -> slice:
    first = min(most, max(0, math.floor(start / 2) * 2))
    return slice(first, min(most, max(first, math.ceil(stop / 2) * 2)))
