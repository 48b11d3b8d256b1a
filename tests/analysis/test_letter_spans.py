"""From when to when lettering is seen: looks that the test writes itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.analysis.boxes import area, overlap
from pipeline.analysis.identity.letter_cells import components
from pipeline.analysis.identity.letter_spans import counted, told_apart
from pipeline.analysis.identity.letter_watch import Kind, Sight
from pipeline.analysis.identity.lettering import merge_lettering

LINE = (200, 150, 160, 24)
PART = (210, 150, 30, 20)
AT_MOST_S = 0.5  # common practice, no source: what a box may outlast what it covers


def single(time_s: float, odds: float, box: tuple[int, int, int, int] = LINE) -> Sight:
    return Sight(time_s, time_s, "whole", box, odds)


def spans(sights: list[Sight]) -> list[tuple[float, float]]:
    found = merge_lettering(counted(sights), 0.25, [], 640, 480, 20.0)
    return [(entry.start_s, entry.stop_s) for entry in found]


BOLD = [single(5 + n / 9, 12.0) for n in range(10)]  # 5 to 6 s


def test_tissue_that_is_doubtful_at_that_place_keeps_no_box() -> None:
    weak = [single(n / 9, 2.5, PART) for n in range(90) if not 5 <= n / 9 <= 6]
    found = spans(BOLD + weak)
    assert min(a for a, _ in found) >= 5 - AT_MOST_S - 1e-6
    assert max(b for _, b in found) <= 6 + AT_MOST_S + 1e-6


def test_what_is_left_of_a_bold_line_in_the_average_keeps_no_box() -> None:
    left = [Sight(t - 1, t, "mean", LINE, 16.0) for t in (5.5, 6.0, 6.5, 7.0, 7.5, 8.0, 8.5)]
    assert max(b for _, b in spans(BOLD + left)) <= 6 + AT_MOST_S


def test_a_line_seen_in_the_average_alone_lasts_as_long_as_it() -> None:
    faint = [Sight(t - 1, t, "mean", LINE, 10.0) for t in (5.5, 6.0, 6.5)]
    assert spans(faint) == [(4.25, 6.75)]


def test_an_average_reaches_back_over_other_sights() -> None:
    """A look elsewhere comes before the average of the second that follows the first one."""
    faint = [Sight(4.5, 5.5, "mean", LINE, 9.0), Sight(5.5, 6.5, "mean", LINE, 7.0)]
    assert spans([*faint, single(6.2, 9.0, (20, 400, 60, 20))])[0] == (4.25, 6.75)


def test_what_plain_looks_hardly_see_keeps_its_averages() -> None:
    plain = [single(5 + n / 5, 6.0) for n in range(5)]  # 5 to 5.8 s
    stays = [Sight(t - 1, t, "mean", LINE, 7.0) for t in (5.6, 6.6)]
    assert max(b for _, b in spans([*plain, *stays])) >= 6.6


def test_a_weaker_look_at_a_part_lets_the_whole_line_last_a_little_longer() -> None:
    found = merge_lettering(counted([*BOLD, single(6.4, 2.2, PART)]), 0.25, [], 640, 480, 20.0)
    last = [e for e in found if e.stop_s > 6.3]
    assert any(e.box_px[2] >= LINE[2] for e in last)
    assert max(e.stop_s for e in last) <= 6 + AT_MOST_S + 1e-6


def test_weak_looks_between_strong_ones_stay() -> None:
    sights = [single(n / 9, 12.0 if n % 5 == 0 else 2.0) for n in range(46)]
    assert spans(sights) == [(0.0, 5.25)]


def test_weak_looks_at_half_the_field_do_not_count_by_lettering_in_the_surround() -> None:
    """Doubtful looks at tissue beside a sure line in the surround: one reached over to the other,
    and all of the field was filled."""
    far = (560, 40, 70, 16)
    sure = [single(5 + n / 9, 15.0, far) for n in range(18)]
    weak = [single(5 + n / 9, 3.4, (160, 60, 340, 330)) for n in range(18)]
    weak += [Sight(t - 1, t, "mean", (150, 60, 380, 340), 3.6) for t in (5.5, 6.0, 6.5)]
    boxes = [s.box for s in counted(sorted(sure + weak, key=lambda s: s.time_s))]
    assert set(boxes) == {far}


def test_small_lettering_that_plain_looks_saw_throughout_keeps_no_box_by_what_it_left() -> None:
    """White letters of 4 % of the height: the look at the whole field is never sure of them."""
    plain = [single(5 + 0.12 * n, 7.3) for n in range(34)]  # 5 to 9 s
    left = [Sight(t - 1, t, "mean", LINE, 11.0) for t in (9.4, 9.9, 10.4, 10.9, 11.4, 12.0)]
    assert max(b for _, b in spans([*plain, *left])) <= 8.96 + AT_MOST_S + 1e-6


def test_a_line_that_stood_still_is_not_the_next_one_elsewhere() -> None:
    """The look that sees what has just come does not see what stands in the surround."""
    still = [single(5 + 0.12 * n, 12.0, (500, 40, 110, 24)) for n in range(20)]
    come = [single(7.4 + 0.12 * n, 12.0, LINE) for n in range(10)]
    found = merge_lettering(counted([*still, *come]), 0.25, [], 640, 480, 20.0)
    assert max(e.box_px[2] * e.box_px[3] for e in found) <= 3 * LINE[2] * LINE[3]
    again = [single(time_s, 12.0, (500, 40, 110, 24)) for time_s in (7.64, 7.76)]
    found = merge_lettering(counted([*still, *come, *again]), 0.25, [], 640, 480, 20.0)
    assert any(e.start_s <= 7.4 < 7.6 <= e.stop_s and e.box_px[0] > 400 for e in found)


def test_while_small_lettering_is_plainly_seen_averages_do_not_enlarge_its_box() -> None:
    """Neither one of the line, wider than it, nor a doubtful one of tissue beside it."""
    plain = [single(5 + 0.12 * n, 7.3) for n in range(34)]  # 5 to 9 s
    wide, beside = (195, 144, 170, 34), (220, 180, 60, 90)
    means = [Sight(t - 1, t, "mean", b, 3.0) for t in (6.5, 7.5) for b in (wide, beside)]
    found = merge_lettering(counted([*plain, *means]), 0.25, [], 640, 480, 20.0)
    assert max(e.box_px[3] for e in found) <= 2 * LINE[3]
    # Not where the plain looks stop for longer than a line does between two looks.
    seen = [*plain[:10], *plain[24:], Sight(6.3, 7.3, "mean", wide, 3.0)]
    found = merge_lettering(counted(seen), 0.25, [], 640, 480, 20.0)
    assert any(e.start_s <= 6.8 < e.stop_s and e.box_px[3] > 2 * LINE[3] for e in found)


def boxed(sights: list[Sight], time_s: float) -> int:
    """Area of the boxes at a time, px; they may overlap."""
    found = merge_lettering(counted(sights), 0.25, [], 640, 480, 20.0)
    return sum(e.box_px[2] * e.box_px[3] for e in found if e.start_s <= time_s < e.stop_s)


def test_doubtful_looks_for_faint_lettering_add_nothing_to_a_line_that_is_plainly_seen() -> None:
    """As in a made film: a moving line of 90 x 35 px, and boxes of 400 x 300 by its weight."""
    sure = [single(5 + n / 9, 11.0, (200 + 9 * n, 150, 90, 36)) for n in range(7)]
    left = [Sight(5 + n / 9, 5 + n / 9, "moved", (190, 90, 200, 190), 2.6) for n in (2, 4, 6)]
    assert boxed([*sure, *left], 5.5) == boxed(sure, 5.5)
    # What they see firmly together is lettering of its own.
    firm = [Sight(5 + n / 9, 5 + n / 9, "moved", (190, 90, 200, 190), 7.5) for n in (2, 4, 6)]
    assert boxed([*sure, *firm], 5.5) > 200 * 190


def test_a_steep_line_is_padded_by_its_height_not_by_that_of_its_box() -> None:
    box = (150, 100, 200, 200)
    steep = [Sight(5 + n / 9, 5 + n / 9, "whole", box, 12.0, 20.0) for n in range(5)]
    (found,) = merge_lettering(counted(steep), 0.25, [], 640, 480, 20.0)
    x, y, w, h = found.box_px
    assert x <= 150 and y <= 100 and x + w >= 350 and y + h >= 300
    assert w <= 220 and h <= 220  # .35 of 200 on every side made it 340
    doubtful = [Sight(5 + n / 9, 5 + n / 9, "moved", box, 7.0, 20.0) for n in range(5)]
    (wide,) = merge_lettering(counted(doubtful), 0.25, [], 640, 480, 20.0)
    assert wide.box_px[2] >= 200 + 4 * 0.35 * 20  # less than its height is seen of faint lettering


def test_a_component_knows_how_high_its_line_is() -> None:
    cells = np.full((60, 60), -5.0, np.float32)
    for n in range(40):
        cells[10 + n : 14 + n, 10 + n] = 9.0
    ((box, odds, across, along),) = components(cells)
    assert box[2] >= 40 and box[3] >= 40 and odds > 8 and across <= 5
    held = np.zeros(cells.shape, bool)
    for x, y, w, h in along:
        held[y : y + h, x : x + w] = True
    assert held[cells > 0].all() and held.sum() <= 0.25 * box[2] * box[3]
    cells[:] = -5.0
    cells[20:26, 5:50] = 9.0
    ((box, _, across, along),) = components(cells)
    assert box == (5, 20, 45, 6) and 5 <= across <= 6 and not along


def test_a_steep_line_is_covered_by_boxes_along_it() -> None:
    """Five looks at a line at 45 degrees: each sees it in four boxes."""
    along = tuple((150 + 50 * n, 100 + 50 * n, 50, 50) for n in range(4))
    steep = [
        Sight(5 + n / 9, 5 + n / 9, "whole", (150, 100, 200, 200), 12.0, 20.0, along)
        for n in range(5)
    ]
    assert boxed(steep, 5.2) <= 4 * 66 * 66 < 0.5 * 214 * 214
    found = merge_lettering(counted(steep), 0.25, [], 640, 480, 20.0)
    for x, y, w, h in along:
        mine = [e for e in found if overlap(e.box_px, (x, y, w, h)) == w * h]
        assert min(e.start_s for e in mine) <= 4.76 and max(e.stop_s for e in mine) >= 5.69


def test_faint_lettering_seen_in_parts_is_covered_along_its_way() -> None:
    """Now the one end, now the other, of a line aslant: what lies between, not all corners."""
    ends = [(100, 100, 60, 60), (190, 190, 60, 60)]
    sights = [
        Sight(5 + n / 9, 5 + n / 9, "moved", ends[n % 2], 6.5, 40.0) for n in range(8)
    ]
    for sight in counted(sights):
        assert sight.box == (100, 100, 150, 150)
        for box in (*ends, (160, 160, 30, 30)):
            assert area([*sight.parts, box]) == area(sight.parts)
        assert area(sight.parts) <= 0.8 * 150 * 150


def turned(time_s: float, odds: float, again: float, kind: Kind = "whole") -> Sight:
    return replace(single(time_s, odds), kind=kind, again=again)


def test_what_is_not_seen_in_the_view_turned_over_is_tissue() -> None:
    """However sure one of many looks was; as for all of it where nobody asked again."""
    rough = [turned(5 + n / 9, (8.9, 5.0, 6.0)[n % 3], 2.0) for n in range(40)]
    assert told_apart(rough)[0] == [] and told_apart(rough)[1] == rough
    assert counted([replace(s, again=None) for s in rough])


@pytest.mark.parametrize(
    "sights",
    [
        [turned(5.0, 8.6, 5.6)],
        [turned(5 + n / 9, 5.5, 5.5) for n in range(5)],  # none is sure, and all agree
        [turned(5 + n / 3, 6.0, (5.5, 4.6, 1.0)[n % 3]) for n in range(15)],  # most do
        [turned(5 + n / 9, 7.2, 3.9) for n in range(5)],
        [*(turned(5 + n / 9, 6.0, 1.0) for n in range(9)), turned(6.0, 4.2, 9.9)],
        [*(turned(5 + n / 9, 6.0, 1.0) for n in range(9)), single(6.0, 12.0)],
        [turned(5 + n / 2, 6.8, 6.5, "mean") for n in range(3)],
    ],
)
def test_lettering_is_seen_from_both_sides(sights: list[Sight]) -> None:
    found = counted(sights)
    assert {s.time_s for s in sights} <= {s.time_s for s in found}


def test_looks_that_agree_now_and_then_are_of_tissue() -> None:
    """Seconds of a place that looks like lettering: each half second by itself must be enough."""
    assert not counted([turned(5 + n / 3, 5.6, (4.9, 4.0, 3.0)[n % 3]) for n in range(30)])
    assert not counted([turned(5 + n / 9, (6.2, 5.3)[n % 2], 4.1) for n in range(30)])


def test_letters_of_a_line_that_is_borne_out_need_not_be() -> None:
    sure = [turned(5 + n / 9, 8.0, 8.0) for n in range(5)]
    faint = [replace(turned(5 + n / 9, 6.5, 1.0), box=(400, 150, 40, 24)) for n in range(9)]
    alone = [replace(s, box=(20, 420, 40, 24)) for s in faint]
    assert not counted(faint)
    found = {s.box for s in counted(sorted([*sure, *faint, *alone], key=lambda s: s.time_s))}
    assert found == {LINE, faint[0].box}
