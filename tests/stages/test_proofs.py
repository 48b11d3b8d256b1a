"""Where a proof's pictures and redactions stand in the finished clip."""

from __future__ import annotations

from typing import Any

import av
import cv2
import numpy as np
import pytest

from pipeline.media.frame import Picture
from pipeline.model.plan import Piece, Plan, PlannedSource, Redaction
from pipeline.stages.proofs import SeenFold, case_time, picture_times, seen_redactions


def source(number: int = 0, moved: tuple[float, float, float] = (1.0, 0.0, 0.0)) -> Any:
    return PlannedSource(
        number=number, sha256="0" * 64, recording=number, duration_s=20, width_px=640,
        height_px=480, frame_rate_hz=25, has_sound=True, fields=[], moved=moved,
    )  # fmt: skip


def piece(kind: Any, start_s: float, length_s: float, case_s: float, out_s: float) -> Piece:
    return Piece(kind=kind, source=0, start_s=start_s, length_s=length_s, case_start_s=case_s,
                 out_start_s=out_s)  # fmt: skip


def a_plan(redactions: list[Redaction], moved: Any = (1.0, 0.0, 0.0)) -> Plan:
    """Source 2..5 s, then 8..12 s (5..8 s is cut out), a held picture of 9 s, a card."""
    pieces = [
        piece("play", 2, 3, 0, 0),
        piece("play", 8, 4, 6, 3),
        piece("freeze", 9, 2, 10, 7),
        piece("card", 0, 4, 12, 9),
    ]
    return Plan(
        case="HL-0142", title="", profile="web", audience="public", width_px=640, height_px=480,
        frame_rate_hz=25, matrix="bt709", duration_s=13, sources=[source(moved=moved)],
        pieces=pieces, redactions=redactions,
    )  # fmt: skip


def taken(what: Any, start_s: float, stop_s: float, box: Any = None) -> Redaction:
    return Redaction(what=what, source=0, start_s=start_s, stop_s=stop_s, box_px=box,
                     reason="found", origin="survey")  # fmt: skip


def test_spans_of_a_redaction_on_both_axes() -> None:
    rows = seen_redactions(a_plan([taken("lettering", 4, 10, (64, 48, 128, 96))]))
    assert len(rows) == 1
    # In the clip 2..3 s of the first piece, 3..5 s of the second, and all of the held picture.
    assert rows[0].out == ((2.0, 5.0), (7.0, 9.0))
    assert rows[0].case == ((2.0, 3.0), (6.0, 8.0), (10.0, 12.0))
    assert rows[0].box == pytest.approx((0.1, 0.1, 0.2, 0.2))
    assert 2.0 < rows[0].out_s < 5.0


def test_what_a_person_wrote_about_a_redaction_is_not_in_its_proof() -> None:
    said = taken("lettering", 2, 4, (0, 0, 9, 9)).model_copy(
        update={"reason": "Nowak on the badge", "origin": "decision"}
    )
    rows = seen_redactions(a_plan([said, taken("face", 2, 4, (0, 0, 9, 9))]))
    assert {(r.origin, r.reason) for r in rows} == {("decision", ""), ("survey", "found")}


def test_what_the_clip_does_not_show_is_not_in_its_proof() -> None:
    shown = seen_redactions(
        a_plan([taken("face", 5.5, 7.5, (0, 0, 9, 9)), taken("surround", 0, 20)])
    )
    assert shown == []
    # Sound is not held with a picture.
    assert seen_redactions(a_plan([taken("speech", 8.9, 9.1)]))[0].out == ((3.9, 4.1),)


def test_a_box_is_placed_as_the_picture_was_moved() -> None:
    moved = (0.5, 160.0, 120.0)
    box = seen_redactions(a_plan([taken("lettering", 2, 5, (0, 0, 640, 480))], moved))[0].box
    assert box == pytest.approx((0.25, 0.25, 0.5, 0.5))


def test_case_time_and_times_of_pictures() -> None:
    plan = a_plan([])
    assert [case_time(plan, t) for t in (0.5, 3.5, 7.5, 9.5)] == [0.5, 6.5, 10.5, None]
    times = picture_times(plan)
    assert len(times) == 6 and times[0] > 0 and times[-1] < plan.duration_s
    long = plan.model_copy(update={"duration_s": 7200.0})
    assert len(picture_times(long)) == 60


@pytest.mark.parametrize(("last_s", "wanted"), [(13.0, 6), (9.4, 5)])
def test_the_first_picture_at_or_after_each_wanted_time_is_kept(last_s: float, wanted: int) -> None:
    """Of a clip whose last picture stands until its end, that one is kept too, once."""
    plan = a_plan([])
    fold = SeenFold(plan, rows_px=48)
    times = np.arange(0, last_s, 0.4).tolist()
    for time_s in times:
        grey = np.full((48, 64, 3), round(10 * time_s), np.uint8)
        frame = av.VideoFrame.from_ndarray(grey, format="rgb24").reformat(format="yuv420p")
        fold.step(Picture(time_s, frame))
    found = fold.finish()
    due = [next((t for t in times if t >= at), times[-1]) for at in picture_times(plan)]
    assert [p.out_s for p in found] == list(dict.fromkeys(due)) and len(found) == wanted
    assert [p.case_s for p in found] == [case_time(plan, p.out_s) for p in found]
    for picture in found:
        shown = cv2.imdecode(np.frombuffer(picture.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert shown.mean() == pytest.approx(10 * picture.out_s, abs=6)
