"""What was measured in one source file: `survey.json`, schema fieldstop.survey/1."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from pipeline.model.document import Document, Part
from pipeline.model.field import FieldSpan
from pipeline.model.kinds import EVENT_KINDS


def _known(kind: str) -> str:
    if kind not in EVENT_KINDS:
        raise ValueError(f"no kind of disturbance: {kind}")
    return kind


EventKind = Annotated[
    str, AfterValidator(_known), Field(json_schema_extra={"enum": list(EVENT_KINDS)})
]


class SurveyedRecording(Part):
    """Identity and measured size of the source (decoded, not from the header)."""

    sha256: str
    duration_s: float
    frame_rate_hz: float
    width_px: int
    height_px: int
    frames: int = 0
    variable_rate: bool = False
    warnings: list[str] = []


class Event(Part):
    """A disturbance of the picture. Losses are 0 clear .. 1 nothing left; None unknown."""

    kind: EventKind
    start_s: float
    stop_s: float
    peak_loss: float | None = None
    mean_loss: float | None = None
    confidence: float


class Damage(Part):
    """A stretch that was not read as it was written: concealed by the decoder, or lost.

    For the picture from the first doubtful packet to the next clean key frame.
    """

    what: Literal["picture", "sound"]
    start_s: float
    stop_s: float
    sign: str = Field(description="the first sign of it, in a few words")


class Speech(Part):
    """Spans [start_s, stop_s) with speech, in the file's own sound, on the source's axis."""

    narration: list[tuple[float, float]] = []
    procedure: list[tuple[float, float]] = []
    sure: list[tuple[float, float]] = Field(
        default=[], description="where every detector is sure of speech"
    )
    undecided: list[tuple[float, float]] = Field(
        default=[], description="nobody can tell whether there is speech"
    )
    undecided_why: list[Literal["too low", "too clipped", "no answer"]] = Field(
        default=[], description="the reason for each undecided span"
    )


class Lettering(Part):
    """A place with burned-in lettering or an overlay; never the words themselves."""

    start_s: float
    stop_s: float
    box_px: tuple[int, int, int, int] = Field(description="x, y, width, height")
    where: Literal["surround", "field"]
    confidence: float


class Face(Part):
    start_s: float
    stop_s: float
    box_px: tuple[int, int, int, int]
    confidence: float


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

    schema_: Literal["fieldstop.survey/1"] = Field(default="fieldstop.survey/1", alias="schema")
    recording: SurveyedRecording
    field: list[FieldSpan] = []
    events: list[Event] = Field(
        default=[], description="damage of the picture is among them, as `damage` says"
    )
    damage: list[Damage] = []
    speech: Speech = Speech()
    lettering: list[Lettering] = []
    faces: list[Face] = []
    loudness: TrackLoudness | None = None
    measured: dict[str, str] = Field(
        default={}, description="measure name -> version; 'off' for one that was not run"
    )
    warnings: list[str] = []
