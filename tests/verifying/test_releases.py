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
    if KINDS[name].profile == "accessible":  # WCAG 2.2, success criterion 1.4.7
        (depth,) = [c for c in run.checks if "LU over background" in c.check]
        assert depth.check == "narration 20 LU over background"
        assert isinstance(depth.measured, float) and depth.measured >= 0.95
        assert run.leaving is not None
        assert '"profile": "accessible"' in run.leaving[1].read_text()


def test_they_are_of_many_kinds() -> None:
    assert len(KINDS) >= 40
