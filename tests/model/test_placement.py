"""Source pixels, positions in the field, output pixels: there and back, and what is cut off."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.field import FieldSpan
from pipeline.model.placement import Placement

even = st.integers(8, 400).map(lambda n: 2 * n)
offsets = st.integers(-400, 400).map(lambda n: float(2 * n))
places = st.builds(
    Placement,
    st.tuples(even, even),
    st.tuples(even, even),
    st.floats(0.2, 3.0),
    st.tuples(offsets, offsets),
)
points = st.tuples(st.floats(-500, 1500), st.floats(-500, 1500))


def field(**more: float) -> FieldSpan:
    values = {
        "center_x_px": 170.0, "center_y_px": 118.0, "radius_px": 90.0, "left_px": 80.0,
        "top_px": 40.0, "right_px": 260.0, "bottom_px": 208.0,
    }  # fmt: skip
    return FieldSpan(start_s=0, stop_s=1, shape="circle", confidence=1, **(values | more))


@given(places, points)
def test_points_and_boxes_there_and_back(place: Placement, point: tuple[float, float]) -> None:
    assert place.source_point(*place.point(*point)) == pytest.approx(point, abs=1e-6)
    left, top, wide, high = place.box((*point, 40.0, 24.0))
    assert place.source_point(left + wide, top + high) == pytest.approx(
        (point[0] + 40, point[1] + 24), abs=1e-6
    )


@given(places, st.floats(-1, 1), st.floats(-1, 1))
def test_a_position_in_the_field_is_the_same_by_both_ways(
    place: Placement, x: float, y: float
) -> None:
    straight = place.field(field()).pixel(x, y)
    assert place.point(*field().pixel(x, y)) == pytest.approx(straight, abs=1e-6)


@given(places)
def test_the_window_is_what_output_and_picture_share(place: Placement) -> None:
    """Against a plain way: each pixel of the output looks for the pixel of the picture there."""
    wide, high = place.picture_px
    for part in (1, 2):
        window = place.window(part)
        shown = []
        for size, whole, offset in zip(
            (high, wide), place.output_px[::-1], place.offset_px[::-1], strict=True
        ):
            at = np.arange(whole // part) - int(offset) // part
            shown.append((at >= 0) & (at < size // part))
        if window is None:
            assert not all(s.any() for s in shown)
            continue
        for axis in (0, 1):
            got = window.output[axis]
            assert list(np.flatnonzero(shown[axis])) == list(range(got.start, got.stop))
            taken = window.source[axis]
            assert taken.stop - taken.start == got.stop - got.start
            assert taken.start == got.start - int(place.offset_px[1 - axis]) // part


@given(places, points, st.floats(1, 300), st.floats(1, 300))
def test_a_box_is_covered_wholly_and_never_outside(
    place: Placement, point: tuple[float, float], wide: float, high: float
) -> None:
    x, y, w, h = place.box((*point, wide, high))
    rows, cols = place.covered((*point, wide, high))
    for part, start, length, whole in (
        (cols, x, w, place.output_px[0]), (rows, y, h, place.output_px[1]),
    ):  # fmt: skip
        assert 0 <= part.start <= part.stop <= whole and part.start % 2 == part.stop % 2 == 0
        wanted = [n for n in range(whole) if n + 1 > start + 1e-9 and n < start + length - 1e-9]
        assert set(wanted) <= set(range(part.start, part.stop))
        assert part.stop - part.start <= len(wanted) + 4


def test_a_picture_is_fitted_whole_and_in_the_middle() -> None:
    place = Placement.fitted((640, 480), (1280, 720))
    assert (place.scale, place.offset_px, place.picture_px) == (1.5, (160.0, 0.0), (960, 720))
    assert Placement.fitted((1280, 720), (1280, 720)).field(field()) == field()


@given(st.tuples(even, even), st.tuples(even, even))
def test_a_fitted_picture_lies_inside(source: tuple[int, int], output: tuple[int, int]) -> None:
    place = Placement.fitted(source, output)
    for at, size, whole in zip(place.offset_px, place.picture_px, output, strict=True):
        assert at >= 0 and (at + size <= whole or size <= 2)  # no picture is less than 2 px


def test_an_odd_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="even"):
        Placement((320, 240), (144, 144), 1.0, (-63.0, 0.0))
