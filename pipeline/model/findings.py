"""What is decided from the series of one source file: `findings.json`, fieldstop.findings/1.

Derived anew at every run at the thresholds in force; nothing is decoded for it.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Field

from pipeline.model.document import Document, Part
from pipeline.model.kinds import EVENT_KINDS


def _known(kind: str) -> str:
    if kind not in EVENT_KINDS:
        raise ValueError(f"no kind of disturbance: {kind}")
    return kind


EventKind = Annotated[
    str, AfterValidator(_known), Field(json_schema_extra={"enum": list(EVENT_KINDS)})
]


class Event(Part):
    """A disturbance of the picture. Losses are 0 clear .. 1 nothing left; None unknown.

    mean_loss: where a part of the event is unknown, the greatest loss stands for it.
    """

    kind: EventKind
    start_s: float
    stop_s: float
    peak_loss: float | None = None
    mean_loss: float | None = None
    confidence: float
    covers: float = Field(default=1.0, description="share of the field that it lies over")

    @property
    def lost_s(self) -> float:
        """Seconds of the whole picture that are lost to sight: findings are ordered by it.

        Share of the field x mean loss there x length: half of what the picture shows for 4 s is
        as bad as all of it for 2.
        What has no number is lost whole: fog that never had a clear moment, a picture outside
        the body, a damaged one.
        """
        loss = 1.0 if self.mean_loss is None else self.mean_loss
        return self.covers * loss * (self.stop_s - self.start_s)


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


class Findings(Document):
    """Events and speech of one source file, on the source's own time axis."""

    model_config = ConfigDict(frozen=True)

    schema_: Literal["fieldstop.findings/1"] = Field(
        default="fieldstop.findings/1", alias="schema"
    )
    sha256: str = Field(default="", description="of the source")
    events: list[Event] = Field(
        default=[], description="damage of the picture is among them, as the survey says"
    )
    speech: Speech = Speech()

    @classmethod
    def of_survey_1(cls, data: dict[str, Any]) -> Findings:
        """Those that a survey of version 1 held. Raises ValueError, also for another version."""
        if data.get("schema") != "fieldstop.survey/1":
            raise ValueError("no survey of version 1")
        return cls.model_validate(
            {
                "sha256": data.get("recording", {}).get("sha256", ""),
                "events": data.get("events", []),
                "speech": data.get("speech", {}),
            }
        )
