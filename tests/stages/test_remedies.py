"""A check that failed says what a person can do about it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from pipeline.model.release import Check
from pipeline.stages.gate import failed_checks
from pipeline.stages.remedies import OURS, REMEDIES, remedy

PACKAGE = Path(__file__).resolve().parents[2] / "pipeline"


def written() -> set[str]:
    """Every text that stands in the code, but for the remedies themselves."""
    return {
        node.value
        for path in PACKAGE.rglob("*.py")
        if path.name != "remedies.py"
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


@pytest.mark.parametrize("name", REMEDIES)
def test_each_remedy_is_for_a_check_that_exists(name: str) -> None:
    assert any(text.startswith(name) for text in written()), f"no check begins with {name!r}"


def test_a_failed_check_says_what_was_measured_and_what_to_do() -> None:
    bad = Check(check="faces in the picture", measured=1.0, limit=0, unit="spans", passed=False)
    good = bad.model_copy(update={"passed": True})
    (said,) = failed_checks([bad, good])
    assert said.code == "check"
    assert said.message.startswith("faces in the picture: measured 1.0 spans, limit 0.0; look at")


def test_what_nobody_can_mend_is_said_to_be_ours() -> None:
    assert remedy("bytes that belong to no sample") == OURS
    odd = Check(check="sound", measured="none", limit="", unit="", passed=False)
    assert failed_checks([odd])[0].message == f"sound: measured none; {OURS}"
