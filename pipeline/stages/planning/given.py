"""What a plan is made from: the sources and the narration as measured, the mark as drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Findings
from pipeline.model.recording import Recording
from pipeline.model.survey import Survey
from pipeline.model.time import Span


@dataclass(frozen=True)
class SourceInput:
    """What the plan knows of one source file."""

    recording_index: int
    still: bool
    recording: Recording
    survey: Survey
    series: Mapping[str, NDArray[Any]]
    findings: Findings = field(default_factory=Findings)


@dataclass(frozen=True)
class NarrationInput:
    """The narration as measured, on its own axis, after its rate was mended by rate_ppm.

    spans: speech. hop_power: K-weighted power per 100 ms of one channel.
    rest_hop_power: of the room's part of a live microphone, in case time; None if it was
    not split. damage: where it could not be read as it was written, and is silent.
    """

    duration_s: float
    spans: list[Span]
    hop_power: NDArray[np.float32]
    offset_s: float
    rest_hop_power: NDArray[np.float32] | None = None
    captions: list[tuple[float, float, str]] = field(default_factory=list)
    caption_texts: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    offset_confidence: float | None = None
    rate_ppm: float = 0.0
    damage: list[Span] = field(default_factory=list)

    def in_case(self, span: tuple[float, float]) -> Span:
        """A span of the narration's own axis in case time; it may begin before the case."""
        return Span(span[0] + self.offset_s, span[1] + self.offset_s)

    def own_time(self, case_s: float) -> float:
        """A moment of case time on the narration's own axis."""
        return case_s - self.offset_s


@dataclass(frozen=True)
class GlyphInput:
    """One mark as drawn: coverage (row, col) or (2, row, col), float32 0..1.

    x_height_ratio: height of a lower-case x over the width; None for an emblem.
    """

    coverage: NDArray[np.float32]
    x_height_ratio: float | None
