"""Lettering listed: its place by the field of its time, one entry an overlay, nothing uncovered."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.analysis.boxes import area, overlap
from pipeline.analysis.identity.overlays import tidied
from pipeline.model.field import FieldSpan, whole_picture
from pipeline.model.survey import Lettering

WIDTH, HEIGHT = 320, 240


def circle(start_s: float = 0, stop_s: float = 20, **more: Any) -> FieldSpan:
    values: dict[str, Any] = {
        "start_s": start_s, "stop_s": stop_s, "shape": "circle-clipped", "center_x_px": 160,
        "center_y_px": 120, "radius_px": 110, "left_px": 0, "top_px": 20, "right_px": 320,
        "bottom_px": 220, "confidence": 1,
    }  # fmt: skip
    return FieldSpan(**values | more)


def at(x: int, y: int, w: int = 40, h: int = 12, start_s: float = 2, stop_s: float = 6) -> Any:
    return Lettering(start_s=start_s, stop_s=stop_s, box_px=(x, y, w, h), where="field",
                     confidence=0.7)  # fmt: skip


def places(item: Lettering, *fields: FieldSpan) -> str:
    return tidied([item], fields, WIDTH, HEIGHT)[0].where


def test_the_place_is_that_of_the_field_at_its_time() -> None:
    assert places(at(5, 25), circle()) == "surround"  # a corner of the box that cuts the circle
    assert places(at(140, 2), circle()) == "surround"  # over the flat edge
    assert places(at(140, 15), circle()) == "field"
    small = circle(10, 20, center_x_px=220, radius_px=80)
    assert places(at(70, 100), circle(0, 10), small) == "field"
    assert places(at(70, 100, start_s=12, stop_s=14), circle(0, 10), small) == "surround"
    assert places(at(70, 100, start_s=10.2, stop_s=14), circle(0, 10), small) == "field"
    outline = circle(shape="other", outline_px=[(100, 60), (220, 60), (220, 180), (100, 180)])
    assert places(at(40, 100), outline) == "surround"
    # With no field at all nothing is blanked; while there is none, nothing is shown.
    assert places(at(5, 25), whole_picture(WIDTH, HEIGHT, 0, 20, 1)) == "field"
    assert places(at(140, 100), whole_picture(WIDTH, HEIGHT, 0, 10, 1), circle(10)) == "surround"


def test_one_overlay_is_one_finding() -> None:
    lines = [at(100, 80 + 16 * n, 90 - 5 * n) for n in range(4)]
    twice = [at(98, 78, 94, 14, 2.2, 5.8), at(104, 82, 30, 8, 3, 3.5), at(101, 81, start_s=6.3,
             stop_s=9)]  # fmt: skip
    assert len(tidied([*lines, *twice[:2]], [circle()], WIDTH, HEIGHT)) == 1
    later = tidied([at(100, 80), twice[2]], [circle()], WIDTH, HEIGHT)
    assert [(i.start_s, i.stop_s) for i in later] == [(2, 9)]
    apart = [at(60, 100), at(180, 160), at(60, 100, start_s=9, stop_s=11)]
    assert len(tidied(apart, [circle()], WIDTH, HEIGHT)) == 3


def test_text_that_wanders_is_one_finding_and_not_one_box_over_all_of_its_way() -> None:
    way = [at(60 + 12 * n, 100, start_s=n, stop_s=n + 1) for n in range(10)]
    (one,) = tidied(way, [circle()], WIDTH, HEIGHT)
    assert one.box_px == (60, 100, 148, 12) and (one.start_s, one.stop_s) == (0, 10)
    filled = sum(c.box_px[2] * (c.stop_s - c.start_s) for c in one.covers)
    assert filled <= 1.2 * 40 * 10
    # Not what lies beside it and is far larger.
    beside = at(60, 40, 90, 90, 0, 3)
    assert len(tidied([*way, beside], [circle()], WIDTH, HEIGHT)) == 2


def test_a_line_aslant_is_one_finding_of_boxes_along_it() -> None:
    aslant = [at(80 + 20 * n, 60 + 20 * n, 30, 30) for n in range(5)]
    (one,) = tidied(aslant, [circle()], WIDTH, HEIGHT)
    assert one.box_px == (80, 60, 110, 110)
    assert 5 * 30 * 30 >= area([c.box_px for c in one.covers]) >= area([i.box_px for i in aslant])


def test_what_is_gone_for_a_moment_stays_covered() -> None:
    seen = [at(60, 100, 40, 12, 2, 3), at(75, 100, 40, 12, 3, 3.2), at(90, 100, 40, 12, 3.6, 5),
            at(100, 100, 40, 12, 5, 8)]  # fmt: skip
    (one,) = tidied(seen, [circle()], WIDTH, HEIGHT)
    at_s = {n: [c.box_px for c in one.covers if c.start_s <= 3.2 + n / 10 < c.stop_s]
            for n in range(4)}  # fmt: skip
    assert all(area(boxes) >= 55 * 12 for boxes in at_s.values())


boxes = st.tuples(
    st.integers(0, 60), st.integers(0, 40), st.integers(4, 30), st.integers(4, 14),
    st.integers(0, 8), st.integers(1, 6),
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(boxes, max_size=7))
def test_nothing_that_was_covered_is_uncovered(rows: list[tuple[int, ...]]) -> None:
    found = [at(x, y, w, h, t, t + n) for x, y, w, h, t, n in rows]
    field = circle(center_x_px=45, center_y_px=30, radius_px=50, top_px=0, bottom_px=60,
                   right_px=90)  # fmt: skip

    def covered(items: list[Lettering]) -> Any:
        volume = np.zeros((15, 60, 95), bool)
        for cover in (c for item in items for c in item.covers):
            x, y, w, h = cover.box_px
            volume[int(cover.start_s) : int(cover.stop_s), y : y + h, x : x + w] = True
        return volume

    out = tidied(found, [field], 95, 60)
    assert not (covered(found) & ~covered(out)).any()
    assert len(out) <= len(found)
    for item in out:
        assert item.where == ("field" if any(i.where == "field" for i in tidied(
            [item], [field], 95, 60)) else "surround")  # fmt: skip
        for cover in item.covers:
            assert overlap(item.box_px, cover.box_px) == cover.box_px[2] * cover.box_px[3]
            assert item.start_s <= cover.start_s < cover.stop_s <= item.stop_s


def test_it_is_the_same_when_done_twice() -> None:
    once = tidied([at(100, 80), at(100, 95), at(5, 25)], [circle()], WIDTH, HEIGHT)
    assert tidied(once, [circle()], WIDTH, HEIGHT) == once
    way = [at(60 + 12 * n, 60 + 3 * n, start_s=n, stop_s=n + 1) for n in range(6)]
    once = tidied(way, [circle()], WIDTH, HEIGHT)
    assert once[0].parts and tidied(once, [circle()], WIDTH, HEIGHT) == once
