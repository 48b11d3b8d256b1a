"""Verify can fail: a spoiled clip does not pass, and the check that names the fault says so."""

from __future__ import annotations

from pathlib import Path

import faults_streams  # noqa: F401 - adds to FAULTS
import pytest
from faults import FAULTS, with_options
from faults_beside import beside_checks, laid
from good import Good

from pipeline.stages.verifying.coding import coarseness

QUICK = [
    "a person's box is left out",
    "lettering in the surround for a second",
    "enlarged in the plan and not in the picture",
    "speech at -20 dB for a second under narration",
    "the highs of speech at -20 dB for a second under narration",
    "source sound in place of the stem",
    "the chapters are exchanged",
    "captions shifted by 0.3 s (vtt)",
    "poster from another case",
    "poster with what a camera notes",
    "words in the stream of pictures",
    "shown stretched",
]


def spoiled(good: Good, name: str, into: Path) -> None:
    check, make = FAULTS[name]
    failed = [c.check for c in make(good, into) if not c.passed]
    assert check in failed, failed


@pytest.mark.parametrize("name", QUICK)
def test_a_fault_is_named(good: Good, name: str, tmp_path: Path) -> None:
    spoiled(good, name, tmp_path)


def test_the_good_clip_passes_again(good: Good) -> None:
    assert [c for c in good.checks(good.path) if not c.passed] == []


def test_what_lies_beside_the_good_clip_passes(good: Good, tmp_path: Path) -> None:
    checks = beside_checks(good, laid(good, tmp_path))
    assert len(checks) >= 15 and [c for c in checks if not c.passed] == []


@pytest.mark.slow
def test_the_good_clip_passes_the_search_for_lettering(good: Good) -> None:
    """Its mark, its words and its card are meant to be there, from their first picture on."""
    checks = good.checks(good.path, options=with_options(good, lettering=True))
    assert [c for c in checks if not c.passed] == []


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(set(FAULTS) - set(QUICK)))
def test_every_fault_is_named(good: Good, name: str, tmp_path: Path) -> None:
    spoiled(good, name, tmp_path)


def test_limits_follow_the_step_of_the_quantiser() -> None:
    """ITU-T H.264, 8.5.9: it doubles every 6; no setting asks for more than CRF 35."""
    assert [coarseness(c) for c in (10, 20, 26, 32, 35, 51)] == pytest.approx(
        [1, 1, 1, 2, 2**1.5, 2**1.5]
    )


def test_there_are_many_faults() -> None:
    assert len(FAULTS) >= 60 and set(QUICK) <= set(FAULTS)
