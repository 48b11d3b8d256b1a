"""Captions drawn off the field: white on black, at the place that the plan gives."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.media.glyphs import lines_ink
from pipeline.model.options import Options
from pipeline.model.plan import DrawnCaptions, Plan
from pipeline.model.time import format_time
from pipeline.stages.planning.captioned import PITCH

WHITE, BLACK = 225, 16
_SMALLEST = 0.5  # of the planned size of the type, for lines that are too wide


@lru_cache(maxsize=8)
def caption_ink(text: str, box_px: tuple[int, int, int, int], type_px: float, font: str
                ) -> NDArray[np.float32]:  # fmt: skip
    """Coverage 0..1 of the whole place of captions, (row, col), with a text in it.

    The first line stands at the top. A line that is too wide makes all of it smaller.
    Raises UsageError where the font lacks a letter or it gets too small to read.
    """
    _, _, wide, high = box_px
    path = Path(font).expanduser() if font else None
    ink = lines_ink(text, path, type_px, PITCH)
    if ink.shape[1] > wide or ink.shape[0] > high:
        share = min(wide / ink.shape[1], high / ink.shape[0])
        if share < _SMALLEST:
            raise UsageError(
                "A caption is too wide to be drawn so that it can be read",
                f"{max(map(len, text.splitlines()))} characters in a line",
                "part it into two lines, or into captions of their own",
            )
        ink = lines_ink(text, path, max(4.0, 0.98 * share * type_px), PITCH)
    whole = np.zeros((high, wide), np.float32)
    rows, cols = min(high, ink.shape[0]), min(wide, ink.shape[1])
    left = (wide - cols) // 2
    whole[:rows, left : left + cols] = ink[:rows, :cols]
    return whole


def check_drawn(plan: Plan, options: Options) -> None:
    """Raises UsageError where a caption of the plan cannot be drawn."""
    if plan.drawn is None:
        return
    for cue in plan.drawn.cues:
        try:
            caption_ink(cue.text, plan.drawn.box_px, plan.drawn.type_px, options.captions.font)
        except UsageError as error:
            at = format_time(cue.start_s)
            raise UsageError(error.what, f"{error.got}, at {at}", error.do) from None


def draw_caption(
    planes: Sequence[NDArray[np.uint8]], drawn: DrawnCaptions, time_s: float, font: str
) -> None:
    """What stands there at a time of the clip, if anything: Y, U and V (row, col), in place."""
    cue = next((c for c in drawn.cues if c.start_s <= time_s < c.stop_s), None)
    if cue is None:
        return
    x, y, wide, high = drawn.box_px
    ink = caption_ink(cue.text, drawn.box_px, drawn.type_px, font)
    planes[0][y : y + high, x : x + wide] = np.rint(BLACK + (WHITE - BLACK) * ink).astype(np.uint8)
    for plane in planes[1:]:
        plane[y // 2 : (y + high) // 2, x // 2 : (x + wide) // 2] = 128
