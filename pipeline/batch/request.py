"""What a batch was asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

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

    def options_of_worker(self, threads: int) -> dict[str, Any]:
        """The settings, as JSON holds them. threads: of a worker that would take all cores, where
        several share this machine."""
        options = self.options
        if options.machine.threads == 0 and self.scheduler is None:
            machine = options.machine.model_copy(update={"threads": threads})
            options = options.model_copy(update={"machine": machine})
        return options.model_dump(mode="json")
