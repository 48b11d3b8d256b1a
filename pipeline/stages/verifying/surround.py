"""The surround of the finished file and its redaction boxes are black, in every picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.model.plan import Piece, Plan
from pipeline.model.release import Check
from pipeline.stages.card import card_box
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.result import make_check

BLACK_LUMA, GREY = 16, 128
SURROUND_LIMIT = 12.0  # code values of 8 bits above black, or away from grey
MOST_COARSE = 2.0  # however coarse the coding: lettering must not hide in it
FAINT = 4.0  # a recorder's own black surround lies a few code values over black
SHARE_LIMIT = 0.01
RIM_PX = 11.4  # coding spreads the rim over a block of 8 px, and over its diagonal
BOX_EDGE_PX = 4.0  # and the edge of a box by half of one
BOX_LIMIT = 12.0
MACROBLOCK_PX = 16
NEAR_STROKE_PX = 3

Planes = Sequence[NDArray[np.uint8]]
Ink = tuple[NDArray[np.intp], NDArray[np.intp]]
Masks = tuple[NDArray[np.uint8], NDArray[np.uint8]]
Cut = tuple[slice, slice]


class Surround:
    """The brightest and the most coloured pixel outside of what the plan shows.

    Captions have a place of their own there (`captioned`): under_captions_px is how many pixels
    of what is shown lie in it.
    """

    def __init__(self, plan: Plan, edge_inset_px: float, coarse: float = 1.0) -> None:
        """coarse: of the coding (`coding.coarseness`)."""
        self._limit = SURROUND_LIMIT * min(coarse, MOST_COARSE)
        self._plan, self._inset_px = plan, edge_inset_px
        self._size = (plan.height_px, plan.width_px)
        self._worst = self._worst_s = self._share = self._share_s = 0.0
        self._looked = 0
        self._kept: dict[tuple[int, int], Masks] = {}
        self._fielded = any(reading.has_circle(s) for s in plan.sources)
        self._captions = reading.captions_cut(plan)
        self.under_captions_px = 0

    def look(self, time_s: float, planes: Planes) -> None:
        masks = self._outside(time_s)
        if masks is None:
            return
        self._looked += 1
        value = _brightest(planes, masks)
        if value > self._worst:
            self._worst, self._worst_s = value, time_s
        if value > FAINT:
            share = _share(planes[0], masks[0])
            if share > self._share:
                self._share, self._share_s = share, time_s

    def _outside(self, time_s: float) -> Masks | None:
        """Where it must be black, luma and colour: 255; None where anything may be shown."""
        number = reading.piece_number(self._plan, time_s)
        piece = self._plan.pieces[number]
        source = self._plan.sources[piece.source]
        if piece.kind in ("black", "card"):
            key = (-1, number)
            if key not in self._kept:
                words = piece.words if piece.kind == "card" else ""
                black = self._apart_from(words) & ~self._compared(piece)
                if self._captions is not None and piece.kind == "black":
                    black[self._captions] = False
                self._kept[key] = _masks(black)
            return self._kept[key]
        span = reading.field_of(source, reading.source_time(piece, time_s))
        if (piece.source, id(span)) not in self._kept:
            if len(self._kept) > 8:
                self._kept.clear()
            lit = reading.Lit(source, span, self._size, self._inset_px)
            outside = ~lit.within(RIM_PX)
            if self._captions is not None:
                self.under_captions_px += int(lit.within(0.0)[self._captions].sum())
                outside[self._captions] = False
            self._kept[(piece.source, id(span))] = _masks(outside)
        return self._kept[(piece.source, id(span))]

    def _compared(self, piece: Piece) -> NDArray[np.bool_]:
        """Where a card with two pictures shows them and their words."""
        shown = np.zeros(self._size, bool)
        for of in piece.compared:
            source = reading.with_moved(self._plan, of).sources[of.source]
            span = reading.field_of(source, of.start_s)
            shown |= reading.Lit(source, span, self._size, self._inset_px).within(RIM_PX)
            x, y, wide, high = of.strip_px
            shown[y : y + high, x : x + wide] = True
        return shown

    def _apart_from(self, words: str) -> NDArray[np.bool_]:
        black = np.ones(self._size, bool)
        if words:
            left, top, wide, high = card_box(words, self._size[1], self._size[0])
            pad = high // 2
            black[max(0, top - pad) : top + high + pad, max(0, left - pad) : left + wide + pad] = 0
        return black

    def checks(self) -> list[Check]:
        if not self._fielded and self._worst <= self._limit:
            said = "no field, approved by a person"
            return [make_check("surround black", said, "", "", True)]
        at = f", at {self._worst_s:.1f} s" if self._worst else ""
        at_share = f", at {self._share_s:.1f} s" if self._share else ""
        return [
            make_check("surround black", self._worst, self._limit, "code values" + at,
                       self._looked > 0 and self._worst <= self._limit),
            make_check("surround without a faint picture", 100 * self._share, 100 * SHARE_LIMIT,
                       f"% of it over {FAINT:g} code values" + at_share,
                       self._share <= SHARE_LIMIT),
        ]  # fmt: skip


class Boxes:
    """Every box is black from its first picture to its last, whoever asked for it."""

    def __init__(self, plan: Plan, ink: Callable[[float], Ink], coarse: float = 1.0) -> None:
        self._limit = BOX_LIMIT * min(coarse, MOST_COARSE)
        self._plan, self._ink = plan, ink
        self._size = (plan.height_px, plan.width_px)
        self._boxes = [b for b in reading.boxes_of(plan) if self._pixels(b) is not None]
        self._unseen = set(range(len(self._boxes)))
        self._worst, self._worst_s = 0.0, 0.0

    def _pixels(self, box: reading.Box) -> Cut | None:
        """Inside of what coding spreads; a small box keeps its middle."""
        for less in (BOX_EDGE_PX, 2.0, 0.0):
            rows, cols = reading.box_pixels(box, self._size, less)
            if rows.stop - rows.start > 1 and cols.stop - cols.start > 1:
                return rows, cols
        return None

    def _of_colour(self, box: reading.Box, cut: Cut) -> Cut:
        """In the planes of colour: the macroblocks that the box fills, or what `cut` leaves.

        The means of a macroblock's four blocks of colour are coded together (ITU-T H.264, 8.5.11),
        so that colour reaches 16 px into a box from its edge.
        """
        whole = reading.box_pixels(box, self._size, 0.0)
        rows, cols = (slice(-(-s.start // MACROBLOCK_PX) * 8, s.stop // MACROBLOCK_PX * 8)
                      for s in whole)  # fmt: skip
        if rows.stop <= rows.start or cols.stop <= cols.start:
            rows, cols = (slice((s.start + 1) // 2, s.stop // 2) for s in cut)
        return rows, cols

    def look(self, time_s: float, planes: Planes) -> None:
        clear: NDArray[np.bool_] | None = None
        for number, box in enumerate(self._boxes):
            if not box.start_s - reading.TICK_S <= time_s < box.stop_s - reading.TICK_S:
                continue
            cut = self._pixels(box)
            assert cut is not None
            self._unseen.discard(number)
            clear = self._clear(time_s) if clear is None else clear
            luma = planes[0][cut][clear[cut]]  # the mark lies over a box too
            value = max(0.0, float(luma.max(initial=0)) - BLACK_LUMA)
            of_colour = self._of_colour(box, cut)
            for plane in planes[1:]:
                part = plane[of_colour]
                if part.size:
                    value = max(value, abs(float(part.max()) - GREY), abs(float(part.min()) - GREY))
            if value > self._worst:
                self._worst, self._worst_s = value, time_s

    def _clear(self, time_s: float) -> NDArray[np.bool_]:
        """Where no stroke of the mark lies, nor what coding spreads of it."""
        import cv2

        inked = np.zeros(self._size, np.uint8)
        inked[self._ink(time_s)] = 1
        size = 2 * NEAR_STROKE_PX + 1
        return np.asarray(cv2.dilate(inked, np.ones((size, size), np.uint8)) == 0, bool)

    def checks(self) -> list[Check]:
        if not self._boxes:
            return []
        unit = f"code values in the worst of {len(self._boxes)}"
        if self._worst:
            unit += f", at {self._worst_s:.2f} s"
        missed = f", {len(self._unseen)} not seen" if self._unseen else ""
        passed = self._worst <= self._limit
        return [make_check("redacted boxes black", self._worst, self._limit, unit + missed, passed)]


def _share(luma: NDArray[np.uint8], outside: NDArray[np.uint8]) -> float:
    """Share of the masked pixels that are more than faintly over black."""
    import cv2

    faint = cv2.threshold(luma, BLACK_LUMA + FAINT, 255, cv2.THRESH_BINARY)[1]
    faint = cv2.bitwise_and(faint, outside)
    return cv2.countNonZero(faint) / max(1, cv2.countNonZero(outside))


def _masks(outside: NDArray[np.bool_]) -> Masks:
    rows, cols = outside.shape[0] // 2, outside.shape[1] // 2
    two = outside[: 2 * rows : 2, : 2 * cols] & outside[1 : 2 * rows : 2, : 2 * cols]
    four = two[:, ::2] & two[:, 1::2]
    return tuple(np.ascontiguousarray(m).astype(np.uint8) * np.uint8(255) for m in (outside, four))  # type: ignore[return-value]


def _brightest(planes: Planes, masks: Masks) -> float:
    """The most that a masked pixel differs from black, in code values."""
    import cv2

    luma, colour = masks
    worst = float(cv2.bitwise_and(planes[0], luma).max()) - BLACK_LUMA
    for plane in planes[1:]:
        least, most, _, _ = cv2.minMaxLoc(plane, mask=colour)
        worst = max(worst, GREY - least, most - GREY) if colour.any() else worst
    return max(0.0, worst)
