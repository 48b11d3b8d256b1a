"""The scorecard counts what is there: every part that is taken away costs points."""

from __future__ import annotations

import pytest

from pipeline.model.case import CaseMeasured, CaseTeaching
from pipeline.model.plan import Edit, Piece, Plan
from pipeline.model.release import Sheet
from pipeline.model.scorecard import MOST, clear_share, scorecard

SAID = CaseTeaching(
    objective="a", author="ENT surgeon", institution="clinic", indication="b", setting="c",
    findings="d", outcome="e",
)  # fmt: skip


def _sheet(**more: object) -> Sheet:
    given: dict[str, object] = {
        "case": "QM-0300", "title": "Crusts", "number": 1, "profile": "web", "audience": "public",
        "revision": 1, "file": "x.mp4", "sha256": "a" * 64, "duration_s": 20, "width_px": 320,
        "height_px": 240, "year": 2026, "sides": ["left"], "teaching": SAID,
        "chapters": [(0.0, "a"), (5.0, "b"), (10.0, "c")], "captions": "x.vtt",
        "measured": CaseMeasured(label="a", value=1),
    }  # fmt: skip
    return Sheet.model_validate(given | more)


def _plan(*kept: tuple[float, float], **more: object) -> Plan:
    piece = Piece(kind="play", source=0, start_s=0, length_s=20, case_start_s=0, out_start_s=0)
    edits = [
        Edit(source=0, kind="fog", start_s=a, stop_s=b, action="keep", reason="", origin="case")
        for a, b in kept
    ]
    given: dict[str, object] = {"pieces": [piece], "edits": edits, "duration_s": 20.0,
                                "narration": [(1.0, 3.0)]}  # fmt: skip
    return Plan.model_construct(**(given | more))  # type: ignore[arg-type]


def test_all_of_it_is_eighteen() -> None:
    whole = scorecard(_sheet(), _plan(), stills=1)
    assert whole.total == MOST == 18 and not any(i.lacks for i in whole.items)
    assert len(whole.items) == 9, "nine items of two points (Surg Endosc 2021;35:1362-1369)"


@pytest.mark.parametrize("gone", [
    {"teaching": SAID.model_copy(update={name: ""})} for name in CaseTeaching.model_fields
] + [{"captions": None}, {"measured": None}, {"chapters": []}, {"sides": []}])  # fmt: skip
def test_what_is_missing_costs_and_is_named(gone: dict[str, object]) -> None:
    card = scorecard(_sheet(**gone), _plan(), stills=1)
    lost = [i for i in card.items if i.points < 2]
    assert card.total < MOST and lost and all(i.lacks for i in lost)


def test_a_bare_recording_scores_next_to_nothing() -> None:
    bare = _sheet(title="", sides=[], chapters=[], captions=None, measured=None,
                  teaching=CaseTeaching())  # fmt: skip
    assert scorecard(bare, _plan((0.0, 20.0), narration=[]), stills=0).total == 0


def test_a_disturbed_picture_counts_where_it_was_kept() -> None:
    assert clear_share(_plan((2.0, 4.0), (3.0, 5.0))) == pytest.approx(0.85)
    points = {share: scorecard(_sheet(), _plan((0.0, share)), 1).items[-1].points
              for share in (0.5, 2.0, 8.0)}  # fmt: skip
    assert points == {0.5: 2, 2.0: 1, 8.0: 0}
