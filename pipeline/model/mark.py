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


class MarkPath(Part):
    """The way of the marks over one recording: uniform cubic B-splines over its time.

    Control point k stands at start_s + k * step_s; before the first and after the last they stand.
    """

    source: int
    start_s: float = Field(description="of the recording, at the first control point")
    step_s: float = Field(gt=0)
    marks: list[list[tuple[float, float, float]]] = Field(
        description="per mark its control points: x and y (radii), turn (degrees), off its place"
    )


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
    paths: list[MarkPath] = Field(default=[], description="empty: the marks stand still")
    least_crop_loss: float | None = Field(
        default=None, description="crop loss at the worst moment of the way; None: it stands still"
    )
    candidates: list[MarkCandidate] = []
    warnings: list[str] = []

    @property
    def crop_loss(self) -> float:
        """What a thief must throw away at the worst moment."""
        return self.chosen.crop_loss if self.least_crop_loss is None else self.least_crop_loss

    @property
    def reach(self) -> list[tuple[float, float, float, float]]:
        """How far each mark ever leaves its place: least and most x, least and most y, radii."""
        out = []
        for number in range(len(self.chosen.positions)):
            off = [p[:2] for way in self.paths for p in way.marks[number]] or [(0.0, 0.0)]
            xs, ys = [p[0] for p in off], [p[1] for p in off]
            out.append((min(xs), max(xs), min(ys), max(ys)))
        return out


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
