"""Lettering listed: its place by the field of its time, one entry an overlay, nothing uncovered."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

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
    # Text that wanders is not one box over all of its way.
    way = [at(60 + 12 * n, 100, start_s=n, stop_s=n + 1) for n in range(10)]
    covered = sum(i.box_px[2] for i in tidied(way, [circle()], WIDTH, HEIGHT))
    assert len(tidied(way, [circle()], WIDTH, HEIGHT)) > 2 and covered < 10 * 100


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
        for item in items:
            x, y, w, h = item.box_px
            volume[int(item.start_s) : int(item.stop_s), y : y + h, x : x + w] = True
        return volume

    out = tidied(found, [field], 95, 60)
    assert not (covered(found) & ~covered(out)).any()
    assert len(out) <= len(found)
    for item in out:
        assert item.where == ("field" if any(i.where == "field" for i in tidied(
            [item], [field], 95, 60)) else "surround")  # fmt: skip


def test_it_is_the_same_when_done_twice() -> None:
    once = tidied([at(100, 80), at(100, 95), at(5, 25)], [circle()], WIDTH, HEIGHT)
    assert tidied(once, [circle()], WIDTH, HEIGHT) == once
