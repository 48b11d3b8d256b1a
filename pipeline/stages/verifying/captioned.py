"""Captions in the picture: at their place there are their words, for their span, and nothing else.

By verify's own reading of the plan; only the drawing of a text is shared with the renderer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.model.plan import DrawnCaptions, Plan
from pipeline.model.release import Check
from pipeline.stages.drawn import caption_ink
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.result import make_check
from pipeline.stages.verifying.surround import MOST_COARSE, SURROUND_LIMIT

NAME = "captions in the picture as planned"
OFF_FIELD = "captions off the field"
CUES = "captions in the picture are those beside it"
GREY = "captions in the picture without colour"
APART = "nothing beside captions in the picture"
DRAWN = (NAME, OFF_FIELD, CUES, GREY, APART)
TILE_PX = 4
# Levels, mean of a tile. Right ones reach 10.3 at CRF 20, 11.4 at 28, 44 at 35 (type of 12 to 36
# px); one letter of 11 px exchanged for another lies off by 54.
LIMIT = 24.0
COLOUR_LIMIT = 12.0
_NEAR_PX = 12  # coding spreads an edge over a block of 8 px, and over its diagonal
_TICK_S = 1e-3  # the time stamp of a picture may lie a tick beside an edge
_INK = 209.0  # levels from black to the white of the words
_BLACK, _NEUTRAL = 16.0, 128

Planes = Sequence[NDArray[np.uint8]]


class _Wanted(NamedTuple):
    """tiles: means of luma (row, col). apart: (row, col) True where nothing is near the words."""

    tiles: NDArray[np.float32]
    apart: NDArray[np.bool_]


class Captioned:
    """Folds the pictures of the finished file, in order. For a plan with drawn captions."""

    def __init__(self, plan: Plan, drawn: DrawnCaptions, font: str, coarse: float) -> None:
        """font: a file, or empty. coarse: of the coding (`coding.coarseness`)."""
        self._plan, self._drawn, self._font = plan, drawn, font
        self._limit, self._colour_limit = LIMIT * coarse, COLOUR_LIMIT * coarse
        x, y, wide, high = drawn.box_px
        self._luma = slice(y, y + high), slice(x, x + wide)
        self._half = slice(y // 2, (y + high) // 2), slice(x // 2, (x + wide) // 2)
        self._beside_limit = SURROUND_LIMIT * min(coarse, MOST_COARSE)
        self._worst = self._worst_s = self._colour = self._colour_s = 0.0
        self._beside = self._beside_s = 0.0
        self._unseen = set(range(len(drawn.cues)))
        self._made: dict[int | None, _Wanted] = {}

    def look(self, time_s: float, planes: Planes) -> None:
        if self._plan.pieces[reading.piece_number(self._plan, time_s)].kind == "card":
            return
        luma = planes[0][self._luma]
        shown = _tile_means(luma.astype(np.float32))
        told = {self._standing(time_s + by_s) for by_s in (-_TICK_S, 0.0, _TICK_S)}
        if len(told) == 1:
            self._unseen -= told
        wanted = [self._wanted(number) for number in told]
        off = min(float(np.abs(shown - w.tiles).max()) for w in wanted)
        if off > self._worst:
            self._worst, self._worst_s = off, time_s
        beside = min(float(luma[w.apart].max(initial=0)) - _BLACK for w in wanted)
        if beside > self._beside:
            self._beside, self._beside_s = beside, time_s
        for plane in planes[1:]:
            part = plane[self._half]
            value = float(max(int(part.max()) - _NEUTRAL, _NEUTRAL - int(part.min())))
            if value > self._colour:
                self._colour, self._colour_s = value, time_s

    def _standing(self, time_s: float) -> int | None:
        for number, cue in enumerate(self._drawn.cues):
            if cue.start_s <= time_s < cue.stop_s:
                return number
        return None

    def _wanted(self, number: int | None) -> _Wanted:
        """The place with that caption in it, or with none."""
        import cv2

        if number not in self._made:
            if len(self._made) > 4:
                self._made.clear()
            _, _, wide, high = self._drawn.box_px
            ink = np.zeros((high, wide), np.float32)
            if number is not None:
                ink = caption_ink(self._drawn.cues[number].text, self._drawn.box_px,
                                  self._drawn.type_px, self._font)  # fmt: skip
            inked: Any = (ink > 0).astype(np.uint8)
            near = cv2.dilate(inked, np.ones((2 * _NEAR_PX + 1, 2 * _NEAR_PX + 1), np.uint8))
            self._made[number] = _Wanted(_tile_means(_BLACK + _INK * ink), near == 0)
        return self._made[number]

    def checks(self, over_px: int) -> list[Check]:
        """over_px: how many pixels of what is shown lie at their place (`Surround`)."""
        missed = f", {len(self._unseen)} not seen" if self._unseen else ""
        passed = self._worst <= self._limit and not missed
        at, in_colour = f"at {self._worst_s:.2f} s", f"at {self._colour_s:.2f} s"
        other = self._others()
        return [
            make_check(NAME, self._worst, self._limit,
                       f"levels in the worst place, {at}{missed}", passed),
            make_check(APART, self._beside, self._beside_limit,
                       f"code values, at {self._beside_s:.2f} s",
                       self._beside <= self._beside_limit),
            make_check(GREY, self._colour,
                       self._colour_limit, f"levels, {in_colour}",
                       self._colour <= self._colour_limit),
            make_check(OFF_FIELD, over_px, 0, "pixels over it", over_px == 0),
            make_check(CUES, other, 0, "others", other == 0),
        ]  # fmt: skip

    def _others(self) -> int:
        """How many are not those beside the clip, each until the next one begins."""
        beside = [(c.start_s, c.stop_s, c.text) for c in self._plan.captions]
        starts = [c[0] for c in beside[1:]] + [np.inf]
        wanted = [(a, min(b, after), text) for (a, b, text), after in zip(beside, starts,
                                                                          strict=True)]  # fmt: skip
        drawn = [(c.start_s, c.stop_s, c.text) for c in self._drawn.cues]
        return len(set(wanted) ^ set(drawn))


def _tile_means(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    size = max(1, luma.shape[1] // TILE_PX), max(1, luma.shape[0] // TILE_PX)
    return np.asarray(cv2.resize(luma, size, interpolation=cv2.INTER_AREA), np.float32)
