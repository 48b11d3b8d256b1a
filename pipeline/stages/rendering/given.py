"""What is rendered from: the sources and the cleaned narration, as files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.media.stems import Stem
from pipeline.model.recording import Recording


@dataclass(frozen=True)
class SourceMedia:
    """Where a planned source lies and what it is."""

    path: Path
    recording: Recording
    still: bool


@dataclass(frozen=True)
class NarrationMedia:
    """The cleaned narration, mono, on its own axis.

    rest: the room's part of a live microphone on the same axis; None if there is none.
    """

    voice: Stem
    offset_s: float
    rest: Stem | None = None
