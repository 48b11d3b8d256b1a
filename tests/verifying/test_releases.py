"""Good clips of many kinds pass every check."""

from __future__ import annotations

from pathlib import Path

import pytest
from releases import KINDS, released


@pytest.mark.slow
@pytest.mark.parametrize("name", KINDS)
def test_a_good_clip_passes(name: str, tmp_path: Path) -> None:
    run = released(tmp_path, KINDS[name])
    assert [c for c in run.checks if not c.passed] == []
    assert not run.withheld, run.withheld


def test_they_are_of_many_kinds() -> None:
    assert len(KINDS) >= 40
