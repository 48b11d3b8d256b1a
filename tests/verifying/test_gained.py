"""Gains of the recordings: exactly those of the plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from good import Good

pytestmark = pytest.mark.slow

GAINS = ((1.12, 0.96, 1.05), (0.9, 1.04, 0.95))


def gained(good: Good, *gains: Any) -> Any:
    sources = [s.model_copy(update={"gain": g})
               for s, g in zip(good.plan.sources, gains, strict=True)]  # fmt: skip
    return good.plan.model_copy(update={"sources": sources})


def test_a_clip_with_planned_gains_passes_and_another_gain_fails(
    good: Good, tmp_path: Path
) -> None:
    """With a box, restored contrast, a fade, a hold and another size, as the good clip has them."""
    plan = gained(good, *GAINS)
    path = good.shown(tmp_path, plan=plan)
    assert [str(c) for c in good.checks(path, plan=plan) if not c.passed] == []
    failed = [c.check for c in good.checks(path) if not c.passed]
    assert "picture colours kept" in failed


@pytest.mark.parametrize("channel", range(3))
@pytest.mark.parametrize("factor", [0.94, 1.06])
def test_a_gain_that_is_off_by_little_is_seen(
    good: Good, channel: int, factor: float, tmp_path: Path
) -> None:
    off = [g * (factor if k == channel else 1) for k, g in enumerate(GAINS[0])]
    path = good.shown(tmp_path, plan=gained(good, tuple(off), GAINS[1]))
    checks = good.checks(path, plan=gained(good, *GAINS))
    assert {"picture brightness kept", "picture colours kept"} & {
        c.check for c in checks if not c.passed
    }
