"""`evidence.json`: whether a suspect clip is one of the releases, and what shows it. Private."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.model.document import Document, Part


class Matched(Part):
    """A stretch of the suspect and the stretch of the release that it shows."""

    start_s: float
    stop_s: float
    release_start_s: float
    release_stop_s: float
    speed: float = Field(description="seconds of the release in one second of the suspect")
    score: float = Field(description="agreement of bits, -1 .. 1; unrelated pictures near 0")
    mirrored: bool
    turned_deg: float
    disc_px: tuple[float, float, float] = Field(
        description="x, y and radius of the release's disc on the suspect's picture"
    )


class ReadCode(Part):
    """What the invisible code in the suspect's pictures says.

    state: read; not read (there should be one); unknown (a code that no release here carries);
    no file (nothing to read it beside); none (these releases carry none).
    """

    state: Literal["read", "not read", "unknown", "no file", "none"]
    releases: list[str] = Field(default=[], description="that carry it; more than one by chance")
    recipients: list[str] = Field(default=[], description="of those copies, as their maker said")
    errors: int | None = Field(default=None, description="bits of 48 that are wrong or undecided")
    chance: float | None = Field(
        default=None, description="that bits of chance lie so near to one that was given out"
    )
    pictures: int = Field(default=0, description="of the suspect that it was read from")


class FoundRelease(Part):
    """One release that the suspect shows."""

    case: str
    title: str
    number: int | None
    series_title: str
    profile: str
    revision: int
    audience: str
    file: str
    sha256: str
    released_at: str
    consent: str = Field(description="its state today")
    withdrawn: bool
    replaced_by: int | None = Field(description="a later revision")
    file_there: bool = Field(description="the released file could be laid beside the suspect")
    score: float
    false_alarms: float = Field(
        description="how many matches of this score unrelated material would give in this search"
    )
    matched_s: float = Field(description="seconds of the suspect that show it")
    mark_text: str = Field(description="of the mark in the release; empty for an emblem or none")
    code: ReadCode = ReadCode(state="none")
    matches: list[Matched]


class Evidence(Document):
    """The answer about one suspect."""

    schema_: Literal["fieldstop.evidence/1"] = Field(default="fieldstop.evidence/1", alias="schema")
    made_at: str
    program_version: str
    suspect_sha256: str
    suspect_bytes: int
    suspect_duration_s: float
    suspect_size_px: tuple[int, int]
    looked_at_s: float = Field(description="seconds of the suspect that were looked at")
    found: list[FoundRelease]
    best_other: float | None = Field(description="highest score that is no match")
    releases: int = Field(description="that were compared")
    comparisons: int = Field(description="windows of the suspect, ways to lay it, and releases")
    compared_hours: float
    not_compared: list[str] = Field(description="releases without prints, by name")
    notes: list[str] = []
