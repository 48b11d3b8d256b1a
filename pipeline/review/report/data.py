"""What a report shows, as plain values. Pictures and sounds handed in are redacted ones."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypedDict

from numpy.typing import ArrayLike

from pipeline.model.field import FieldSpan
from pipeline.model.findings import Event, Findings
from pipeline.model.plan import Piece
from pipeline.model.release import Check, Looked, Withheld
from pipeline.model.survey import Survey, TrackLoudness
from pipeline.review.pages import CAUTIONS
from pipeline.review.standing import State


class RecordingPart(NamedTuple):
    """One recording: pseudonym, what was measured, and series of shape (n,) as in series.npz."""

    name: str
    survey: Survey
    series: Mapping[str, ArrayLike]
    findings: Findings = Findings()


class Thumbnail(NamedTuple):
    """A redacted sample frame (JPEG of the whole working picture, any size)."""

    recording: int
    time_s: float
    jpeg: bytes
    field: FieldSpan | None
    caption: str


class EventStrip(NamedTuple):
    """Redacted JPEGs of an event at onset, worst and recovery."""

    recording: int
    event: Event
    jpegs: Sequence[bytes]
    recovery_time_constant_s: float | None


class Player(NamedTuple):
    """Sound of one narrated span, before and after mixing; Ogg, M4A, WAV, FLAC or MP3 bytes."""

    span: tuple[float, float]
    before: bytes
    after: bytes


class SoundPicture(NamedTuple):
    """A track over the whole clip: PNG of its mel spectrum, low frequencies at the foot."""

    name: str
    png: bytes
    duration_s: float


class EditRow(TypedDict, total=False):
    """What is done about a span. Without `recording`, times are case time."""

    recording: int | None
    start_s: float
    stop_s: float
    kind: str
    action: str
    reason: str
    origin: str


class ChecklistRow(TypedDict, total=False):
    """One kind of identifier: how it is treated, whether it was found."""

    identifier: str
    treated: str
    found: str
    needs_person: bool


class SoundReport(TypedDict, total=False):
    """Series have shape (n,), time of the clip; LUFS by ITU-R BS.1770. Spans are pairs of
    seconds. difference_share: of the narrated windows that reach depth_lu. difference_heard: False
    where the difference is expected, not measured. An undecided span that was replaced carries
    the reason as third; one without is not resolved. overruled: kept although found, because a
    person heard no speech.
    """

    time_s: ArrayLike
    narration_lufs: ArrayLike
    background_lufs: ArrayLike
    difference_lu: ArrayLike
    difference_share: float | None
    difference_heard: bool
    background_gain_db: ArrayLike
    narration_speech: Sequence[Sequence[float]]
    procedure_speech: Sequence[Sequence[float]]
    undecided: Sequence[Sequence[Any]]
    overruled: Sequence[Sequence[float]]
    pictures: Sequence[tuple[str, bytes, float]]
    depth_lu: float
    ducking: Sequence[tuple[str, float | str | None, str]]
    loudness: Sequence[tuple[str, TrackLoudness | None, TrackLoudness | None]]


class MarkCandidate(TypedDict, total=False):
    name: str
    count: int
    crop_loss: float
    visibility: float
    chosen: bool


class MarkPlace(TypedDict, total=False):
    """Centre and size of one mark relative to the field (radius 1, y down)."""

    x: float
    y: float
    width_ratio: float
    height_ratio: float
    angle_deg: float


class MarkVisibility(TypedDict, total=False):
    low: float
    high: float
    p5: float
    median: float
    p95: float
    share_inside: float


class MarkReport(TypedDict, total=False):
    text: str
    places: Sequence[MarkPlace]
    candidates: Sequence[MarkCandidate]
    crop_loss: float
    crop_loss_goal: float
    removal: str
    visibility: MarkVisibility
    series: Mapping[str, ArrayLike]


@dataclass
class ReportData:
    """All that a report shows. Plain tuples and dicts of the same shape are taken too."""

    case: str
    title: str
    profile: str
    state: State
    program_version: str
    made_on_year: int = field(default_factory=lambda: datetime.date.today().year)
    recordings: Sequence[RecordingPart] = ()
    thumbnails: Sequence[tuple[int, float, bytes, FieldSpan | None, str]] = ()
    event_strips: Sequence[tuple[int, Event, Sequence[bytes], float | None]] = ()
    sound: SoundReport = field(default_factory=lambda: SoundReport())
    players: Sequence[tuple[tuple[float, float], bytes, bytes]] = ()
    checks: Sequence[Check] = ()
    withheld: Sequence[Withheld] = ()
    edits: Sequence[EditRow] = ()
    checklist: Sequence[ChecklistRow] = ()
    warnings: Sequence[str] = ()
    mark: MarkReport = field(default_factory=lambda: MarkReport())
    cautions: Sequence[str] = CAUTIONS
    event_loss: float = 0.15
    name: str = ""
    looked: Looked | None = None
    clip_pieces: Sequence[Piece] = ()
    links: Sequence[tuple[str, str]] = ()
    approved_by: str | None = None
