"""Captions drawn off the field: their room, their letters, and what is refused with a sentence."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.media.glyphs import lines_ink
from pipeline.model.caption_layout import LINE
from pipeline.model.options import Options
from pipeline.model.placement import Placement
from pipeline.model.plan import Caption, DrawnCaptions
from pipeline.stages.drawn import BLACK, WHITE, caption_ink, draw_caption
from pipeline.stages.planning.captioned import (
    PITCH,
    drawn_captions,
    enlarged,
    off_captions,
)

FIELDS = {
    "full height": (460.0, 20.0, 1000.0, 1040.0),
    "larger than the frame": (300.0, 0.0, 1200.0, 1080.0),
    "small, in the middle": (700.0, 300.0, 400.0, 400.0),
    "low, to the right": (1100.0, 500.0, 560.0, 560.0),
    "the whole picture": (0.0, 0.0, 1920.0, 1080.0),
}
SIZES = [(1920, 1080), (1440, 1080), (640, 360), (1080, 1080), (608, 1080)]


def asked(where: str, font: str = "") -> Options:
    return Options.model_validate({"captions": {"drawn": where, "font": font}})


def said(*cues: tuple[float, float, str]) -> list[Caption]:
    return [Caption(start_s=a, stop_s=b, text=t) for a, b, t in cues]


def laid(
    field: tuple[float, float, float, float], size: tuple[int, int], where: str
) -> tuple[Placement, tuple[float, ...], DrawnCaptions]:
    options = asked(where)
    place = off_captions(Placement.fitted((1920, 1080), size), field, options)
    shown = place.box(field)
    return place, shown, drawn_captions(said((0, 1, "x")), [shown], size, options)


@pytest.mark.parametrize("field", FIELDS.values(), ids=FIELDS)
@pytest.mark.parametrize("size", SIZES)
def test_below_the_field_is_whole_and_the_words_lie_off_it(field: Any, size: Any) -> None:
    place, (x, y, wide, high), drawn = laid(field, size, "below")
    left, top, across, down = drawn.box_px
    assert x >= -1 and y >= -1 and x + wide <= size[0] + 1, "nothing of the field is lost"
    assert top >= y + high + 11.4, "the rim's coding does not reach the words"
    assert left >= 0 and left + across <= size[0] and top + down <= size[1]
    assert all(v % 2 == 0 for v in drawn.box_px), "colour is shared by two pixels"
    assert across >= LINE * 0.5 * drawn.type_px and down >= 2 * PITCH * drawn.type_px
    assert wide / field[2] == pytest.approx(high / field[3]) == pytest.approx(place.scale)


def test_what_has_room_already_is_not_moved() -> None:
    place, _, _ = laid(FIELDS["small, in the middle"], (1920, 1080), "below")
    assert place == Placement((1920, 1080), (1920, 1080))
    beside = (60.0, 20.0, 900.0, 1040.0)
    assert laid(beside, (1920, 1080), "beside")[0].offset_px == (0.0, 0.0)


def test_beside_the_field_is_moved_and_never_smaller() -> None:
    place, (x, _, wide, _), drawn = laid(FIELDS["full height"], (1920, 1080), "beside")
    left, _, across, _ = drawn.box_px
    assert place.scale == 1.0 and x >= 0 and left >= x + wide + 11.4 and left + across <= 1920
    ink = lines_ink("The crust on the side wall is loosened and"[:LINE], None, drawn.type_px, PITCH)
    assert ink.shape[1] <= across, "a line of 42 characters needs no smaller type"


@pytest.mark.parametrize("size", [(1440, 1080), (1080, 1080), (608, 1080)])
def test_no_room_beside_the_field_is_said(size: Any) -> None:
    with pytest.raises(UsageError) as caught:
        laid(FIELDS["full height"], size, "beside")
    assert "below" in str(caught.value)


@pytest.mark.parametrize(("aspect", "grows"), [(1.0, True), (16 / 9, True), (9 / 16, False)])
def test_a_form_grows_by_the_words_only_where_it_must(aspect: float, grows: bool) -> None:
    width = max(1000.0, 1000.0 * aspect)
    more = enlarged(width, 1000.0, aspect, asked("below"))
    assert (more > width) is grows and more < 1.25 * width
    assert enlarged(width, 1000.0, aspect, asked("no")) == width


def test_one_caption_at_a_time() -> None:
    cues = said((0, 2.1, "one"), (2.0, 4, "two"))
    drawn = drawn_captions(cues, [(0, 0, 100, 100)], (640, 360), asked("below"))
    assert [(c.start_s, c.stop_s) for c in drawn.cues] == [(0, 2.0), (2.0, 4)]
    with pytest.raises(UsageError) as caught:
        drawn_captions(said((0, 2, "one"), (0.5, 2, "two")), [(0, 0, 9, 9)], (640, 360),
                       asked("below"))  # fmt: skip
    assert "captions.drawn" in str(caught.value)


BOX = (8, 200, 624, 56)


def test_letters_stand_on_one_line_whatever_they_are() -> None:
    """Lower case letters without any stroke below, and with: the same rows are the baseline."""
    plain, below = (caption_ink(t, BOX, 22.0, "") for t in ("mama", "magma"))
    assert plain.shape == (56, 624) and plain.max() > 0.9
    x = np.flatnonzero(plain.max(axis=1) > 0.5)
    g = np.flatnonzero(below.max(axis=1) > 0.5)
    assert x[0] == g[0] and g[-1] > x[-1] and g[-1] < PITCH * 22
    columns = np.flatnonzero(plain.max(axis=0) > 0.1)
    assert (columns[0] + columns[-1]) / 2 == pytest.approx(312, abs=1.5)


def test_contrast_is_that_of_readable_text() -> None:
    """WCAG 2.2, success criterion 1.4.6: 7 to 1, by the relative luminance defined there."""

    def luminance(luma: int) -> float:
        value = (luma - 16) / 219
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    assert (luminance(WHITE) + 0.05) / (luminance(BLACK) + 0.05) > 7


@pytest.mark.parametrize("text", ["Η κρούστα λύνεται", "Корка отходит", "Wände, jögging quay"])
def test_scripts_of_the_bundled_font(text: str) -> None:
    assert caption_ink(text, BOX, 20.0, "").sum() > 100


def test_what_cannot_be_drawn_is_said() -> None:
    with pytest.raises(UsageError) as caught:
        caption_ink("\u75c2\u76ae", BOX, 20.0, "")
    assert "captions.font" in str(caught.value) and "U+75C2" in str(caught.value)
    with pytest.raises(UsageError) as caught:
        caption_ink("W" * 120, BOX, 22.0, "")
    assert "too wide" in str(caught.value)
    smaller = caption_ink("W" * 42, BOX, 22.0, "")
    assert smaller.max() > 0.9 and not smaller[:, 0].any(), "a wide line is drawn smaller"


def test_it_is_there_for_its_span_and_touches_nothing_else() -> None:
    drawn = DrawnCaptions(box_px=BOX, type_px=20.0, cues=said((1.0, 2.0, "crust")))
    for time_s, there in ((0.99, False), (1.0, True), (1.999, True), (2.0, False)):
        planes = [np.full(s, 77, np.uint8) for s in ((360, 640), (180, 320), (180, 320))]
        draw_caption(planes, drawn, time_s, "")
        inside = planes[0][200:256, 8:632]
        assert [inside.max() == WHITE, (planes[1] == 128).any()] == [there, there]
        planes[0][200:256, 8:632] = planes[1][100:128, 4:316] = 77
        assert all((p[:180] == 77).all() for p in planes[:2]) and (planes[0] == 77).all()
