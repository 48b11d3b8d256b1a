"""A box that is to be filled, from when to when."""

from __future__ import annotations

from pydantic import Field

from pipeline.model.document import Part
from pipeline.model.time import Span, round_s


class Cover(Part):
    """A box in px of the source, in source time."""

    start_s: float
    stop_s: float
    box_px: tuple[int, int, int, int] = Field(description="x, y, width, height")

    def padded(self, pad_s: float, limit_s: float) -> Cover:
        """So long before and after, inside the source."""
        wide = Span(self.start_s, self.stop_s).padded(pad_s, limit_s)
        times = {"start_s": round_s(wide.start_s), "stop_s": round_s(wide.stop_s)}
        return self.model_copy(update=times)
