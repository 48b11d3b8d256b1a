"""How a step tells how far it is."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called with the stage, what is done and the whole, both in the same unit."""

    def __call__(self, stage: str, done: float, whole: float) -> None: ...


def no_progress(stage: str, done: float, whole: float) -> None:
    """Says nothing."""
