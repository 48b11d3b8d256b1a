"""What was measured in one source file: `survey.json`, schema fieldstop.survey/2.

What is decided from it lies beside it, see `model.findings`.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import ConfigDict, Field, model_validator

from pipeline.model.cover import Cover
from pipeline.model.document import Document, Part
from pipeline.model.field import FieldSpan


class SurveyedRecording(Part):
    """Identity and measured size of the source (decoded, not from the header)."""

    model_config = ConfigDict(frozen=True)

    sha256: str
    duration_s: float
    frame_rate_hz: float
    width_px: int
    height_px: int
    frames: int = 0
    variable_rate: bool = False
    sound_start_s: float | None = Field(
        default=None, description="first sample of the sound, from the first picture; None: none"
    )
    sound_stop_s: float | None = None
    warnings: list[str] = []


class Damage(Part):
    """A stretch that was not read as it was written: concealed by the decoder, or lost.

    For the picture from the first doubtful packet to the next clean key frame.
    """

    what: Literal["picture", "sound"]
    start_s: float
    stop_s: float
    sign: str = Field(description="the first sign of it, in a few words")


class Lettering(Part):
    """A place with burned-in lettering or an overlay; never the words themselves."""

    start_s: float
    stop_s: float
    box_px: tuple[int, int, int, int] = Field(description="x, y, width, height")
    where: Literal["surround", "field"]
    confidence: float
    parts: list[Cover] = Field(
        default=[],
        description="what is filled where the line moves or lies aslant; empty: the box throughout",
    )

    @property
    def loose(self) -> list[Lettering]:
        """One entry without parts for each of its covers."""
        return [self.model_copy(update={"parts": [], **c.model_dump()}) for c in self.covers]

    @property
    def covers(self) -> list[Cover]:
        """What is to be filled."""
        return self.parts or [
            Cover(start_s=self.start_s, stop_s=self.stop_s, box_px=self.box_px)
        ]


class Face(Part):
    start_s: float
    stop_s: float
    box_px: tuple[int, int, int, int]
    confidence: float


class Voice(Part):
    """A span of the file's own sound in which only the finished clip let speech be heard."""

    start_s: float
    stop_s: float


class TrackLoudness(Part):
    """Loudness of one track. LUFS and LU by ITU-R BS.1770-5 / EBU R 128; None if silent."""

    integrated_lufs: float | None
    short_term_max_lufs: float | None
    momentary_max_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    channels: int = 2


class Survey(Document):
    """All that was measured in one source file, on the source's own time axis."""

    model_config = ConfigDict(frozen=True)

    schema_: Literal["fieldstop.survey/2"] = Field(default="fieldstop.survey/2", alias="schema")
    recording: SurveyedRecording
    field: list[FieldSpan] = []
    damage: list[Damage] = []
    lettering: list[Lettering] = []
    doubted: list[Cover] = Field(
        default=[],
        description="where a look that was not borne out saw lettering: told, and not filled",
    )
    faces: list[Face] = []
    voices: list[Voice] = []
    loudness: TrackLoudness | None = None
    measured: dict[str, str] = Field(
        default={}, description="measure name -> version; 'off' for one that was not run"
    )
    warnings: list[str] = []

    @model_validator(mode="before")
    @classmethod
    def _upgraded(cls, data: Any) -> Any:
        """Version 1 held events and speech too: see `Findings.of_survey_1`."""
        if isinstance(data, dict) and data.get("schema") == "fieldstop.survey/1":
            kept = {k: v for k, v in data.items() if k not in ("events", "speech")}
            return kept | {"schema": "fieldstop.survey/2"}
        return data
