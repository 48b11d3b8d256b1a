"""Source, case and clip time: what must hold for every case, and a plain one by hand."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.plan import Piece
from pipeline.model.time import Span, subtract_spans, total_s
from pipeline.model.timeline import Kept, Timeline, joined_parts, picture_time, pictures

NEAR = 1e-5  # documents keep six decimals
lengths = st.floats(0.1, 30.0).map(lambda s: round(s, 3))


def test_a_part_ends_where_it_was_said_to() -> None:
    """0.4 + 0.2 is more than 0.6 in binary (IEEE 754): the picture at 0.6 s came along."""
    piece = Piece(kind="play", source=0, start_s=0.4, length_s=0.2, case_start_s=0, out_start_s=0)
    assert pictures(piece).stop_s == 0.6


@st.composite
def axes(draw: st.DrawFn) -> Timeline:
    """A case of a few files with kept parts, holes that are cut or held, a tail, a card."""
    recordings, number = [], 0
    for _ in range(draw(st.integers(1, 3))):
        files = []
        for _ in range(draw(st.integers(1, 2))):
            files.append((number, draw(lengths)))
            number += 1
        points = draw(st.lists(st.floats(0, 40).map(lambda s: round(s, 2)), max_size=4))
        points = sorted(set(points))
        recordings.append(([*zip(points[::2], points[1::2], strict=False)], files))
    kept = joined_parts(recordings)
    pieces: list[Piece] = []

    def add(kind: str, source: int, start_s: float, length_s: float, case_s: float) -> None:
        if length_s > 1e-3:
            pieces.append(
                Piece(
                    kind=kind, source=source, start_s=round(start_s, 6),
                    length_s=round(length_s, 6), case_start_s=round(case_s, 6),
                    out_start_s=round(pieces[-1].in_clip.stop_s if pieces else 0.0, 6),
                    sound=kind != "card",
                )
            )  # fmt: skip

    for part in kept:
        length_s = part.in_case.length_s
        a, b = sorted(draw(st.floats(0, 1)) * length_s for _ in range(2))
        what = draw(st.sampled_from(["cut", "freeze", "black", "play"]))
        if what == "play":
            a = b = length_s
        held_s = 0.0 if a > 1e-3 else b
        if what == "black" or (what == "freeze" and length_s - held_s < 2e-3):
            what, held_s = "black", a  # nothing is left to hold
        add("play", part.source, part.start_s, a, part.case_start_s)
        if what != "cut":
            add(what, part.source, part.start_s + held_s, b - a, part.case_start_s + a)
        add("play", part.source, part.start_s + b, length_s - b, part.case_start_s + b)
    if pieces and draw(st.booleans()):
        last = pieces[-1]
        add("card", last.source, last.start_s, 4.0, last.in_case.stop_s)
    return Timeline(kept, pieces)


moments = st.floats(0, 1)


@given(axes(), moments)
def test_there_and_back_between_source_and_case(axis: Timeline, share: float) -> None:
    if not axis.kept:
        return
    case_s = axis.case.start_s + share * axis.case.length_s * 0.999
    found = axis.source_at_case(case_s)
    assert found is not None
    back_s = axis.case_at_source(*found)
    assert back_s == pytest.approx(case_s, abs=NEAR)


@given(axes(), moments)
def test_there_and_back_between_case_and_clip(axis: Timeline, share: float) -> None:
    if not axis.pieces:
        return
    clip_s = share * axis.pieces[-1].in_clip.stop_s * 0.999
    case_s = axis.case_at_clip(clip_s)
    piece = axis.piece_at_clip(clip_s)
    if case_s is None:
        assert piece.kind == "card"
        return
    assert float(axis.clip_times([case_s + 2e-6])[0]) == pytest.approx(clip_s, abs=NEAR)
    if piece.kind == "play":
        source = axis.source_at_case(case_s)
        if source is not None and source[0] == piece.source:
            assert source[1] == pytest.approx(picture_time(piece, clip_s), abs=NEAR)
            assert pictures(piece).at(source[1]) == pytest.approx(clip_s, abs=NEAR)


@given(axes(), st.lists(moments, min_size=2, max_size=8))
def test_order_is_kept(axis: Timeline, shares: list[float]) -> None:
    if not axis.pieces:
        return
    at = np.sort(np.asarray(shares)) * axis.pieces[-1].in_clip.stop_s
    case_s = axis.case_times(at)
    case_s = case_s[np.isfinite(case_s)]
    assert (np.diff(case_s) >= -NEAR).all()
    clip_s = axis.clip_times(case_s)
    clip_s = clip_s[np.isfinite(clip_s)]
    assert (np.diff(clip_s) >= -NEAR).all()


@given(axes(), moments, moments)
def test_spans_lose_only_what_was_cut(axis: Timeline, one: float, other: float) -> None:
    """What the clip shows of a span of case time is as long as the span without the cuts."""
    if not axis.pieces:
        return
    a, b = sorted(s * axis.case.length_s for s in (one, other))
    told = [p for p in axis.pieces if p.kind != "card"]
    cut = subtract_spans([axis.case], [p.in_case for p in told])
    left = subtract_spans([(a, b)], cut) if b > a else []
    assert total_s(axis.clip_of_case([(a, b)])) == pytest.approx(total_s(left), abs=1e-3)
    back = axis.case_of_clip(axis.clip_of_case([(a, b)]))
    assert total_s(subtract_spans(back, left)) < 1e-3 > total_s(subtract_spans(left, back))


@given(axes(), moments, moments)
def test_a_span_of_a_source_is_shown_where_the_case_says(
    axis: Timeline, one: float, other: float
) -> None:
    """Two ways to the clip, straight and by case time, agree for what is played."""
    for source in {k.source for k in axis.kept}:
        a, b = sorted(s * 40.0 for s in (one, other))
        straight = axis.clip_of_source(source, [(a, b)])
        held = [p.in_clip for p in axis.pieces if p.kind != "play"]
        by_case = axis.clip_of_case(axis.case_of_source(source, (a, b)))
        one_way = subtract_spans(straight, held)
        other_way = subtract_spans(by_case, held)
        assert total_s(subtract_spans(one_way, other_way)) < 2e-3
        assert total_s(subtract_spans(other_way, one_way)) < 2e-3


@given(axes())
def test_sound_runs_on_in_case_time_under_held_and_black_pictures(axis: Timeline) -> None:
    """Also where two kept parts of one file meet at it: nothing outside a part is heard."""
    for piece in axis.pieces:
        if piece.kind == "card":
            continue
        heard = axis.sound(piece)
        middle_s = 0.5 * sum(piece.in_case)
        assert heard.stop_s - heard.start_s == pytest.approx(piece.length_s)
        at_s = heard.start_s + 0.5 * piece.length_s
        assert axis.source_at_case(middle_s) == (piece.source, pytest.approx(at_s, abs=NEAR))
        spans = axis.clip_of_sound(piece.source, [(heard.start_s, heard.stop_s)])
        assert total_s(subtract_spans([piece.in_clip], spans)) < NEAR


@given(axes(), moments, moments)
def test_cut_to_a_part_keeps_case_time(axis: Timeline, one: float, other: float) -> None:
    a, b = sorted(s * axis.case.length_s for s in (one, other))
    part = axis.cut_to((a, b))
    for kept in part.kept:
        assert a - NEAR <= kept.in_case.start_s and kept.in_case.stop_s <= b + NEAR
        middle_s = 0.5 * (kept.start_s + kept.stop_s)
        whole = axis.case_at_source(kept.source, middle_s)
        assert part.case_at_source(kept.source, middle_s) == pytest.approx(whole, abs=NEAR)


@given(axes())
def test_kept_parts_join_without_a_gap(axis: Timeline) -> None:
    for one, other in pairwise(axis.kept):
        assert one.in_case.stop_s == pytest.approx(other.case_start_s, abs=NEAR)


def piece(kind: str, start_s: float, length_s: float, case_s: float, out_s: float) -> Piece:
    return Piece(kind=kind, source=0, start_s=start_s, length_s=length_s, case_start_s=case_s,
                 out_start_s=out_s)  # fmt: skip


# 40 to 60 s of a file are kept; 45 to 47 is cut, 50 to 53 held on 49, a card of 4 s at the end.
BY_HAND = Timeline(
    [Kept(0, 40.0, 60.0, 0.0)],
    [
        piece("play", 40.0, 5.0, 0.0, 0.0),
        piece("play", 47.0, 3.0, 7.0, 5.0),
        piece("freeze", 49.0, 3.0, 10.0, 8.0),
        piece("play", 53.0, 7.0, 13.0, 11.0),
        piece("card", 60.0, 4.0, 20.0, 18.0),
    ],
)


def test_a_span_over_a_cut_comes_out_in_parts() -> None:
    assert BY_HAND.case_of_clip([(4.0, 6.0)]) == [(4.0, 5.0), (7.0, 8.0)]
    assert BY_HAND.clip_of_case([(4.0, 8.0)]) == [(4.0, 6.0)]  # joined in the clip
    assert BY_HAND.clip_of_case([(5.5, 6.5)]) == []
    assert BY_HAND.case_from_source(0, 10.0) == 0.0
    assert BY_HAND.case_from_source(0, 60.0) is None


def test_a_held_picture_is_seen_all_along_and_its_sound_goes_on() -> None:
    assert BY_HAND.clip_of_source(0, [(48.5, 49.5)]) == [(6.5, 7.5), (8.0, 11.0)]
    assert BY_HAND.clip_of_source(0, [(50.5, 52.0)]) == []
    assert BY_HAND.clip_of_sound(0, [(50.5, 52.0)]) == [(8.5, 10.0)]
    held = BY_HAND.pieces[2]
    assert BY_HAND.sound(held) == (50.0, 53.0, 8.0)
    assert [s for _, s in BY_HAND.source_of_clip((9.0, 12.0))] == [(49.0, 49.0), (53.0, 54.0)]


def test_a_card_has_no_case_time() -> None:
    assert BY_HAND.case_at_clip(17.9) == pytest.approx(19.9)
    assert BY_HAND.case_at_clip(19.0) is None
    assert BY_HAND.case_of_clip([(17.0, 22.0)]) == [(19.0, 20.0)]
    assert BY_HAND.clip_of_case([(19.0, 24.0)]) == [(17.0, 18.0)]
    assert BY_HAND.piece_at_case(20.5) is None


def test_a_piece_has_begun_where_the_file_rounds_its_time_down() -> None:
    assert BY_HAND.piece_at_clip(5.0 - 5e-5).start_s == 47.0
    assert BY_HAND.piece_at_clip(5.0 - 1e-3).start_s == 40.0


def test_the_axis_runs_across_the_files_of_a_recording() -> None:
    kept = joined_parts([([(5.0, 12.0), (15.0, 16.0)], [(0, 10.0), (1, 8.0)])])
    assert kept == [(0, 5.0, 10.0, 0.0), (1, 0.0, 2.0, 5.0), (1, 5.0, 6.0, 7.0)]
    assert Timeline(kept).source_of_case((4.0, 7.5)) == [
        (0, Span(9.0, 10.0)), (1, Span(0.0, 2.0)), (1, Span(5.0, 5.5)),
    ]  # fmt: skip
