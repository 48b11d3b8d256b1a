"""What is held is clear, and so is the poster."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan, whole_picture
from pipeline.model.findings import Event, Findings
from pipeline.model.plan import Piece, Redaction
from pipeline.model.survey import Survey, SurveyedRecording
from pipeline.model.time import Span
from pipeline.stages.clear_picture import (
    CLEAR,
    DISTURBED,
    UNKNOWN,
    Clearness,
    covered_spans,
    posters_s,
)

TIME_S = np.arange(0, 20, 0.2)
HOLE = Span(8.0, 10.0)


def survey(*events: tuple[str, float, float], gone_s: float = 20.0) -> tuple[Survey, Findings]:
    field = FieldSpan(
        start_s=0, stop_s=gone_s, shape="circle", center_x_px=64, center_y_px=48, radius_px=40,
        left_px=0, top_px=0, right_px=128, bottom_px=96, confidence=1,
    )  # fmt: skip
    rows: list[Any] = [
        Event(kind=k, start_s=a, stop_s=b, confidence=1)  # type: ignore[arg-type]
        for k, a, b in events
    ]
    found = Survey(
        recording=SurveyedRecording(
            sha256="a" * 64, duration_s=20, frame_rate_hz=25, width_px=128, height_px=96
        ),
        field=[field, whole_picture(128, 96, gone_s, 20, 0.9)],
    )
    return found, Findings(events=[Event(kind="fog", start_s=8, stop_s=10, confidence=1), *rows])


def clearness(
    loss: NDArray[Any] | float = 0.0, *events: tuple[str, float, float],
    covered: tuple[tuple[float, float], ...] = (), **more: Any,
) -> Clearness:  # fmt: skip
    whole = np.broadcast_to(np.asarray(loss, float), TIME_S.shape).copy()
    return Clearness(*survey(*events), {"time_s": TIME_S, "contrast_loss": whole} | more, 0.15,
                     covered)  # fmt: skip


WHOLE = Span(0.0, 20.0)


def held(found: Clearness, part: Span = WHOLE, **more: Any) -> tuple[float, int]:
    answer = found.to_hold(HOLE, part, **more)
    assert answer is not None
    return answer


def test_the_last_clear_picture_before_is_held() -> None:
    time_s, rank = held(clearness())
    assert rank == CLEAR and 7.0 <= time_s < 8.0
    # Fog that comes slowly is there before the event begins.
    slow = np.where((TIME_S > 5) & (TIME_S < 10), 0.3, 0.01)
    assert held(clearness(slow))[0] <= 5.0
    doubtful = np.where((TIME_S > 5) & (TIME_S < 10), 0.3, 0.01)
    assert held(clearness(0.01, contrast_loss_high=doubtful))[0] <= 5.0


@pytest.mark.parametrize("kind", ["smudge", "blur", "dark", "glare", "out_of_body"])
def test_no_other_disturbance_is_held(kind: str) -> None:
    assert held(clearness(0.0, (kind, 4.0, 8.0)))[0] < 4.0


def test_a_covered_picture_is_not_held() -> None:
    assert held(clearness(covered=((3.0, 8.0),)))[0] < 3.0
    box = Redaction(what="lettering", source=1, start_s=1, stop_s=2, box_px=(1, 1, 9, 9), reason="",
                    origin="survey")  # fmt: skip
    heard = box.model_copy(update={"what": "speech", "start_s": 5, "stop_s": 6})
    assert covered_spans([box, heard], 1) == [Span(1, 2)] and covered_spans([box], 0) == []


def test_of_the_last_clear_ones_the_sharpest_is_held() -> None:
    blur = np.where(np.abs(TIME_S - 7.4) < 0.05, 0.0, 0.3)
    assert held(clearness(blur=blur))[0] == pytest.approx(7.4)


def test_only_from_the_kept_part_and_after_where_nothing_is_before() -> None:
    time_s, rank = held(clearness(), Span(8.0, 20.0))
    assert rank == CLEAR and 10.0 <= time_s <= 11.0
    assert clearness().to_hold(HOLE, Span(8.0, 10.0)) is None
    assert 15 <= held(clearness(), Span(8, 20), taken=[Span(10, 15)])[0] <= 16


def test_what_is_held_says_how_clear_it_is() -> None:
    assert held(clearness(np.nan))[1] == UNKNOWN
    assert held(clearness(0.0, ("smudge", 0, 20)))[1] == DISTURBED
    known = np.where(TIME_S < 2, 0.0, np.nan)
    assert held(clearness(known)) == (pytest.approx(1.4, abs=0.5), CLEAR)


def piece(kind: str, start_s: float, length_s: float, out_s: float) -> Piece:
    return Piece(kind=kind, source=0, start_s=start_s, length_s=length_s, case_start_s=out_s,
                 out_start_s=out_s)  # type: ignore[arg-type]  # fmt: skip


def test_the_poster_avoids_boxes_fog_black_and_held_pictures() -> None:
    row = [piece("black", 0, 4, 0), piece("freeze", 5, 4, 4), piece("play", 0, 20, 8)]
    found = clearness(0.0, ("blur", 0, 4), covered=((4, 12),))
    at = posters_s(row, {0: found}, 28)[0] - 8
    assert at >= 12 or at < 0.2, "not under a box, not in a disturbance"
    assert at >= 12
    dark = posters_s(row[:2], {0: found}, 8)[0]
    assert dark == 4, "a held picture rather than a black one"
    only = Clearness(*survey(gone_s=6.0), {"time_s": TIME_S, "contrast_loss": 0 * TIME_S}, 0.15)
    assert posters_s([piece("play", 0, 20, 0)], {0: only}, 20)[0] < 6


def test_the_other_posters_are_sharp_and_of_other_moments() -> None:
    blur = np.where(np.abs(TIME_S - 15) < 0.3, 0.0, 0.5)
    found = clearness(0.0, ("blur", 0, 4), blur=blur)
    first, *more = posters_s([piece("play", 0, 20, 0)], {0: found}, 20)
    assert len(more) == 2 and any(abs(m - 15) < 0.5 for m in more), "the sharpest is among them"
    every = sorted([first, *more])
    assert min(np.diff(every)) >= 2.0
    foggy = clearness(0.5)
    assert len(posters_s([piece("play", 0, 20, 0)], {0: foggy}, 20)) == 1, "none is worth it"
