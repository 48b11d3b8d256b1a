"""`batch.json`: what a batch made, by pseudonym; no name and no path of a source."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.model.document import Document, Part
from pipeline.model.release import Withheld

State = Literal["waiting", "working", "released", "ready", "withheld", "failed", "stopped"]


class BatchError(Part):
    """Why a case failed, as an error for people."""

    what: str
    got: str = ""
    do: str = ""


class BatchFile(Part):
    """A file of a case: its place in it, and its label in the key list (private/names.csv)."""

    place: str
    label: str = ""


class BatchLeftOut(Part):
    """A file or folder that no case is made from: its label in the key list, and why."""

    label: str
    reason: str


class BatchCase(Part):
    """One case of a batch.

    release, ready and report: relative to the OUT folder. unchanged: as the last batch left it.
    length_s: of the recordings, by their headers. clip_s: of the finished clip. consent: what
    is known before the case is made; covered: whether it covers the profile, if known.
    """

    case: str
    files: list[BatchFile] = []
    consent: str = ""
    covered: bool | None = None
    state: State = "waiting"
    unchanged: bool = False
    release: str | None = None
    ready: str | None = None
    draft: str | None = None
    report: str | None = None
    withheld: list[Withheld] = []
    error: BatchError | None = None
    length_s: float = 0.0
    clip_s: float | None = None
    wall_s: float = 0.0
    cpu_s: float = 0.0
    peak_mb: float = 0.0


class BatchEstimate(Part):
    """What the cases to be made were thought to need, before they were begun."""

    cases: int = 0
    length_s: float = 0.0
    wall_s: float = 0.0
    disk_mb: float = 0.0
    free_mb: float = 0.0


class BatchReport(Document):
    """All cases of a batch, in the order they were found."""

    schema_: Literal["fieldstop.batch/1"] = Field(default="fieldstop.batch/1", alias="schema")
    program_version: str
    profile: str
    started_at: str
    ended_at: str | None = None
    interrupted: bool = False
    dry_run: bool = False
    workers: str = ""
    estimate: BatchEstimate = BatchEstimate()
    cases: list[BatchCase] = []
    left_out: list[BatchLeftOut] = []

    def count(self, state: State) -> int:
        return sum(c.state == state for c in self.cases)
