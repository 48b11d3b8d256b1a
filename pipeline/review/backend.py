"""What the local page needs from the rest of the program.

`Backend` is all that the server calls; stages fill it in, tests give a made-up one.
Everything here is on the case's time axis, except an `Anchor`, which is on its source's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NamedTuple, Protocol

from numpy.typing import ArrayLike

from pipeline.model.decisions import Anchor, Decisions
from pipeline.model.field import FieldSpan
from pipeline.model.release import Check
from pipeline.model.timeline import Stretch
from pipeline.review.report.data import ChecklistRow, MarkReport, SoundReport
from pipeline.stages.texts import ShownText

CaseState = Literal[
    "needs a person", "planned", "rendered", "ready", "withheld", "released", "closed", "failed",
    "overtaken",
]


class CaseFile(NamedTuple):
    """A file that was made of a case, or of its clip `clip`. place: relative to OUT."""

    kind: str
    words: str
    place: str
    path: Path
    clip: str = ""


class ClipSummary(NamedTuple):
    """One row below its case: a clip of a part. name: made of its times. clip_s: its length."""

    name: str
    title: str
    state: Literal["ready", "released", "withheld"]
    reason: str = ""
    clip_s: float | None = None


class CaseSummary(NamedTuple):
    """One row of the list of cases.

    open_findings: what a person has to resolve. duration_s: of the kept recordings. clip_s: of
    the finished clip; None if nothing is planned. reason: why it is withheld or failed.
    """

    case: str
    title: str
    state: CaseState
    open_findings: int
    duration_s: float
    clip_s: float | None = None
    reason: str = ""
    files: Sequence[CaseFile] = ()
    clips: Sequence[ClipSummary] = ()


@dataclass
class Segment:
    """A stretch of case time that one source shows.

    Its source time starts at `source_start_s`. `proxy` is a small video of the source
    (MP4, H.264, short distance between key frames), whose time 0 is the source's 0; it
    must show nothing that the plan blacks out. `coarse`: it has a few pictures a second only,
    and one with every picture is on its way. `placed`: where its picture lies in that of the
    clip (x, y, width, height; pixels of the clip); None: all of it, in the middle. Fields and
    sizes are of the source's working picture, field times on the source's axis.
    """

    name: str
    sha256: str
    start_s: float
    length_s: float
    source_start_s: float
    width_px: int
    height_px: int
    frame_rate_hz: float
    fields: Sequence[FieldSpan] = ()
    proxy: Path | None = None
    coarse: bool = False
    placed: tuple[float, float, float, float] | None = None

    @property
    def to_case(self) -> Stretch:
        """From the source's time to case time."""
        return Stretch(self.start_s, self.start_s + self.length_s, self.source_start_s).back


@dataclass
class CaseFinding:
    """Something found, with what the plan does about it.

    The span is the one that the anchor has in case time: what was found, not what a
    decision made of it. `actions` are those that a person may choose; `action` the planned one.
    `rejectable`: False where the plan does not let it go, whatever a person says; `kept`: why, and
    what to do instead. `stays`: True
    where it was rejected, and the plan does it all the same.
    `box_px` is in pixels of the source's working picture. `lost_s`: as `Event.lost_s`, for the
    part in this span; None for what is no disturbance of the picture.
    """

    id: str
    kind: str
    where: str
    start_s: float
    stop_s: float
    severity: str
    level: float | None
    action: str
    actions: Sequence[str]
    anchor: Anchor
    needs_person: bool = False
    rejectable: bool = True
    kept: str = ""
    stays: bool = False
    box_px: tuple[int, int, int, int] | None = None
    lost_s: float | None = None


@dataclass
class CaseView:
    """A case as the page shows it, derived from surveys, settings and decisions.

    `decided` is the version of decisions.json that the plan has seen; -1 if it is not known.
    canvas: width and height of the finished clip; None for those of the first recording.
    files: what was made of it so far.
    series: `time_s`, `contrast_loss` and so on, shape (n,). `waiting`: more comes by
    itself (sound levels, small copies); the page asks again until it is False.
    texts: those that leave and are not of the vocabulary alone.
    """

    case: str
    title: str
    profile: str
    state: CaseState
    duration_s: float
    segments: Sequence[Segment]
    findings: Sequence[CaseFinding]
    series: Mapping[str, ArrayLike]
    sound: SoundReport
    sound_settings: Mapping[str, float]
    mark: MarkReport
    chapters: Sequence[tuple[float, str]]
    checklist: Sequence[ChecklistRow]
    sources: Sequence[str]
    surveys: Sequence[str]
    settings_sha256: str
    plan_sha256: str
    narration_sha256: str
    decided: int
    report: Path | None = None
    canvas: tuple[int, int] | None = None
    files: Sequence[CaseFile] = ()
    waiting: bool = False
    event_loss: float = 0.15
    warnings: Sequence[str] = ()
    cautions: Sequence[str] = field(default_factory=tuple)
    texts: Sequence[ShownText] = ()


class RenderResult(NamedTuple):
    """What became of a render."""

    state: CaseState
    message: str
    checks: Sequence[Check]


Progress = Callable[[float, str], None]


class Backend(Protocol):
    """Calls may block; the server makes them in worker threads, one render at a time."""

    @property
    def root(self) -> Path:
        """The OUT folder. No file outside it is ever sent."""

    def confirm_texts(self, case: str, view: CaseView, by: str) -> None:
        """A person who signs has read `view.texts`: they are remembered as confirmed."""

    def list_cases(self) -> Sequence[CaseSummary]: ...

    def check_open(self, case: str) -> None:
        """Raises NeedsPerson, with what to take down, where consent was withdrawn or refused:
        nothing of such a case is shown or played."""

    def decisions_path(self, case: str) -> Path: ...

    def load_case(self, case: str, decisions: Decisions) -> CaseView:
        """The last plan. It may be older than the decisions (`CaseView.decided`)."""

    def plan_again(self, case: str, decisions: Decisions) -> CaseView:
        """The plan derived anew from these decisions, saved."""

    def preview_sound(
        self, case: str, start_s: float, stop_s: float, settings: Mapping[str, float], mixed: bool
    ) -> bytes:
        """WAV of [start_s, stop_s): as the render would mix it, or the untreated sound.

        Speech that is to be replaced is replaced in the mixed one.
        """

    def crop_loss(
        self, case: str, positions: Sequence[Mapping[str, float]], time_s: float | None = None
    ) -> dict[str, Any]:
        """`crop_loss` (0..1 or None) of a mark put there, and its `visibility` (L* or None):
        on the picture at `time_s`, as the render would paint it.
        """

    def finished_frame(
        self, case: str, time_s: float, positions: Sequence[Mapping[str, float]] | None
    ) -> bytes | None:
        """JPEG of the picture as it will be; None if this is not offered."""

    def render(
        self, case: str, decisions: Decisions, progress: Progress, cancelled: Callable[[], bool]
    ) -> RenderResult:
        """Renders, verifies and releases from a plan frozen at these decisions.

        Looks at `cancelled` now and then, and leaves nothing behind if it says so.
        """
