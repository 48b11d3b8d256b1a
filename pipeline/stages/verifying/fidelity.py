"""How far finished pictures lie from what they should show: unsigned, per picture and per tile.

A picture in the place of its neighbour lies off by what moved between the two, wherever
that was: so what is off is held against what moved, over the whole of it.

Coding changes single samples, and takes noise away, but keeps the mean of a block of 8 to a
level or so: so means over tiles are compared. What differs by place or by sign cannot cancel.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.release import Check
from pipeline.stages.verifying.coding import coarseness, dead_zone
from pipeline.stages.verifying.expected import Expected
from pipeline.stages.verifying.result import make_check

TILE_PX = 8
LARGE_ROWS = 720  # from here on every second sample of every second row is looked at
PLACE_LIMIT = 12.0  # levels, mean of a tile
PICTURE_LIMIT = 2.0  # levels, mean over all tiles of a picture
COLOUR_LIMIT = 2.0
BORROWED_LIMIT = 10.0  # squares of the dead zone, in half a second: right clips up to 3
_MOVED = 5.0  # squares of the dead zone, over all tiles, by which enough moved to tell
_PICTURES = 2  # in a slow movement the one before shows too little
_REPEATED = 0.5  # of what moved: a picture that is nearer to the one before
_TOGETHER_S = 0.5  # a coder leaves two tiles of one picture, not in each of them
_KNOWN = 0.4  # share of a tile's samples that must count
_NEAR_STROKE_PX = 3  # coding spreads a stroke by 2, and strokes may be those of .08 s before

Planes = Sequence[NDArray[np.uint8]]
_Before = tuple[object, NDArray[np.uint8]]
Box = tuple[int, int, int, int]


@dataclass
class _Worst:
    value: float = 0.0
    time_s: float = 0.0
    x_px: int = 0
    y_px: int = 0

    def see(self, value: float, time_s: float, x_px: int = 0, y_px: int = 0) -> None:
        if value > self.value:
            self.value, self.time_s, self.x_px, self.y_px = value, time_s, x_px, y_px


@dataclass
class Fidelity:
    """Folds finished pictures beside the expected ones. Levels are code values of 8 bits.

    crf: of the coding.
    """

    crf: int
    place: _Worst = field(default_factory=_Worst)
    picture: _Worst = field(default_factory=_Worst)
    colour: _Worst = field(default_factory=_Worst)
    borrowed: _Worst = field(default_factory=_Worst)
    pictures: int = 0
    _before: deque[_Before] = field(default_factory=lambda: deque(maxlen=_PICTURES + 1))
    _missed: deque[tuple[float, float]] = field(default_factory=deque)
    _luma: tuple[tuple[object, ...], _Weight] | None = None
    _colour: tuple[tuple[object, ...], _Weight] | None = None
    _around: tuple[object, Box] | None = None

    def step(
        self, wanted: Expected, shown: Planes, strokes: tuple[NDArray[np.intp], NDArray[np.intp]],
        words: Box | None, plain: NDArray[np.uint8] | None = None,
    ) -> None:  # fmt: skip
        """strokes: (rows, cols) of the mark. words: (x, y, width, height) that was drawn over.

        plain: the luma wanted, without the release code: where that changes nothing moves, and a
        coder lags.
        """
        luma, colour = self._weights(wanted.sure, strokes, words)
        self.pictures += 1
        for number, (plane, other) in enumerate(zip(shown, wanted.planes, strict=True)):
            weight = luma if number == 0 else colour
            looked = weight.looked_at(other)
            if not weight.any:
                continue
            gap = weight.gap(weight.looked_at(plane), looked)
            off = np.abs(gap)
            if number == 0:
                moving = looked if plain is None else weight.looked_at(plain)
                self._borrow(gap, moving, weight, wanted)
            k = int(off.argmax())
            row, col = divmod(k, off.shape[1])
            scale = 1 if number == 0 else 2
            x_px, y_px = weight.at(col, row)
            self.place.see(float(off.flat[k]), wanted.time_s, x_px * scale, y_px * scale)
            inside = weight.share(wanted.lit_mask if number == 0 else wanted.lit_colour)
            total = float((off * inside).sum() / max(float(inside.sum()), 1e-9))
            (self.picture if number == 0 else self.colour).see(total, wanted.time_s)

    def _borrow(
        self, gap: NDArray[np.float32], looked: NDArray[np.uint8], weight: _Weight, wanted: Expected
    ) -> None:
        """How much moved that is not shown, since the first picture before since which enough did.

        A coder leaves a tile that moves by less than its dead zone: only what goes over it counts,
        of the movement and of what is off. Two tiles may be left that moved by twice that.
        """
        zone = dead_zone(self.crf)
        here = [b for b in self._before if b[0] is wanted.sure]
        again = bool(here) and np.array_equal(here[0][1], looked)
        if again:  # a held picture, which is off as the one before: no second one that moved
            here = here[1:]
        else:
            self._before.appendleft((wanted.sure, looked))
        off = _over(gap, zone)
        for number, (_, before) in enumerate(here[:_PICTURES], 1):
            moved = _over(weight.gap(looked, before), zone)
            energy = float(np.square(moved).sum())
            if energy >= _MOVED * zone**2:
                if number * abs(float((off * moved).sum())) > _REPEATED * energy:
                    self._miss(wanted.time_s, energy / (number * zone) ** 2)
                return

    def _miss(self, time_s: float, squares: float) -> None:
        self._missed.append((time_s, squares))
        while self._missed[0][0] < time_s - _TOGETHER_S:
            self._missed.popleft()
        self.borrowed.see(sum(s for _, s in self._missed), time_s)

    def _weights(
        self, sure: NDArray[np.uint8], strokes: tuple[NDArray[np.intp], NDArray[np.intp]],
        words: Box | None,
    ) -> tuple[_Weight, _Weight]:  # fmt: skip
        """For luma and for the colour planes, made anew where they change: strokes wander."""
        key: tuple[object, ...] = (sure, strokes[0], words)
        if self._luma is None or not _same(self._luma[0], key):
            self._luma = key, _Weight(_of_luma(sure, strokes, words), _step(sure), self._box(sure))
        key = (sure, words)
        if self._colour is None or not _same(self._colour[0], key):
            x, y, wide, high = self._box(sure)
            half = x // 2, y // 2, wide // 2 + 1, high // 2 + 1
            self._colour = key, _Weight(_of_colour(sure, words), _step(sure), half)
        return self._luma[1], self._colour[1]

    def _box(self, sure: NDArray[np.uint8]) -> Box:
        """Around what is sure: outside of it nothing is compared."""
        import cv2

        if self._around is None or self._around[0] is not sure:
            x, y, wide, high = cv2.boundingRect(sure)
            self._around = sure, (x, y, wide, high)
        return self._around[1]

    def checks(self) -> list[Check]:
        if not self.pictures:
            return []
        coarse = coarseness(self.crf)
        at = "levels in the worst place, at {:.2f} s, near {} x {} px"
        said = at.format(self.place.time_s, self.place.x_px, self.place.y_px)
        rows = [
            ("picture like its source", self.place.value, PLACE_LIMIT * coarse, said),
            ("picture brightness kept", self.picture.value, PICTURE_LIMIT * coarse,
             f"levels, at {self.picture.time_s:.2f} s"),
            ("picture colours kept", self.colour.value, COLOUR_LIMIT * coarse,
             f"levels, at {self.colour.time_s:.2f} s"),
            ("no picture of its neighbour", self.borrowed.value, BORROWED_LIMIT,
             f"squared steps moved and are not shown, at {self.borrowed.time_s:.2f} s"),
        ]  # fmt: skip
        return [make_check(name, v, most, unit, v <= most) for name, v, most, unit in rows]


class _Weight:
    """Which samples of a plane count, and their share in each tile within a box around them."""

    def __init__(self, counts: NDArray[np.uint8], step: int, box: Box) -> None:
        tile_px = TILE_PX * step
        x, y, wide, high = box
        left, top = x // tile_px * tile_px, y // tile_px * tile_px
        # whole tiles; of what is left over at the right and bottom nothing is looked at
        cols, rows = (
            max(TILE_PX, min(-(-(end - start) // tile_px), (most - start) // tile_px) * TILE_PX)
            for start, end, most in (
                (left, x + wide, counts.shape[1]),
                (top, y + high, counts.shape[0]),
            )
        )
        self._corner, self._tile_px = (left, top), tile_px
        self._cut = (slice(top, top + rows * step, step), slice(left, left + cols * step, step))
        self._counts = (counts[self._cut] > 0).astype(np.float32)
        self._tiles = (self._counts.shape[1] // TILE_PX, self._counts.shape[0] // TILE_PX)
        known = _mean(self._counts, self._tiles)
        self._known = np.where(known >= _KNOWN, known, np.float32(np.inf))
        self.tiles = int((known >= _KNOWN).sum())
        self.any = self.tiles > 0
        self._inside: tuple[NDArray[np.uint8], NDArray[np.float32]] | None = None

    def at(self, col: int, row: int) -> tuple[int, int]:
        """Corner (x, y) of a tile on the plane."""
        return self._corner[0] + col * self._tile_px, self._corner[1] + row * self._tile_px

    def looked_at(self, plane: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The samples of a plane that are compared."""
        return np.ascontiguousarray(plane[self._cut])

    def gap(self, one: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Difference of the means of each tile, 0 where too little of it counts."""
        import cv2

        gap: Any = cv2.multiply(cv2.subtract(one, other, dtype=cv2.CV_32F), self._counts)
        return np.asarray(_mean(gap, self._tiles) / self._known, np.float32)

    def share(self, lit: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Share of each tile that is lit and counts."""
        if self._inside is None or self._inside[0] is not lit:
            inside = _mean((lit[self._cut] > 0) * self._counts, self._tiles)
            self._inside = lit, np.where(np.isfinite(self._known), inside, 0)
        return self._inside[1]


def _mean(plane: NDArray[np.float32], tiles: tuple[int, int]) -> NDArray[np.float32]:
    import cv2

    return np.asarray(cv2.resize(plane, tiles, interpolation=cv2.INTER_AREA), np.float32)


def _over(gap: NDArray[np.float32], zone: float) -> NDArray[np.float32]:
    """What of a difference lies outside +-zone, with its sign."""
    return np.asarray(gap - np.clip(gap, -zone, zone), np.float32)


def _same(key: tuple[object, ...], other: tuple[object, ...]) -> bool:
    """The very same arrays; words are compared."""
    return all(a is b for a, b in zip(key[:-1], other[:-1], strict=True)) and key[-1] == other[-1]


def _step(sure: NDArray[np.uint8]) -> int:
    return 2 if sure.shape[0] >= LARGE_ROWS else 1


def _of_luma(
    sure: NDArray[np.uint8], strokes: tuple[NDArray[np.intp], NDArray[np.intp]], words: Box | None
) -> NDArray[np.uint8]:
    """All that is sure, but for strokes and words."""
    import cv2

    counts = _without(sure, words)
    row, col = strokes
    if row.size:
        top, left = (max(0, int(at.min()) - _NEAR_STROKE_PX) for at in strokes)
        end = _NEAR_STROKE_PX + 1
        part = counts[top : int(row.max()) + end, left : int(col.max()) + end]
        ink = np.zeros_like(part)
        ink[row - top, col - left] = 255
        size = 2 * _NEAR_STROKE_PX + 1
        near = cv2.dilate(ink, np.ones((size, size), np.uint8))
        np.bitwise_and(part, cv2.bitwise_not(near), out=part)
    return counts


def _of_colour(sure: NDArray[np.uint8], words: Box | None) -> NDArray[np.uint8]:
    """Samples of half the size whose four are all sure, but for words."""
    whole = _without(sure, words)
    rows, cols = sure.shape[0] // 2 * 2, sure.shape[1] // 2 * 2
    four = [whole[y:rows:2, x:cols:2] for y in (0, 1) for x in (0, 1)]
    return np.minimum(np.minimum(four[0], four[1]), np.minimum(four[2], four[3]))


def _without(sure: NDArray[np.uint8], words: Box | None) -> NDArray[np.uint8]:
    counts = sure.copy()
    if words is not None:
        x, y, wide, high = words
        counts[max(0, y - high) : y + 2 * high, max(0, x - high) : x + wide + high] = 0
    return counts
