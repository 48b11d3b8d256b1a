"""`case.toml`: what a person says about a case."""

from __future__ import annotations

import datetime
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from pipeline.errors import UsageError
from pipeline.model.document import Part
from pipeline.model.pseudonym import SAFE
from pipeline.model.time import Span, parse_time, round_s

Scope = Literal["none", "teaching", "public"]
Side = Literal["left", "right", "midline"]
SHORTEST_KEPT_S = 0.2  # a few pictures; nobody sees what is there in less
SCOPES: tuple[Scope, ...] = ("none", "teaching", "public")


class CaseRecording(Part):
    """One recording: parts that a recorder split, or one still photograph."""

    files: list[str] = Field(min_length=1)
    side: Side | None = None
    phase: Literal["before", "procedure", "after", "still"] = "procedure"
    keep: list[tuple[float, float]] = []
    title: str | None = Field(default=None, max_length=80, description="chapter title")
    show_s: float = Field(default=4.0, ge=1, le=60, description="how long a still is shown")
    pixel_spacing_mm: float | None = Field(
        default=None, gt=0, le=100, description="of a still: millimetres from pixel to pixel where"
        " the subject lies (DICOM PS3.3, 10.7.1.3); it gets a scale bar",
    )  # fmt: skip
    field: list[float] | None = Field(
        default=None,
        description="scope field given by a person: center_x_px, center_y_px, radius_px"
        " and, if cut by a box, left_px, top_px, right_px, bottom_px",
    )

    @field_validator("keep", mode="before")
    @classmethod
    def _times(cls, value: object) -> object:
        if not isinstance(value, list):
            return value
        out = []
        for item in value:
            if not isinstance(item, (list, tuple)) or len(item) != 2:
                raise ValueError('keep takes pairs of times, for example [["2:10", "6:40"]]')
            try:
                start, stop = (round_s(parse_time(part)) for part in item)
            except UsageError:
                raise ValueError("keep takes times such as 90, 1:30, 1:30.5, 0:01:30") from None
            if stop <= start:
                raise ValueError("keep takes pairs in which the second time is later")
            if stop - start < SHORTEST_KEPT_S - 1e-6:
                raise ValueError(
                    f"keep takes parts of at least {SHORTEST_KEPT_S} s: shorter ones cannot be seen"
                )
            out.append(Span(start, stop))
        return out

    @model_validator(mode="after")
    def _scaled(self) -> CaseRecording:
        if self.pixel_spacing_mm is not None and self.phase != "still":
            raise ValueError('pixel_spacing_mm is of photographs only: phase = "still"')
        return self

    @field_validator("field")
    @classmethod
    def _field(cls, value: list[float] | None) -> list[float] | None:
        if value is not None and (len(value) not in (3, 7) or not 1 <= value[2] <= 1e5):
            raise ValueError("field takes 3 or 7 numbers, the radius from 1 to 100000")
        if value is not None and not all(abs(number) <= 1e5 for number in value):
            raise ValueError("field takes numbers between -100000 and 100000")
        return value


class CaseNarration(Part):
    """Where the narrator is heard: a file, a channel of the recording, or live."""

    file: str | None = None
    channel: int | None = Field(default=None, ge=1, le=16)
    live: bool = False
    captions: str | None = Field(
        default=None,
        description="what the narrator says: WebVTT or SubRip, or the script as plain text (.txt)"
        " whose sentences are found in the voice (English)",
    )
    offset_s: Annotated[float, Field(ge=-86400, le=86400)] | Literal["auto"] = Field(
        default="auto",
        description="where a file starts in case time; 'auto': found by the room sound that"
        " it shares with the recording",
    )

    rate_ppm: Annotated[float, Field(ge=-1000, le=1000)] | Literal["auto"] = Field(
        default="auto",
        description="by how many millionths a file is too long, since another clock ran while"
        " it was recorded; 'auto': found by the room sound that it shares with the recording",
    )

    @model_validator(mode="after")
    def _one(self) -> CaseNarration:
        if sum((self.file is not None, self.channel is not None, self.live)) != 1:
            raise ValueError("narration takes exactly one of file, channel, live")
        return self


class CaseConsent(Part):
    """What the person agreed to.

    The parts follow General Medical Council, "Making and using visual and audio recordings of
    patients" (2011): consent before recording, in writing or a record of it kept (paragraph
    24); the purpose and use explained (25); endoscopic pictures used for other purposes are
    anonymised first (10 to 12, 17). Local law and policy come first.
    """

    scope: Scope = "none"
    given_on: datetime.date | None = None
    expires_on: datetime.date | None = None
    reference: str = Field(default="", max_length=120)
    voice: bool = False
    purpose: str = Field(default="", max_length=120, description="what was explained it is for")
    staff: bool = Field(
        default=False, description="who is heard or seen beside the patient has agreed"
    )
    review_on: datetime.date | None = Field(
        default=None, description="after this day nothing leaves until consent was reviewed"
    )


class CaseMeasured(Part):
    """A measured value shown on a card."""

    label: str = Field(max_length=60)
    value: float = Field(allow_inf_nan=False)
    unit: str = Field(default="", max_length=16)

    @property
    def card(self) -> str:
        """The words of the card, two lines: what was measured; value and unit."""
        return f"{self.label}\n{self.value:g} {self.unit}".strip()


class CaseTeaching(Part):
    """What a teaching clip should say of itself; all optional, no names.

    Parts of what LAP-VEGaS asks for (see `model.scorecard`). They leave with the clip, in its
    sheet and its description.
    """

    objective: str = Field(default="", max_length=200, description="what is to be learnt")
    author: str = Field(default="", max_length=80, description="role of who performed it")
    institution: str = Field(default="", max_length=80, description="its kind, never its name")
    indication: str = Field(default="", max_length=200)
    setting: str = Field(default="", max_length=200, description="position, approach, anaesthesia")
    findings: str = Field(default="", max_length=200)
    outcome: str = Field(default="", max_length=200)

    def said(self) -> dict[str, str]:
        """The parts that are there, by name, in order."""
        return {name: text for name, text in self.model_dump().items() if text.strip()}


class Case(Part):
    """A case: recordings in order, a narration, consent."""

    case: str = Field(pattern=f"^{SAFE}$", description="a pseudonym")
    title: str = Field(default="", max_length=120)
    number: int | None = Field(default=None, ge=1, le=99999)
    recording: list[CaseRecording] = Field(min_length=1)
    narration: CaseNarration | None = None
    consent: CaseConsent = CaseConsent()
    measured: CaseMeasured | None = None
    teaching: CaseTeaching = CaseTeaching()
