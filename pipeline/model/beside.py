"""What is made beside a released clip: stills, texts. Private list and public sheet."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.model.document import Document, Part
from pipeline.model.release import Check


class BesideFile(Part):
    """One file that left beside a clip. what: still, poster, preview, captions, text."""

    file: str
    what: str
    sha256: str
    made_at: str = Field(description="UTC, ISO 8601")


class BesideList(Document):
    """`NAME.beside.json`, private: every file that was ever made beside a release."""

    schema_: Literal["fieldstop.beside/1"] = Field(default="fieldstop.beside/1", alias="schema")
    case: str
    profile: str
    revision: int
    files: list[BesideFile] = []


class StillSheet(Document):
    """The sheet that leaves with a still: of which clip and moment it is, and its checks."""

    schema_: Literal["fieldstop.still/1"] = Field(default="fieldstop.still/1", alias="schema")
    case: str
    title: str
    number: int | None
    series_title: str
    profile: str
    audience: str
    revision: int
    clip: str = Field(description="file name of the clip that it is a picture of")
    clip_sha256: str
    clip_s: float = Field(description="time in the clip of the picture shown")
    file: str
    sha256: str
    width_px: int
    height_px: int
    year: int
    chapter: str = ""
    alt: str = Field(description="what stands in for the picture where it cannot be seen")
    cautions: list[str]
    look: str
    altered: list[str] = Field(default=[], description="what was done to this picture")
    checks: list[Check]
