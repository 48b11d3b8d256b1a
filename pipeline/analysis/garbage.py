"""Garbage that a decoder took for a picture, without a complaint.

A part changes from one picture to the next as no motion can (its mean over 8 by 8 pixels leaves
the range of its neighbourhood), with edges along the blocks of the coding or a change that lies
in blocks, and the next key frame turns it back; the pictures beside both moments are calm. Or all
below one row of blocks is shifted to the side, brighter or darker. A key frame that is garbage
comes in little by little over the pictures that are shown before it but coded after it: without
those, it comes at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

GARBAGE = "garbage in the picture"
ROWS = 96  # of the small pictures that are compared
EXCESS = 10  # code values outside the range of the neighbourhood
PART = 0.002  # share of the picture that must change at once
GRID = 1.0  # code values; see `gridness`
GRID_APART = 2.0  # the same of pictures that are several apart: more has moved
GRID_PART = 0.003  # share of the picture whose change must lie in blocks
BLOCKS = 1.4  # see `in_blocks`
SHORT_S = 0.5  # of garbage in pictures between key frames that few others are built on
LEVEL = 3  # code values by which the middle of a row must change
SURE_GRID = 12.0  # where no key frame comes that could turn it back; strong coding gives 9
CALM = 0.25  # of a change: what the pictures beside it may change
LATER_S = 0.001  # than a picture: before the next one
BACK = 0.5  # of a change: what may be left of it after the key frame


@dataclass(frozen=True)
class Doubt:
    """A damaged stretch [start_s, stop_s) of a stream; stop_s may be infinite."""

    start_s: float
    stop_s: float
    sign: str


@dataclass
class _Begun:
    """Garbage that may have begun at start_s, in `part` of the small picture `before`."""

    start_s: float
    before: NDArray[np.uint8]
    part: NDArray[np.bool_]
    rise: float
    blocks: bool = False
    keys: int = 0


@dataclass
class GarbageFold:
    """Looks from picture to picture, in order of showing, for garbage that nothing complained of.

    keys: times of key frames, filled as packets come. from_before: pictures are left out, and
    garbage begins with the first of them.
    """

    keys: set[float]
    from_before: bool = False
    found: list[Doubt] = field(default_factory=list)
    begun: _Begun | None = None
    _before: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None = None
    _older: NDArray[np.uint8] | None = None
    _changed: float = 0.0
    _ended: tuple[Doubt, float] | None = None
    _before_s: float = 0.0

    def picture(
        self, time_s: float, luma: NDArray[np.uint8] | None, small: NDArray[np.uint8] | None
    ) -> None:
        before = self._before
        if small is None or luma is None or before is None or before[1].shape != small.shape:
            self._before = None if small is None or luma is None else (luma, small)
            self._older = self.begun = self._ended = None
            self._changed, self._before_s = 0.0, time_s
            return
        self._compare(time_s, luma, small, *before)
        self._older, self._before = before[1], (luma, small)
        self._before_s = time_s

    def _compare(
        self,
        time_s: float,
        luma: NDArray[np.uint8],
        small: NDArray[np.uint8],
        luma_before: NDArray[np.uint8],
        small_before: NDArray[np.uint8],
    ) -> None:
        excess = _excess(small, small_before)
        part = excess > EXCESS
        changed = float(part.mean())
        if self._ended is not None:
            doubt, share = self._ended
            if changed <= CALM * share:
                self.found.append(doubt)
            self._ended = None
        begun = self.begun
        if begun is not None and self._may_end(begun, time_s, part, luma, luma_before):
            if begun.keys == 2:
                self.begun = None
            same = (part & begun.part).sum() >= CALM * begun.part.sum()
            left = _excess(small, begun.before)[begun.part].mean()
            if same and left <= BACK * excess[begun.part].mean():
                self._ended, self.begun = (Doubt(begun.start_s, time_s, GARBAGE), changed), None
        if self.begun is None and self._ended is None and changed >= PART:
            calm = self._older is None or self._changed <= CALM * changed
            calm = calm and (not self.from_before or time_s in self.keys)
            grid = GRID_APART if self.from_before else GRID
            rise = gridness(luma, part) - gridness(luma_before, part) if calm else 0.0
            blocks = calm and _in_blocks(luma, luma_before, part)
            if calm and (
                rise >= grid or blocks or _below_a_row(part) or shifted_below(luma, luma_before)
            ):
                start_s = self._before_s + LATER_S if self.from_before else time_s
                self.begun = _Begun(start_s, small_before, part, rise, blocks)
        self._changed = changed

    def _may_end(
        self,
        begun: _Begun,
        time_s: float,
        part: NDArray[np.bool_],
        luma: NDArray[np.uint8],
        luma_before: NDArray[np.uint8],
    ) -> bool:
        """True at a key frame, and where garbage that few pictures are built on goes in blocks."""
        if time_s in self.keys:
            # In an open group the leading pictures show the garbage before its key frame does.
            begun.keys += 1
            return True
        if self.from_before or begun.keys or not begun.blocks or time_s - begun.start_s > SHORT_S:
            return False
        return _in_blocks(luma, luma_before, part)

def gridness(luma: NDArray[np.uint8], part: NDArray[np.bool_]) -> float:
    """How much steeper luma steps are across the 8-pixel grid of the coding than beside it.

    part: (row, col) of a small picture, see `small_luma`. In code values; about 0 in a picture,
    several in garbage. The larger of the two directions.
    """
    import cv2

    step = _step(luma)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    rows, cols = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    top, bottom = int(rows[0]) * step // 8 * 8, (int(rows[-1]) + 1) * step
    left, right = int(cols[0]) * step // 8 * 8, (int(cols[-1]) + 1) * step
    size = (near.shape[1] * step, near.shape[0] * step)
    mask = cv2.resize(near, size, interpolation=cv2.INTER_NEAREST)[top:bottom, left:right]
    cut = luma[top : top + mask.shape[0], left : left + mask.shape[1]].astype(np.int16)
    most = 0.0
    for values, chosen in ((cut, mask), (cut.T, mask.T)):
        at = np.arange(8, values.shape[1] - 2, 8)
        inside = chosen[:, at] > 0
        if at.size == 0 or inside.sum() < 8:
            continue
        across = np.abs(values[:, at] - values[:, at - 1])
        beside = np.maximum(
            np.abs(values[:, at - 1] - values[:, at - 2]),
            np.abs(values[:, at + 1] - values[:, at]),
        )
        excess = np.minimum(across, 60) - np.minimum(beside, 60)
        most = max(most, float(excess[inside].mean()))
    return most


def in_blocks(
    luma: NDArray[np.uint8], before: NDArray[np.uint8], part: NDArray[np.bool_]
) -> float:
    """How much more the change of luma differs across the 8-pixel grid than across its middle.

    A ratio, about 1 in a picture. Unlike `gridness` it holds where the decoder has smoothed
    the edges: means of 3 pixels on either side are compared. part: as in `gridness`.
    """
    import cv2

    step = _step(luma)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    size = (near.shape[1] * step, near.shape[0] * step)
    mask = cv2.resize(near, size, interpolation=cv2.INTER_NEAREST)
    change = luma[: size[1], : size[0]].astype(np.float32) - before[: size[1], : size[0]]
    change = np.clip(change, -40, 40) * mask
    across = beside = 0.0
    for values, chosen in ((change, mask), (change.T, mask.T)):
        total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
        for offset in (0, 4):
            at = np.arange(8 + offset, values.shape[1] - 8, 8)
            steps = total[:, at + 3] - 2 * total[:, at] + total[:, at - 3]
            inside = chosen[:, at] > 0
            mean = float(np.abs(steps[inside]).mean()) / 3 if inside.any() else 0.0
            across, beside = (across + mean, beside) if offset == 0 else (across, beside + mean)
    return across / (beside + 1.0)


def _in_blocks(
    luma: NDArray[np.uint8], before: NDArray[np.uint8], part: NDArray[np.bool_]
) -> bool:
    return part.mean() >= GRID_PART and in_blocks(luma, before, part) >= BLOCKS


def shifted_below(luma: NDArray[np.uint8], before: NDArray[np.uint8]) -> bool:
    """True if all below a row of 8-pixel blocks, black as well, is brighter, or all darker.

    So a lost level goes on to the end of a picture of Motion JPEG; light keeps black black,
    and does not end at a row above which nothing changes.
    """
    count = luma.shape[0] // 8
    change = luma[: 8 * count, ::4].astype(np.int16) - before[: 8 * count, ::4]
    level = np.median(change.reshape(count, -1), axis=1)
    first = int(np.argmax(np.abs(level) >= LEVEL))
    below, above = level[first:], change[: 8 * max(0, first - 1)]
    if not 1 <= first <= count - 3:
        return False
    still = above.size == 0 or float((np.abs(above) <= 4).mean()) >= 0.75
    return still and bool((below >= LEVEL).all() or (below <= -LEVEL).all())


def _step(luma: NDArray[np.uint8]) -> int:
    return max(4, int(luma.shape[0]) // ROWS)


def small_luma(luma: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Means over squares of `_step` pixels (every other pixel of larger pictures)."""
    import cv2

    step = _step(luma)
    rows, cols = luma.shape[0] // step, luma.shape[1] // step
    whole = luma[: rows * step, : cols * step]
    return np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), np.uint8)


def _excess(now: NDArray[np.uint8], before: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """How far each of two pictures leaves the range that the other has within two places around."""
    import cv2

    box = np.ones((5, 5), np.uint8)
    sides = []
    for one, other in ((now, before), (before, now)):
        sides.append(cv2.subtract(one, cv2.dilate(other, box)))
        sides.append(cv2.subtract(cv2.erode(other, box), one))
    return np.asarray(np.maximum.reduce(sides), np.uint8)


def _below_a_row(part: NDArray[np.bool_]) -> bool:
    """True if all of the picture below a row has changed, out to both sides, and little above.

    What follows a fault inside one intra picture; a flash or a cut changes the top as well.
    """
    rows = part.mean(axis=1)
    changed = np.flatnonzero(rows > 0.6)
    if not changed.size or changed[0] < 0.1 * len(rows):
        return False
    first = int(changed[0])
    return bool((rows[first + 1 :] > 0.6).all() and rows[: max(0, first - 3)].max() < 0.05)
