"""`plan.json`: what will be done, derived from surveys, settings and decisions.

Each entry has a span, a reason and an origin. `case time` is the kept parts
joined in order before any edit; `out time` is the finished clip.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.model.case import CaseMeasured, CaseTeaching, Side
from pipeline.model.cover import Cover
from pipeline.model.document import Document, Part
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPlan
from pipeline.model.mix import MixPlan
from pipeline.model.placement import Placement
from pipeline.model.release_code import CodePlan
from pipeline.model.time import Span

Origin = Literal["survey", "settings", "case", "decision"]


class PlannedSource(Part):
    """One source file as the plan uses it."""

    number: int
    sha256: str
    recording: int = Field(description="index of the recording in the case")
    still: bool = False
    duration_s: float
    width_px: int
    height_px: int
    frame_rate_hz: float
    has_sound: bool
    fields: list[FieldSpan] = Field(description="what is blanked to, in source pixels and time")
    moved: tuple[float, float, float] = Field(
        default=(1.0, 0.0, 0.0), description="scale, x and y offset in px to the output picture"
    )

    gain: tuple[float, float, float] = Field(
        default=(1.0, 1.0, 1.0), description="of red, green and blue as coded, all the time"
    )

    pixel_spacing_mm: float | None = Field(
        default=None, description="of a photograph with a scale, from pixel to pixel"
    )

    @property
    def matched(self) -> bool:
        """True where its colours are changed."""
        return self.gain != (1.0, 1.0, 1.0)

    def placement(self, width_px: int, height_px: int) -> Placement:
        """Where it lies in an output picture of that size."""
        scale, x_px, y_px = self.moved
        return Placement(
            (self.width_px, self.height_px), (width_px, height_px), scale, (x_px, y_px)
        )


class Compared(Part):
    """One picture of a card that holds two: of a source, placed in the clip, and what it is."""

    source: int
    start_s: float
    moved: tuple[float, float, float] = Field(description="as of a source, on this card")
    words: str
    strip_px: tuple[int, int, int, int] = Field(description="(x, y, width, height) of the words")


class ScaleBar(Part):
    """A bar of known length over a photograph, with its words above it, in px of the clip."""

    mm: float
    length_px: int
    box_px: tuple[int, int, int, int] = Field(description="(x, y, width, height) of both")

    @property
    def words(self) -> str:
        return f"{self.mm:g} mm"


class Piece(Part):
    """A stretch of the finished clip.

    play shows the source from start_s on; freeze holds its picture at start_s, which a piece
    of the same kept part plays; black shows nothing in place of the source from start_s on;
    card shows its words on black, or two pictures with theirs. length_s is the same on all
    three axes.
    """

    kind: Literal["play", "freeze", "black", "card"]
    source: int
    start_s: float
    length_s: float
    case_start_s: float
    out_start_s: float
    sound: bool = Field(default=True, description="the procedure sound is heard")
    words: str = Field(default="", description="of a card, in lines")
    compared: list[Compared] = Field(default=[], description="pictures of a card, from the left")
    scale_bar: ScaleBar | None = None
    reason: str = ""
    origin: Origin = "case"
    fade_s: float = Field(
        default=0.0, description="at its start the picture before it fades out this long"
    )

    @property
    def in_clip(self) -> Span:
        """Where it lies in the clip."""
        return Span(self.out_start_s, self.out_start_s + self.length_s)

    @property
    def in_case(self) -> Span:
        """Where it lies in case time; not for a card, which has none."""
        return Span(self.case_start_s, self.case_start_s + self.length_s)


class Redaction(Part):
    """Something taken out for anonymity: filled pixels or replaced sound, in source time."""

    what: Literal["surround", "lettering", "face", "speech", "damage"]
    source: int
    start_s: float
    stop_s: float
    box_px: tuple[int, int, int, int] | None = None
    parts: list[Cover] = Field(
        default=[], description="what of the box is filled, and when; empty: all of it, throughout"
    )
    reason: str
    origin: Origin
    by: str = Field(default="", description="initials of who decided it")

    @property
    def covers(self) -> list[Cover]:
        """What is filled of the picture."""
        if self.box_px is None:
            return []
        whole = Cover(start_s=self.start_s, stop_s=self.stop_s, box_px=self.box_px)
        return self.parts or [whole]

    @property
    def of_sound(self) -> bool:
        """True where it replaces the procedure sound."""
        return self.what in ("speech", "damage")


class Edit(Part):
    """What is done about an event, in source time."""

    source: int
    kind: str
    start_s: float
    stop_s: float
    action: Literal["keep", "cut", "freeze", "clear", "black"]
    peak_loss: float | None = None
    mean_loss: float | None = None
    narrated: bool = False
    reason: str
    origin: Origin
    by: str = Field(default="", description="initials of who decided it")


class Restoration(Part):
    """Contrast restored in [start_s, stop_s) of a source: the edit 'clear'."""

    source: int
    start_s: float
    stop_s: float
    knots: list[tuple[float, float, float]] = Field(
        description="time_s, contrast loss to undo, linear luma of the airlight as coded"
    )


class Chapter(Part):
    start_s: float
    stop_s: float
    title: str


class Caption(Part):
    """What the narrator says, in out time."""

    start_s: float
    stop_s: float
    text: str


class DrawnCaptions(Part):
    """Captions in the picture: a place of their own off the field, one caption at a time."""

    box_px: tuple[int, int, int, int] = Field(description="(x, y, width, height) of two lines")
    type_px: float = Field(description="size of the type; a wider line is drawn smaller")
    cues: list[Caption]


class Need(Part):
    """Something a person must decide before a release."""

    code: str
    message: str
    source: int | None = None
    start_s: float | None = None
    approvable: bool = Field(
        default=True, description="--approve with initials resolves it; consent never is"
    )


class Plan(Document):
    """One case and one profile."""

    schema_: Literal["fieldstop.plan/1"] = Field(default="fieldstop.plan/1", alias="schema")
    case: str
    title: str
    profile: str
    audience: str
    width_px: int
    height_px: int
    frame_rate_hz: float
    matrix: Literal["bt709", "bt601", "bt2020"]
    duration_s: float
    sources: list[PlannedSource]
    pieces: list[Piece]
    mark: MarkPlan | None = None
    code: CodePlan | None = Field(default=None, description="invisible, in the disc's luma")
    mix: MixPlan | None = None
    sound_channels: int = 2
    redactions: list[Redaction] = []
    overruled: list[Redaction] = Field(
        default=[], description="sound that is kept although it was found: a person heard it"
    )
    edits: list[Edit] = []
    restorations: list[Restoration] = []
    card: str = Field(default="", description="words of the card with the measured value")
    measured: CaseMeasured | None = Field(default=None, description="the value on the card")
    teaching: CaseTeaching = CaseTeaching()
    sides: list[Side] = Field(default=[], description="that are shown, in order")
    chapters: list[Chapter] = []
    captions: list[Caption] = []
    text_track: bool = Field(default=False, description="the captions are in the file as well")
    drawn: DrawnCaptions | None = Field(default=None, description="captions in the picture")
    poster_s: float = Field(default=0.0, description="out time of the poster's picture")
    more_posters_s: list[float] = Field(default=[], description="of others to choose from")
    narration: list[tuple[float, float]] = Field(default=[], description="speech, out time")
    voice_heard: tuple[float, float] | None = Field(
        default=None, description="the narration is heard in this part of out time only; None: all"
    )
    narration_channel: int | None = Field(default=None, description="of the recordings, from 1")
    live: bool = Field(default=False, description="narrator and room share one microphone")
    narration_offset_s: float | None = Field(
        default=None, description="where the narration file starts in case time"
    )
    narration_offset_confidence: float | None = Field(
        default=None, description="of an offset looked for in the sound, 0..1; None: it was given"
    )
    narration_rate_ppm: float = Field(
        default=0.0, description="by how many millionths the narration file was too long"
    )
    needs: list[Need] = []
    warnings: list[str] = []

    def placement(self, source: int) -> Placement:
        """Where the picture of a source lies in the clip's."""
        return self.sources[source].placement(self.width_px, self.height_px)
