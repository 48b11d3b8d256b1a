"""What a batch was asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter

from pipeline.model.case import Scope
from pipeline.model.options import Options
from pipeline.stages.values import Asked, check_initials

ASKED = TypeAdapter(Asked)  # as it goes to a worker and comes back


@dataclass(frozen=True)
class Request:
    """What was asked for. scheduler: address of a Dask scheduler, or None for this machine."""

    folder: Path
    out: Path
    options: Options
    jobs: int | None = None
    catalogue: Path | None = None
    consent: Scope | None = None
    approve: str | None = None
    looked: str | None = None
    dry_run: bool = False
    watch: bool = False
    scheduler: str | None = None

    def __post_init__(self) -> None:
        check_initials(self.approve)
        check_initials(self.looked, "--looked")

    def asked(self, withheld_before: str = "") -> Asked:
        """What is asked of each case: a batch confirms no texts, and makes nothing twice."""
        return Asked(
            approve=self.approve, looked=self.looked, read_texts=False, unless_released=True,
            withheld_before=withheld_before,
        )  # fmt: skip
