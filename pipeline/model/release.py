"""What is written about a finished file: checks, the public sheet, the private record."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from pipeline.model.case import CaseMeasured, CaseTeaching, Side
from pipeline.model.document import Document, Part
from pipeline.model.release_code import KeptCode


class Check(Part):
    """One check of the finished file: measured against a limit."""

    check: str
    measured: float | str | None
    limit: float | str | None
    unit: str = ""
    passed: bool


class NotChecked(Part):
    """A check that could not be made, and why. It is never counted as passed."""

    check: str
    because: str


class Withheld(Part):
    """Why there is no release, and where a person must look."""

    code: str
    message: str
    start_s: float | None = None


class Looked(Part):
    """That a person looked, as it was said. Private: it holds initials.

    how: on the page (a sign-off), with `fieldstop release`, or with `--looked` of the command
    that made the clip. clip: False where this very clip did not exist when it was said, so
    that only its recordings, or an earlier clip, can have been looked at.
    """

    by: str = Field(pattern=r"^[A-Za-z]{1,4}$", description="initials")
    at: str = Field(description="UTC, ISO 8601")
    how: Literal["page", "release", "make"]
    clip: bool = True


NOT_LOOKED = "Nobody has looked at this clip before its release."


def look_sentence(looked: Looked | None, *, initials: bool) -> str:
    """Who looked, in a sentence; without initials it may go out."""
    if looked is None:
        return NOT_LOOKED
    who = looked.by if initials else "A person"
    day = looked.at[:10]
    if not looked.clip:
        return f"{who} said on {day}, when this clip was made, to have looked."
    how = {
        "page": "and signed off on the review page",
        "release": "and released it",
        "make": "as given on the command line",
    }[looked.how]
    return f"{who} looked at this clip on {day} {how}."


class Sheet(Document):
    """The sheet that leaves with the file: no source hashes, seeds, references or initials."""

    schema_: Literal["fieldstop.sheet/1"] = Field(default="fieldstop.sheet/1", alias="schema")
    case: str
    title: str
    number: int | None
    series_title: str = ""
    profile: str
    audience: str
    revision: int
    replaces: int | None = None
    file: str
    sha256: str
    duration_s: float
    width_px: int
    height_px: int
    year: int
    chapters: list[tuple[float, str]] = []
    sides: list[Side] = Field(default=[], description="that are shown, in order")
    measured: CaseMeasured | None = Field(default=None, description="the value on the card")
    teaching: CaseTeaching = CaseTeaching()
    cautions: list[str] = []
    look: str = Field(default="", description="whether a person looked before it was released")
    checks: list[Check] = []
    edits: list[str] = []
    altered: list[str] = Field(default=[], description="what was done, a sentence a kind")
    poster: str | None = Field(default=None, description="file name beside the clip")
    poster_sha256: str | None = None
    captions: str | None = Field(default=None, description="file name beside the clip")
    captions_sha256: str | None = None
    captions_box_px: tuple[int, int, int, int] | None = Field(
        default=None, description="where they are drawn in the picture: x, y, width, height"
    )
    proof: str | None = Field(default=None, description="file name beside the clip")
    provenance: list[str] = Field(
        default=[], description="what its signature covers, a sentence each; empty: it has none"
    )


class ReleaseRecord(Document):
    """`release.json`: the private, full record of one release."""

    schema_: Literal["fieldstop.release/1"] = Field(default="fieldstop.release/1", alias="schema")
    sheet: Sheet
    released_at: str
    program_version: str
    sources: list[str]
    narration: str = Field(default="", description="sha256 of the narration's file")
    settings_sha256: str
    plan_sha256: str
    inputs_sha256: str = ""
    survey_sha256: list[str]
    consent: dict[str, Any]
    mark: dict[str, Any]
    approved_by: str | None = None
    looked: Looked | None = None
    path: str
    unsigned_sha256: str = Field(default="", description="of the clip before it was signed")
    code: KeptCode | None = Field(default=None, description="invisible, in its pictures")
    recipient: str = Field(
        default="", max_length=60, description="for whom this copy was made, as its maker calls it"
    )
    warnings: list[str] = []
    judged: list[str] = Field(
        default=[], description="what a person let through although it was found, and why"
    )

    @property
    def bound_by(self) -> list[str]:
        """Hashes of all files whose consent binds it: its sources, and its narration."""
        return [*self.sources, *([self.narration] if self.narration else [])]
