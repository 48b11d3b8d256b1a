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


class BatchCase(Part):
    """One case of a batch.

    release, ready and report: relative to the OUT folder. unchanged: as the last batch left it.
    """

    case: str
    state: State = "waiting"
    unchanged: bool = False
    release: str | None = None
    ready: str | None = None
    draft: str | None = None
    report: str | None = None
    withheld: list[Withheld] = []
    error: BatchError | None = None
    length_s: float = 0.0
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

    def count(self, state: State) -> int:
        return sum(c.state == state for c in self.cases)
