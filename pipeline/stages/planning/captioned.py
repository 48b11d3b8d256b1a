"""Room for captions in the picture: off the field, which stays whole. Pure.

Below the field the picture is moved up, and made smaller where it must be; beside it, it is only
moved to the left. Two lines of 42 characters (`model.caption_layout`) fit the place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from pipeline.errors import UsageError
from pipeline.model.caption_layout import LINE, LINES
from pipeline.model.options import Options
from pipeline.model.placement import Box, Placement
from pipeline.model.plan import Caption, DrawnCaptions
from pipeline.model.time import format_time

Size = tuple[int, int]
NATIVE = 0.01  # a picture is not resampled for less than this
PITCH = 1.25  # rows from line to line, sizes of the type
_CHARACTER = 0.56  # width of one, sizes of the type: English in the bundled font has .50 to .57
_BELOW, _BESIDE = 0.045, 0.03  # size of the type, of the picture's shorter side
_FILLED = 0.94  # of the picture's width, at most
_GAP_PX = 14  # off the field: coding spreads its rim over 11.4 px
_MARGIN = 0.015  # off the frame, of the shorter side
_LEAST_SHOWN = 0.5  # of a caption that the next one ends


def off_captions(
    base: Placement, shown: Box, options: Options, high_px: float | None = None
) -> Placement:
    """The picture moved so that what it shows lies off the captions, and is whole.

    shown: (x, y, width, height) of that in the source. high_px: its height with the black that a
    form leaves around it. Raises UsageError where there is no room beside it.
    """
    where = options.captions.drawn
    wide, high = _room_px(base.output_px, where)
    x, y, across, down = base.box(shown)
    if y + down <= high and x + across <= wide:
        return base
    scale, middle = base.scale, [x + across / 2, y + down / 2]
    if where == "beside":
        if across > wide:
            raise UsageError(
                "Captions do not fit beside the field",
                f"{base.output_px[0] - across:.0f} px of {base.output_px[0]} are left there",
                'set captions.drawn = "below", or take a wider form (form.aspect)',
            )
        middle[0] = wide / 2
    else:
        scale = min(scale, high / (high_px or shown[3]))
        if abs(scale - 1) < NATIVE and shown[3] <= high:
            scale = 1.0
        middle[1] = high / 2
    moved = [
        2.0 * round((at - scale * (first + length / 2)) / 2)
        for at, first, length in zip(middle, shown[:2], shown[2:], strict=True)
    ]
    return Placement(base.source_px, base.output_px, scale, (moved[0], moved[1]))


def enlarged(width: float, high: float, aspect: float, options: Options) -> float:
    """Width of a form that holds a field `high` px high and the captions below it."""
    if options.captions.drawn != "below":
        return width
    for _ in range(20):
        size = (math.ceil(width), math.ceil(width / aspect))
        strip = size[1] - _room_px(size, "below")[1]
        if (size[1] - high) / 2 >= strip:
            return width
        width = max(width, (high + strip + 4) * aspect)
    return width


def drawn_captions(
    captions: Sequence[Caption], shown: Sequence[Box], size: Size, options: Options
) -> DrawnCaptions:
    """Where they stand in the clip and when. shown: of each source, in pixels of the clip.

    Raises UsageError where two have to be seen at once.
    """
    where = options.captions.drawn
    width, height = size
    type_px, margin = _type_px(size, where), _margin_px(size)
    high = _even_up(LINES * PITCH * type_px)
    if where == "below":
        lowest = max(y + down for _, y, _, down in shown)
        top = min(_even_up(lowest + _GAP_PX), (height - high) // 2 * 2)
        box = (margin, top, width - 2 * margin, high)
    else:
        left = _even_up(max(x + across for x, _, across, _ in shown) + _GAP_PX)
        box = (left, (height - high) // 4 * 2, (width - margin - left) // 2 * 2, high)
    return DrawnCaptions(box_px=box, type_px=round(type_px, 2), cues=_one_at_a_time(captions))


def _one_at_a_time(captions: Sequence[Caption]) -> list[Caption]:
    """Each until the next one begins."""
    out = []
    for caption, after in pairwise([*captions, None]):
        assert caption is not None
        stop_s = caption.stop_s if after is None else min(caption.stop_s, after.start_s)
        if stop_s - caption.start_s < _LEAST_SHOWN * (caption.stop_s - caption.start_s):
            raise UsageError(
                "Captions in the picture stand there one at a time",
                f"two at {format_time(caption.start_s)}",
                'give each its own time, or set captions.drawn = "no"',
            )
        out.append(caption.model_copy(update={"stop_s": stop_s}))
    return out


def _room_px(size: Size, where: str) -> tuple[float, float]:
    """(width, height) of what is left for the picture, from the upper left."""
    width, height = size
    type_px, off_px = _type_px(size, where), _GAP_PX + 2 + _margin_px(size)
    if where == "below":
        return width, height - _even_up(LINES * PITCH * type_px) - off_px
    if where == "beside":
        return width - LINE * _CHARACTER * type_px - off_px, height
    return width, height


def _type_px(size: Size, where: str) -> float:
    if where == "beside":
        return _BESIDE * min(size)
    return min(_BELOW * min(size), _FILLED * size[0] / (LINE * _CHARACTER))


def _margin_px(size: Size) -> int:
    return _even_up(_MARGIN * min(size))


def _even_up(length_px: float) -> int:
    return 2 * math.ceil(length_px / 2)
