"""`*.ready.json`: a verified clip that waits for a person's look, and what its release needs.

It lies beside the clip in the private folder. Consent is not part of it: that is looked up
anew on the day of the release. A seal of the installation shows whether it was changed since.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from pipeline.model.document import Document
from pipeline.model.plan import Plan
from pipeline.model.release import Check


class ReadyClip(Document):
    """One clip that is ready: of one case, profile and (of a part) name.

    made_from: a hash for each part of what it was made from, by name (see `stages.inputs`).
    sources_at, case_at, narration_at: where the material lay, to look whether it has changed.
    """

    schema_: Literal["fieldstop.ready/1"] = Field(default="fieldstop.ready/1", alias="schema")
    case: str
    number: int | None = Field(default=None, description="in the series, as the case wishes")
    profile: str
    suffix: str = ""
    numbered: bool = True
    narrated: bool = True
    file: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*\.mp4$", description="beside this")
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    made_at: str = Field(description="UTC, ISO 8601")
    program_version: str
    settings_sha256: str
    plan: Plan
    made_from: dict[str, str]
    survey_sha256: list[str]
    narration_sha256: str = ""
    voice: bool = Field(description="made under a consent that covers voices heard in the room")
    checks: list[Check]
    mark: dict[str, Any]
    code_kept: float | None = Field(
        default=None, description="share of the invisible code that coding left in the pictures"
    )
    recipient: str = Field(default="", max_length=60, description="of this copy; never leaves")
    approved_by: str | None = Field(default=None, pattern=r"^[A-Za-z]{1,4}$")
    inputs: str = ""
    warnings: list[str] = []
    prints_sha256: str = Field(
        default="", description="of the file of its prints (`stages.ready`); '' where it has none"
    )
    sources_at: list[str] = []
    case_at: str = ""
    narration_at: str | None = None
    signed: bool = Field(default=False, description="its file holds a signature; `sha256` is so")
    seal: str = Field(
        default="", description="of this installation over all the rest; '' where it has none yet"
    )

    @property
    def name(self) -> str:
        """`HL-0142-web`: how people name what is ready."""
        return f"{self.case}-{self.profile}{self.suffix}"
