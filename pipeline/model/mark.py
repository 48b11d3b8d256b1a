"""The mark inside the field: where it lies, how visible it is held, what was measured."""

from __future__ import annotations

from pydantic import Field

from pipeline.model.document import Part


class MarkPosition(Part):
    """Place of one mark, relative to the field (centre 0,0; radius 1; y down)."""

    x: float
    y: float
    angle_deg: float = Field(default=0.0, description="clockwise on the screen")
    width_ratio: float = Field(gt=0, description="width of the mark over the field radius")


class MarkCandidate(Part):
    """One possible placement of the whole group of marks, with its numbers."""

    positions: list[MarkPosition] = Field(min_length=1, max_length=4)
    crop_loss: float = Field(description="least share of the lit picture a crop must lose, 0..1")
    intrusion: float = Field(description="0 nobody minds .. 1 per mark, summed over the marks")
    x_height_px: float | None = Field(
        description="height of a lower-case x at 360 rows of output; None for an emblem"
    )
    legible: bool
    inside: bool = Field(default=True, description="inside the disc and every export crop")
    reasons: list[str] = []


class MarkPlan(Part):
    """What the painter obeys. The seed is private: it belongs in release.json only."""

    chosen: MarkCandidate
    text: str
    emblem: str = ""
    font: str = ""
    band_low: float = Field(description="least visibility, L*")
    band_high: float = Field(description="greatest visibility, L*")
    target: float = Field(description="visibility the painter holds before encoding, L*")
    warp_px: float = Field(description="root mean square of the warp at 1080 rows, px")
    seed: int
    candidates: list[MarkCandidate] = []
    warnings: list[str] = []


class MarkVisibility(Part):
    """Visibility of the mark in a finished file, against its source."""

    median: float | None
    in_band_ratio: float | None = Field(description="share of the counted frames in the band")
    worst_second: float | None = Field(
        description="mean of the second farthest from the band's middle"
    )
    worst_second_s: float | None = None
    steepest_per_s: float | None = Field(
        description="largest change in one second without a cut, L*"
    )
    frames: int
    warnings: list[str] = []
