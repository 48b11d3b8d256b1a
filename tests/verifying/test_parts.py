"""A finding that is covered in parts: filled there and then, and verify sees a part left out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.model.cover import Cover
from pipeline.model.field import whole_picture
from pipeline.model.plan import Piece, Plan, PlannedSource, Redaction
from pipeline.stages.rendering.blanking import Blanker
from pipeline.stages.verifying.surround import Boxes

WIDTH, HEIGHT, RATE = 320, 240, 10
PARTS = [
    Cover(start_s=a, stop_s=a + 0.6, box_px=(x, y, 48, 48))
    for a, x, y in ((0.2, 80, 60), (0.5, 120, 100), (0.8, 160, 140))
]


def planned(parts: list[Cover]) -> Any:
    redaction = Redaction(
        what="lettering", source=0, start_s=0.2, stop_s=1.4, box_px=(80, 60, 128, 128),
        parts=parts, reason="", origin="survey",
    )  # fmt: skip
    source = PlannedSource(
        number=0, sha256="a" * 64, recording=0, duration_s=2.0, width_px=WIDTH, height_px=HEIGHT,
        frame_rate_hz=RATE, has_sound=False, fields=[whole_picture(WIDTH, HEIGHT, 0, 2, 1)],
    )  # fmt: skip
    piece = Piece(kind="play", source=0, start_s=0.0, length_s=2.0, case_start_s=0.0,
                  out_start_s=0.0)  # fmt: skip
    return Plan.model_construct(
        sources=[source], pieces=[piece], redactions=[redaction], width_px=WIDTH, height_px=HEIGHT
    )


def rendered(plan: Plan) -> list[tuple[float, list[np.ndarray]]]:
    bright = [np.full((HEIGHT, WIDTH), 200, np.uint8)]
    bright += [np.full((HEIGHT // 2, WIDTH // 2), 90, np.uint8) for _ in range(2)]
    blanker = Blanker(plan.sources[0], WIDTH, HEIGHT, 0.0, plan.redactions)
    out = []
    for n in range(2 * RATE):
        into = [np.empty_like(p) for p in bright]
        blanker.copy(bright, into, n / RATE)
        out.append((n / RATE, into))
    return out


def test_parts_are_filled_while_they_last_and_nothing_else_is() -> None:
    for time_s, (luma, *_) in rendered(planned(PARTS)):
        filled = np.zeros((HEIGHT, WIDTH), bool)
        for part in PARTS:
            if part.start_s <= time_s < part.stop_s:
                x, y, w, h = part.box_px
                filled[y : y + h, x : x + w] = True
        assert ((luma == 16) == filled).all()


@pytest.mark.parametrize("left_out", [None, 0, 1, 2])
def test_verify_sees_a_part_that_was_left_out(left_out: int | None) -> None:
    shown = rendered(planned([p for n, p in enumerate(PARTS) if n != left_out]))
    none = np.zeros(0, np.intp)
    boxes = Boxes(planned(PARTS), lambda _: (none, none))
    for time_s, planes in shown:
        boxes.look(time_s, planes)  # type: ignore[arg-type]
    (check,) = boxes.checks()
    assert check.passed == (left_out is None)
