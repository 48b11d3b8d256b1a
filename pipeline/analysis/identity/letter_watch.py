"""Every decoded picture is looked at for lettering: cheaply all of it, closely where and when it
points.

- Each picture: its luma, and its colour between blue and red, go into averages over about half a
  second, in which what stands still adds up while moving tissue cancels, and its fine detail is
  compared with what that place showed lately: what appears there without having come from beside
  it stands out.
- About nine times a second, so that .12 s cannot lie between two: the whole field at a fixed size
  of the network (letters from 1/40 to a third of the field), and one window of it, closer: at
  what is new and doubtful there, else in turn where the detail changed most, where most did not
  move with the tissue, and the next of a grid. Where only such a window was sure, it is looked
  at again until nothing is seen there.
- Half as often, as often while in doubt, in turn whole and one window closer: what is left when
  the picture of the last look is moved as the tissue moved and taken away (`letter_moved`), for
  faint lettering.
- Once a second: the average of luma, whole and one window, for faint lettering that stays, and all
  of that of colour, closely, for lettering that is as light as the tissue.
- Once a second in between: what is left, added up over two seconds or six (`letter_stays`), for
  lettering so faint that it is not seen in half a second's average.
A look gives boxes with log odds; `letter_spans` says what of it counts, and from when to when.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import takewhile
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, overlap
from pipeline.analysis.identity.letter_cells import best_in, components
from pipeline.analysis.identity.letter_moved import LastLook, unmoved
from pipeline.analysis.identity.letter_net import (
    CELL_PX,
    SIDE_PX,
    LetterNet,
    View,
    judged,
    mean_view,
    turned_over,
)
from pipeline.analysis.identity.letter_placed import Placed, unseen
from pipeline.analysis.identity.letter_stays import LONG_S, SHORT_S, Stays
from pipeline.analysis.identity.letter_views import (
    ALIKE,
    Plane,
    Planes,
    alike,
    averaged,
    away_from_dark,
    corner_toward,
    even,
    fitted,
    grid,
    inside,
    part_of,
    resized,
    rgb_view,
    scaled,
    window,
    without,
)

Kind = Literal["whole", "close", "moved", "mean", "tint", "stays"]

AVERAGED: tuple[Kind, ...] = ("mean", "tint", "stays")
LOOK_S = 0.11  # least time between two looks at the whole field, but for a sharp change
LONGEST_S = 0.12
MEAN_S = 0.5  # time constant of the average, and time between two looks at it
_FINE_PX = 2 * SIDE_PX  # side of the luma that is averaged
_CLOSE_PX = 384  # largest window of a close look, in px of the picture
_TINT_PX = 640  # of the view of the average of colour, which has half as many samples
_TINT_HIGH = 0.1  # of the field: what coding leaves of colour, and crusts, are higher
_GRID = 32  # cells a side in which detail is compared
_MOST = 10.0  # levels of detail that one cell can add
_SURE = 9.0  # log odds of what needs no closer look
_MORE = 1.2  # times the usual change: looked at closely where it is
_SHARP = 3.0  # times the usual change: looked at once
_AGAIN_S = 0.2  # after which a place where only a close look saw something is looked at again
_SEEN = 4.5  # log odds of a look that sees something there
ASKED, PLAIN = 4.0, 10.5  # log odds from which, and up to which, a view is looked at turned over
UPRIGHT = 1.5  # times as high as wide
_DOUBT = 2.5  # log odds of a look at what is left then, from which each picture is looked at so,
_QUIET_S = 0.5  # and else every second one, so long after it
_STAYS_PX = 96  # added to the side of a view of what stayed
_MOVED_PX = 320  # side of a window of what is left then


@dataclass(frozen=True)
class Sight:
    """A box (x, y, width, height) in px of the picture and its log odds.

    since_s, time_s: of the pictures that were looked at. line_px: height of the line across its
    way; 0 if that of the box. parts: boxes that hold it more closely, of a line aslant. again:
    log odds of the same place in the same view turned over; None if it was not asked again.
    """

    since_s: float
    time_s: float
    kind: Kind
    box: Pixels
    odds: float
    line_px: float = 0.0
    parts: tuple[Pixels, ...] = ()
    again: float | None = None


@dataclass
class _Lately:
    """What is kept of the pictures so far, for one place of the field."""

    crop: Pixels
    mean: NDArray[np.float32] | None = None
    tint: NDArray[np.float32] | None = None  # average of Cb - Cr, half the size of mean
    detail: NDArray[np.float32] | None = None
    coarse: NDArray[np.float32] | None = None
    weight: float = 0.0
    usual: float = 1.0  # levels: largest change in a picture of lately
    since_s: float = 0.0
    shown: LastLook = field(default_factory=LastLook)
    stays: Stays = field(default_factory=Stays)


@dataclass
class _Known:
    """A place where a close look saw something, and when it did last."""

    box: Pixels
    seen_s: float


@dataclass
class LetterWatch:
    """A fold over all decoded pictures. matrix: of their colours. late: another phase and
    another size of the looks, so that a second search is not the same as the first. placed:
    what is meant to be there, beside which is looked."""

    matrix: str = "bt709"
    late: bool = False
    threads: int = 1
    placed: Placed = field(default_factory=Placed)
    sights: list[Sight] = field(default_factory=list)
    looks: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._net = LetterNet(self.threads)
        self._last: _Lately | None = None
        self._doubtful: list[Pixels] = []
        self._known: list[_Known] = []
        self._look_s = self._mean_s = self._seen_s = -np.inf
        self._moved_s = self._moved_seen_s = -np.inf
        self._turn = self._mean_turn = self._moved_turn = self._stays_turn = int(self.late)
        self._side = SIDE_PX + (64 if self.late else 32)

    def step(self, time_s: float, planes: Planes, crop: Pixels) -> None:
        """A picture: planes of yuv420p, uint8 (row, col), limited range, times rising.

        crop: the box around the lit field (x, y, width, height); lettering is looked for there.
        """
        import cv2

        crop = even(crop, planes[0].shape)
        last = self._last
        if last is None or last.crop != crop:
            last = self._last = _Lately(crop, since_s=time_s)
            self._mean_s = time_s
        x, y, w, h = crop
        part = planes[0][y : y + h, x : x + w]
        size = fitted(w, h, _FINE_PX)
        plain = scaled(part, size)
        luma = plain.astype(np.float32)
        half = fitted(w, h, _TINT_PX // 2)
        colour = [
            scaled(p[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2], half) for p in planes[1:]
        ]
        blue, red = (c.astype(np.float32) for c in colour)
        change = self._change(last, [luma, blue, red])
        step_s = time_s - self._seen_s if np.isfinite(self._seen_s) else 0.04
        self._seen_s = time_s
        share = 1 - np.exp(-step_s / MEAN_S)
        share = max(share, 1 / (1 + last.weight))
        last.mean = averaged(last.mean, luma, share)
        last.tint = averaged(last.tint, blue - red, share)
        last.weight += 1
        due = time_s - self._look_s > LOOK_S - 1e-3 or (
            time_s + min(step_s, LONGEST_S) - self._look_s > LONGEST_S + 1e-3
        )
        most = float(change.max())
        sharp = most > _SHARP * last.usual
        coarse = np.asarray(cv2.resize(luma, (16, 16), interpolation=cv2.INTER_AREA), np.float32)
        before, last.coarse = last.coarse, coarse
        if before is not None and alike(coarse, before) < ALIKE:
            last.shown = LastLook()
        if due or sharp:
            before_s = last.shown.time_s
            put = self.placed.plane(time_s, time_s, crop, plain.shape)
            left = last.shown.left(time_s, plain, put)
            self._look(time_s, planes, crop, change, last.usual, left)
            if left is not None:
                last.stays.add(before_s, time_s, left)
                self._look_at_moved(time_s, last, left)
        last.usual += 0.05 * (min(most, 2 * last.usual) - last.usual)
        if time_s - self._mean_s >= MEAN_S - 1e-3 and last.weight >= 4:
            self._look_at_mean(time_s, last)

    def _change(
        self, last: _Lately, parts: Sequence[NDArray[np.float32]]
    ) -> NDArray[np.float32]:
        """Fine detail around each cell, in levels, over that of lately there and beside it."""
        import cv2

        fine = [np.abs(part - cv2.blur(part, (7, 7))) for part in parts]
        grids = [cv2.resize(f, (_GRID, _GRID), interpolation=cv2.INTER_AREA) for f in fine]
        cells = grids[0] + 2 * grids[1] + 2 * grids[2]
        if last.detail is None:
            last.detail = cells.copy()
            return np.asarray(cv2.blur(np.minimum(cells, _MOST), (5, 3)), np.float32)
        known = cv2.dilate(last.detail, np.ones((3, 3), np.uint8))
        more = np.clip(cells - known, 0, _MOST)  # a glint is one cell, a line several
        cv2.accumulateWeighted(cells, last.detail, 0.3)
        return np.asarray(cv2.max(cv2.blur(more, (5, 3)), cv2.blur(more, (3, 5))), np.float32)

    def _look(
        self, time_s: float, planes: Planes, crop: Pixels, change: NDArray[np.float32],
        usual: float, left: NDArray[np.float32] | None,
    ) -> None:  # fmt: skip
        self._look_s = time_s
        self.looks.append(time_s)
        size, before = fitted(crop[2], crop[3], self._side), len(self.sights)
        view = rgb_view(planes, crop, size, self.matrix)
        self._see(time_s, time_s, "whole", view, crop)
        self._turn += 1
        seen = self.sights[before:]
        here = [s for s in seen if s.odds < _SURE]
        new = [s for s in here if not any(overlap(s.box, o) > 0 for o in self._doubtful)]
        self._doubtful = [s.box for s in here]
        self._seen_again(time_s, seen)
        known = min(self._known, key=lambda k: k.seen_s, default=None)
        again = known is not None and time_s - known.seen_s > _AGAIN_S - 1e-3
        if known and again and (self._turn % 2 or not new):
            close = self._window(crop, known.box, planes[0].shape)
        elif new:
            close = self._window(crop, max(new, key=lambda s: s.odds).box, planes[0].shape)
        elif float(change.max()) > _SHARP * usual:
            close = self._window(crop, change, planes[0].shape)
        elif self._turn % 3 and float(change.max()) < _MORE * usual:
            return
        else:
            still = change if left is None else unmoved(left, _GRID)
            toward = (None, change, still)[self._turn % 3]
            close = self._window(crop, toward, planes[0].shape)
        if close is not None:
            size, before = (SIDE_PX, SIDE_PX), len(self.sights)
            view = rgb_view(planes, close, size, self.matrix)
            self._see(time_s, time_s, "close", view, close)
            self._seen_again(time_s, self.sights[before:], close)

    def _seen_again(
        self, time_s: float, seen: Sequence[Sight], window: Pixels | None = None
    ) -> None:
        """What is known of the places of close looks after one more look: at the whole field,
        which may miss them, or at a window, which does not."""
        for known in list(self._known):
            again = [s for s in seen if s.odds >= _SEEN and overlap(s.box, known.box) > 0]
            if again:
                known.seen_s = time_s
                if window is not None:
                    known.box = max(again, key=lambda s: s.odds).box
            elif window is not None and inside(known.box, window):
                self._known.remove(known)
        if window is not None:
            for sight in seen:
                if sight.odds >= _SEEN and not any(
                    overlap(sight.box, k.box) > 0 for k in self._known
                ):
                    # In doubt, or a part of a line: looked at again at once.
                    sure = sight.odds >= _SURE and inside(sight.box, window, 2 * CELL_PX)
                    self._known.append(_Known(sight.box, time_s if sure else -np.inf))

    def _look_at_moved(self, time_s: float, last: _Lately, left: NDArray[np.float32]) -> None:
        import cv2

        _, _, w, h = last.crop
        rows, cols = left.shape
        side = min(_MOVED_PX, rows // 32 * 32, cols // 32 * 32)
        if time_s - self._moved_seen_s > _QUIET_S and time_s - self._moved_s < 1.5 * LOOK_S:
            return
        self._moved_s, before = time_s, len(self.sights)
        self._moved_turn += 1
        whole = bool(self._moved_turn % 2) or max(rows, cols) < 1.15 * side
        put = last.shown.left_put
        if whole:
            size = fitted(w, h, self._side)
            small = np.asarray(cv2.resize(left, size, interpolation=cv2.INTER_AREA), np.float32)
            self._see(time_s, time_s, "moved", mean_view(small), last.crop, put)
        else:
            places = grid(cols, rows, side)
            x, y = places[self._moved_turn // 2 % len(places)]
            part = np.ascontiguousarray(mean_view(left)[y : y + side, x : x + side])
            box = part_of(last.crop, (x, y, side, side), cols, rows)
            put = None if put is None else put[y : y + side, x : x + side]
            self._see(time_s, time_s, "moved", part, box, put)
        if any(s.odds >= _DOUBT for s in self.sights[before:]):
            self._moved_seen_s = time_s

    def _window(
        self, crop: Pixels, toward: NDArray[np.float32] | Pixels | None, shape: Sequence[int]
    ) -> Pixels | None:
        side = min(_CLOSE_PX, max(SIDE_PX, 0.5 * max(crop[2:])))
        return window(crop, round(side / 2) * 2, toward, self._turn // 3, shape)

    def _look_at_mean(self, time_s: float, last: _Lately) -> None:
        import cv2

        assert last.mean is not None and last.tint is not None and last.detail is not None
        since_s, self._mean_s = max(last.since_s, time_s - 2 * MEAN_S), time_s
        _, _, w, h = last.crop
        self._stays_turn += 1
        if self._stays_turn % 2 == 0 and self._look_at_stays(time_s, last):
            return
        self._mean_turn += 1
        looks: list[tuple[Kind, NDArray[np.float32], int]] = [
            ("mean", last.mean, self._side), ("tint", last.tint, _TINT_PX)]  # fmt: skip
        for kind, mean, longer in looks[: 1 + self._stays_turn % 2]:
            size = fitted(w, h, longer)
            view = mean_view(resized(mean, size))
            self._see(since_s, time_s, kind, view, last.crop)
        if max(w, h) < 1.15 * SIDE_PX:
            return
        rows, cols = last.mean.shape
        side = min(SIDE_PX, rows // 32 * 32, cols // 32 * 32)
        if self._mean_turn % 3:
            # What stands still is as strong in the average as in the pictures; so is the rim of
            # the field, and what other looks have seen.
            fine = np.abs(last.mean - cv2.blur(last.mean, (7, 7)))
            kept = cv2.resize(fine, (_GRID, _GRID), interpolation=cv2.INTER_AREA)
            kept *= away_from_dark(last.mean, _GRID) / (last.detail + 1.0)
            recent = takewhile(lambda s: s.time_s > since_s, reversed(self.sights))
            known = [s.box for s in recent if s.odds >= _SEEN] + self.placed.boxes(time_s)
            kept = cv2.blur(without(kept, last.crop, known), (5, 3))
            left, top = corner_toward(kept, cols, rows, side)
        else:
            places = grid(cols, rows, side)
            left, top = places[self._mean_turn // 3 % len(places)]
        part = np.ascontiguousarray(mean_view(last.mean)[top : top + side, left : left + side])
        box = part_of(last.crop, (left, top, side, side), cols, rows)
        self._see(since_s, time_s, "mean", part, box)

    def _look_at_stays(self, time_s: float, last: _Lately) -> bool:
        """In turn what stayed for two seconds and for six, the latter closely."""
        long = self._stays_turn % 4 == 2
        stayed = last.stays.mean(LONG_S if long else SHORT_S)
        if stayed is None:
            return False
        since_s, mean = stayed
        _, _, w, h = last.crop
        size, before = fitted(w, h, _FINE_PX if long else self._side + _STAYS_PX), len(self.sights)
        view = mean_view(resized(mean, size))
        self._see(since_s, time_s, "stays", view, last.crop)
        for number, sight in enumerate(self.sights[before:], start=before):
            first_s, last_s = last.stays.stood(sight.box, last.crop, since_s)
            self.sights[number] = replace(sight, since_s=first_s, time_s=last_s)
        return True

    def _see(
        self, since_s: float, time_s: float, kind: Kind, view: Plane, crop: Pixels,
        put: Plane | None = None,
    ) -> None:  # fmt: skip
        """A look at a view of crop, uint8 (row, col, 3). put: where what was placed shows in what
        is left of a picture."""
        head: View = "one" if kind in ("whole", "close") else "moved" if kind == "moved" else "mean"
        sx, sy = (crop[2 + n] / view.shape[1 - n] * CELL_PX for n in (0, 1))
        if kind != "moved":
            put = self.placed.plane(since_s, time_s, crop, view.shape, kind in AVERAGED)
        found, turned = components(unseen(judged(self._net, view, head), put)), None
        asked = [f for f in found if ASKED <= f[1] < PLAIN]
        if asked:
            _, _, wide, high = max(asked, key=lambda f: f[1])[0]
            turned = turned_over(self._net, view, head, upright=high > UPRIGHT * wide)
            turned = unseen(turned, put)
        for whole, odds, across, cut in found:
            box, *parts = (self._pixels(b, crop, sx, sy) for b in (whole, *cut))
            if kind != "tint" or min(box[2:]) <= _TINT_HIGH * crop[3]:
                again = None
                if turned is not None and ASKED <= odds < PLAIN:
                    again = best_in(turned, whole)
                self.sights.append(
                    Sight(since_s, time_s, kind, box, odds, across * sy, tuple(parts), again)
                )

    @staticmethod
    def _pixels(cells: Pixels, crop: Pixels, sx: float, sy: float) -> Pixels:
        """A box of cells of sx x sy px, in px of the picture."""
        x, y, w, h = cells
        left, top = int(crop[0] + x * sx), int(crop[1] + y * sy)
        width = min(crop[0] + crop[2] - left, int(np.ceil(w * sx)))
        return left, top, width, min(crop[1] + crop[3] - top, int(np.ceil(h * sy)))
