"""What verify hands back: checks, and series for the report."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pipeline.model.field import FieldSpan
from pipeline.model.release import Check, NotChecked
from pipeline.model.survey import Face, Lettering, Voice


@dataclass(frozen=True)
class Verified:
    """Checks of a finished file, and series for the report."""

    checks: tuple[Check, ...] = ()
    visibility: tuple[tuple[float, float], ...] = ()
    mark: Any = None
    code_kept: float | None = None
    loudness: Any = None
    ducking: Any = None
    fields: tuple[FieldSpan, ...] = ()
    missed: tuple[Lettering | Face | Voice, ...] = ()
    could_not: tuple[NotChecked, ...] = ()
    told: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """No check that was made failed; `could_not` tells what was not looked at."""
        return all(c.passed for c in self.checks)


@dataclass
class Verifying:
    """What becomes a `Verified`, while the file is measured."""

    checks: list[Check] = field(default_factory=list)
    visibility: list[tuple[float, float]] = field(default_factory=list)
    mark: Any = None
    code_kept: float | None = None
    loudness: Any = None
    ducking: Any = None
    fields: list[FieldSpan] = field(default_factory=list)
    missed: list[Lettering | Face | Voice] = field(default_factory=list)
    could_not: list[NotChecked] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def done(self) -> Verified:
        return Verified(
            tuple(self.checks), tuple(self.visibility), self.mark, self.code_kept,
            self.loudness, self.ducking, tuple(self.fields), tuple(self.missed),
            tuple(self.could_not), tuple(self.told),
        )  # fmt: skip


def make_check(name: str, measured: Any, limit: Any, unit: str, passed: bool) -> Check:
    if isinstance(measured, (float, np.floating)):
        measured = round(float(measured), 3)
    return Check(check=name, measured=measured, limit=limit, unit=unit, passed=bool(passed))
