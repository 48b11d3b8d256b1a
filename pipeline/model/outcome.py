"""`outcome.json`: how the last run of a case or clip ended, for the list of cases."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.model.document import Document
from pipeline.model.release import Withheld


class Outcome(Document):
    """clip_s: length of the clip that was made or planned; None if it was only measured."""

    schema_: Literal["fieldstop.outcome/1"] = Field(default="fieldstop.outcome/1", alias="schema")
    state: Literal["released", "ready", "withheld"]
    title: str = ""
    clip_s: float | None = None
    withheld: list[Withheld] = []
