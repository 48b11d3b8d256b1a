"""The comparison card in a plan: whose pictures, which moments, how large, and when none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.model.field import field_at
from pipeline.model.options import Options
from pipeline.stages.planning.plan import make_plan
from tests.stages.test_plan import GLYPH, case, event, field, source


@pytest.fixture(autouse=True)
def _no_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.stages.planning.plan.placed_mark", lambda *_: (None, []))


def planned(rows: list[tuple[str | None, str]], *given: Any, **settings: Any) -> Any:
    recording = [{"files": [f"{n}.mp4"], "phase": phase} | ({"side": side} if side else {})
                 for n, (side, phase) in enumerate(rows)]  # fmt: skip
    sources = [g or source(6.0, n, sha=f"{n}") for n, g in enumerate(given or [None] * len(rows))]
    return make_plan(case(recording=recording), sources, None,
                     Options.model_validate(settings), glyph=GLYPH)  # fmt: skip


def cards(plan: Any) -> list[Any]:
    return [p for p in plan.pieces if p.compared]


BOTH: list[tuple[str | None, str]] = [("left", "before"), ("left", "after")]


def test_before_and_after_of_a_side_stand_side_by_side() -> None:
    plan = planned(BOTH)
    (card,) = cards(plan)
    assert card.kind == "card" and not card.sound and card is plan.pieces[-1]
    assert [c.source for c in card.compared] == [0, 1]
    assert [c.words for c in card.compared] == ["Left side, before", "Left side, after"]
    assert plan.duration_s == pytest.approx(12 + card.length_s)


@pytest.mark.parametrize(
    "rows",
    [
        [("left", "before"), ("right", "after")],
        [("left", "before"), ("left", "procedure")],
        [("left", "after")],
    ],
)
def test_there_is_none_where_one_is_missing(rows: Any) -> None:
    assert cards(planned(rows)) == []


def test_each_side_has_its_own_and_it_can_be_turned_off() -> None:
    rows = [("left", "before"), ("right", "before"), ("left", "after"), ("right", "after")]
    found = [[c.source for c in p.compared] for p in cards(planned(rows))]
    assert found == [[0, 2], [1, 3]]
    assert cards(planned(rows, cards={"compared": False})) == []
    assert [c.words for p in cards(planned([(None, "before"), (None, "after")]))
            for c in p.compared] == ["Before", "After"]  # fmt: skip


def test_no_disturbed_picture_and_none_that_was_cut() -> None:
    fogged = source(6.0, 0, events=[event("fog", 0.0, 4.0)], sha="0")
    (card,) = cards(planned(BOTH, fogged, None))
    assert card.compared[0].start_s > 4.0
    whole = source(6.0, 0, events=[event("fog", 0.0, 6.0)], sha="0")
    plan = planned(BOTH, whole, None)
    assert cards(plan) == [] and any("no comparison" in w for w in plan.warnings)
    (card,) = cards(planned(BOTH, fogged, None, lens={"fog": "cut"}))
    played = [p for p in planned(BOTH, fogged, None, lens={"fog": "cut"}).pieces
              if p.kind == "play" and p.source == 0]  # fmt: skip
    at = card.compared[0].start_s
    assert any(p.start_s < at < p.start_s + p.length_s for p in played)


@pytest.mark.parametrize("aspect", ["source", "16:9", "1:1", "9:16"])
@pytest.mark.parametrize("radii", [(340, 340), (340, 120), (90, 300)])
def test_fields_are_of_one_size_whole_and_apart(aspect: str, radii: Any) -> None:
    given = []
    for n, r in enumerate(radii):
        span = field(0, 6).model_copy(update={"radius_px": r, "center_x_px": 500 + 200 * n})
        given.append(source(6.0, n, fields=[span], sha=f"{n}"))
    plan = planned(BOTH, *given, form={"aspect": aspect})
    (card,) = cards(plan)
    fields = []
    for c in card.compared:
        moved = plan.sources[c.source].model_copy(update={"moved": c.moved})
        place = moved.placement(plan.width_px, plan.height_px)
        fields.append(place.field(field_at(moved.fields, c.start_s)))
    assert fields[0].radius_px == pytest.approx(fields[1].radius_px)
    half = plan.width_px / 2
    for n, (f, c) in enumerate(zip(fields, card.compared, strict=True)):
        left, top, right, bottom = f.lit_box
        x, y, wide, high = c.strip_px
        assert n * half + 10 <= left and right <= (n + 1) * half - 10 and top >= 0
        assert bottom + 8 <= y and y + high <= plan.height_px and np.isclose(x + wide / 2,
                                                                            n * half + half / 2,
                                                                            atol=2)  # fmt: skip
