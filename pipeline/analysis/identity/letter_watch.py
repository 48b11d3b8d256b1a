"""Every decoded picture is looked at for lettering: cheaply all of it, closely where and when it
points.

- Each picture: its luma goes into an average over about half a second, in which what stands still
  adds up while moving tissue cancels, and its fine detail is compared with what that place
  showed lately: what appears there without having come from beside it stands out.
- About nine times a second, so that .12 s cannot lie between two: the whole field at a fixed size
  of the network (letters from 1/40 to a third of the field), and one window of it, closer: at
  what is new and doubtful there, else in turn where the detail changed most and the next of a
  grid.
- Twice a second: the average, whole and one window, for faint lettering that stays.
A look gives boxes with log odds; `letter_spans` says what of it counts, and from when to when.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, overlap
from pipeline.analysis.identity.letter_net import CELL_PX, SIDE_PX, LetterNet, mean_view

Plane = NDArray[np.uint8]
Planes = tuple[Plane, Plane, Plane]
Kind = Literal["whole", "close", "mean"]

LOOK_S = 0.11  # least time between two looks at the whole field, but for a sharp change
LONGEST_S = 0.12
MEAN_S = 0.5  # time constant of the average, and time between two looks at it
_FINE_PX = 2 * SIDE_PX  # side of the luma that is averaged
_CLOSE_PX = 384  # largest window of a close look, in px of the picture
_CLIP = 32.0  # levels by which one picture counts at most in the average
_GRID = 32  # cells a side in which detail is compared
_MOST = 10.0  # levels of detail that one cell can add
_SURE = 9.0  # log odds of what needs no closer look
_MORE = 1.2  # times the usual change: looked at closely where it is
_SHARP = 3.0  # times the usual change: looked at once
_ALIKE = 0.7  # correlation of coarse pictures that follow each other; a cut is below
WEAK = 1.5  # log odds of a cell that belongs to a box


@dataclass(frozen=True)
class Sight:
    """A box (x, y, width, height) in px of the picture and its log odds.

    since_s, time_s: of the pictures that were looked at.
    """

    since_s: float
    time_s: float
    kind: Kind
    box: Pixels
    odds: float


@dataclass
class _Lately:
    """What is kept of the pictures so far, for one place of the field."""

    crop: Pixels
    mean: NDArray[np.float32] | None = None
    detail: NDArray[np.float32] | None = None
    coarse: NDArray[np.float32] | None = None
    weight: float = 0.0
    usual: float = 1.0  # levels: largest change in a picture of lately
    since_s: float = 0.0


@dataclass
class LetterWatch:
    """A fold over all decoded pictures. matrix: of their colours. late: another phase and
    another size of the looks, so that a second search is not the same as the first."""

    matrix: str = "bt709"
    late: bool = False
    threads: int = 1
    sights: list[Sight] = field(default_factory=list)
    looks: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._net = LetterNet(self.threads)
        self._last: _Lately | None = None
        self._doubtful: list[Pixels] = []
        self._look_s = self._mean_s = self._seen_s = -np.inf
        self._turn = self._mean_turn = 1 if self.late else 0
        self._side = SIDE_PX + (64 if self.late else 32)

    def step(self, time_s: float, planes: Planes, crop: Pixels) -> bool:
        """A picture: planes of yuv420p, uint8 (row, col), limited range, times rising.

        crop: the box around the lit field (x, y, width, height); lettering is looked for there.
        True if the picture has little in common with the one before.
        """
        import cv2

        crop = _even(crop, planes[0].shape)
        last = self._last
        if last is None or last.crop != crop:
            last = self._last = _Lately(crop, since_s=time_s)
            self._mean_s = time_s
        x, y, w, h = crop
        part = planes[0][y : y + h, x : x + w]
        size = _fitted(w, h, _FINE_PX)
        luma = scaled(part, size).astype(np.float32)
        half = (size[0] // 2, size[1] // 2)
        colour = [
            scaled(p[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2], half) for p in planes[1:]
        ]
        change = self._change(last, [luma, *(c.astype(np.float32) for c in colour)])
        step_s = time_s - self._seen_s if np.isfinite(self._seen_s) else 0.04
        self._seen_s = time_s
        share = 1 - np.exp(-step_s / MEAN_S)
        if last.mean is None:
            last.mean = luma.copy()
        else:
            # What shows for a moment only must not stay in the average for long.
            off = cv2.subtract(luma, last.mean)
            np.clip(off, -_CLIP, _CLIP, out=off)
            cv2.scaleAdd(off, max(share, 1 / (1 + last.weight)), last.mean, last.mean)
        last.weight += 1
        due = time_s - self._look_s > LOOK_S - 1e-3 or (
            time_s + min(step_s, LONGEST_S) - self._look_s > LONGEST_S + 1e-3
        )
        most = float(change.max())
        sharp = most > _SHARP * last.usual
        if due or sharp:
            self._look(time_s, planes, crop, change, last.usual)
        last.usual += 0.05 * (min(most, 2 * last.usual) - last.usual)
        if time_s - self._mean_s >= MEAN_S - 1e-3 and last.weight >= 4:
            self._look_at_mean(time_s, last)
        coarse = np.asarray(cv2.resize(luma, (16, 16), interpolation=cv2.INTER_AREA), np.float32)
        before, last.coarse = last.coarse, coarse
        return before is not None and alike(coarse, before) < _ALIKE

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
        # Of one cell not too much: a glint is one, a line several beside each other.
        more = np.clip(cells - known, 0, _MOST)
        cv2.accumulateWeighted(cells, last.detail, 0.3)
        return np.asarray(cv2.max(cv2.blur(more, (5, 3)), cv2.blur(more, (3, 5))), np.float32)

    def _look(
        self, time_s: float, planes: Planes, crop: Pixels, change: NDArray[np.float32],
        usual: float,
    ) -> None:  # fmt: skip
        self._look_s = time_s
        self.looks.append(time_s)
        size, before = _fitted(crop[2], crop[3], self._side), len(self.sights)
        view = rgb_view(planes, crop, size, self.matrix)
        self._see(time_s, time_s, "whole", self._net.cells(_padded(view)), crop, size)
        self._turn += 1
        here = [s for s in self.sights[before:] if s.odds < _SURE]
        new = [s for s in here if not any(overlap(s.box, o) > 0 for o in self._doubtful)]
        self._doubtful = [s.box for s in here]
        if new:
            window = self._window(crop, max(new, key=lambda s: s.odds).box, planes[0].shape)
        elif self._turn % 3 and float(change.max()) < _MORE * usual:
            return
        else:
            window = self._window(crop, change, planes[0].shape)
        if window is not None:
            size = (SIDE_PX, SIDE_PX)
            view = rgb_view(planes, window, size, self.matrix)
            self._see(time_s, time_s, "close", self._net.cells(view), window, size)

    def _window(
        self, crop: Pixels, toward: NDArray[np.float32] | Pixels, shape: Sequence[int]
    ) -> Pixels | None:
        """Where to look closer: at a box, or in turn where the detail changed most and the next
        of a grid."""
        x, y, w, h = crop
        side = round(min(_CLOSE_PX, max(SIDE_PX, 0.5 * max(w, h))) / 2) * 2
        side = min(side, w // 2 * 2, h // 2 * 2)
        if side * 1.15 >= max(w, h):
            return None
        if isinstance(toward, tuple):
            left = min(max(0, toward[0] + toward[2] // 2 - x - side // 2), w - side)
            top = min(max(0, toward[1] + toward[3] // 2 - y - side // 2), h - side)
        elif self._turn % 3:
            left, top = _toward(toward, w, h, side)
        else:
            places = grid(w, h, side)
            left, top = places[self._turn // 3 % len(places)]
        return _even((x + left, y + top, side, side), shape)

    def _look_at_mean(self, time_s: float, last: _Lately) -> None:
        import cv2

        assert last.mean is not None and last.detail is not None
        since_s, self._mean_s = max(last.since_s, time_s - 2 * MEAN_S), time_s
        x, y, w, h = last.crop
        rows, cols = last.mean.shape
        size = _fitted(w, h, self._side)
        whole = np.asarray(cv2.resize(last.mean, size, interpolation=cv2.INTER_AREA), np.float32)
        cells = self._net.cells(_padded(mean_view(whole)), averaged=True)
        self._see(since_s, time_s, "mean", cells, last.crop, size)
        if max(w, h) < 1.15 * SIDE_PX:
            return
        side = min(SIDE_PX, rows // 32 * 32, cols // 32 * 32)
        self._mean_turn += 1
        if self._mean_turn % 3:
            # What stands still is as strong in the average as in the pictures.
            fine = np.abs(last.mean - cv2.blur(last.mean, (7, 7)))
            kept = cv2.resize(fine, (_GRID, _GRID), interpolation=cv2.INTER_AREA)
            left, top = _toward(cv2.blur(kept / (last.detail + 1.0), (5, 3)), cols, rows, side)
        else:
            places = grid(cols, rows, side)
            left, top = places[self._mean_turn // 3 % len(places)]
        part = np.ascontiguousarray(mean_view(last.mean)[top : top + side, left : left + side])
        box = (
            x + round(left * w / cols), y + round(top * h / rows),
            round(side * w / cols), round(side * h / rows),
        )  # fmt: skip
        cells = self._net.cells(part, averaged=True)
        self._see(since_s, time_s, "mean", cells, box, (side, side))

    def _see(
        self, since_s: float, time_s: float, kind: Kind, cells: NDArray[np.float32],
        crop: Pixels, size: tuple[int, int],
    ) -> None:  # fmt: skip
        # Without the repeated edge.
        inside = cells[: -(-size[1] // CELL_PX), : -(-size[0] // CELL_PX)]
        sx, sy = crop[2] / size[0] * CELL_PX, crop[3] / size[1] * CELL_PX
        right, bottom = crop[0] + crop[2], crop[1] + crop[3]
        for (x, y, w, h), odds in components(inside):
            left, top = int(crop[0] + x * sx), int(crop[1] + y * sy)
            width = min(right - left, int(np.ceil(w * sx)))
            box = (left, top, width, min(bottom - top, int(np.ceil(h * sy))))
            self.sights.append(Sight(since_s, time_s, kind, box, odds))


def alike(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Correlation of two pictures, 1 where one of them is flat."""
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / size if size > 64 * a.size else 1.0


def components(cells: NDArray[np.float32]) -> list[tuple[Pixels, float]]:
    """Connected cells over `WEAK`: box in cells, and the mean of its best cells."""
    import cv2

    mask = (cells > WEAK).astype(np.uint8)
    if not mask.any():
        return []
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    out = []
    for index, (x, y, w, h, area) in enumerate(stats[1:].tolist(), start=1):
        if area < 3:
            continue
        here = cells[y : y + h, x : x + w][labels[y : y + h, x : x + w] == index]
        best = np.sort(here)[-max(3, area // 4) :]
        out.append(((x, y, w, h), float(best.mean())))
    return out


def _toward(cells: NDArray[Any], width: int, height: int, side: int) -> tuple[int, int]:
    """Corner of the window around the largest cell."""
    row, col = np.unravel_index(int(cells.argmax()), cells.shape)
    left = round((int(col) + 0.5) / cells.shape[1] * width - side / 2)
    top = round((int(row) + 0.5) / cells.shape[0] * height - side / 2)
    return min(max(0, left), width - side), min(max(0, top), height - side)


def grid(width: int, height: int, side: int) -> list[tuple[int, int]]:
    """Corners of overlapping windows that cover the picture, far ones after each other."""

    def cuts(length: int) -> list[int]:
        count = max(1, int(np.ceil((length - 0.15 * side) / (0.85 * side))))
        return [round(i * (length - side) / max(1, count - 1)) for i in range(count)]

    places = [(x, y) for y in cuts(height) for x in cuts(width)]
    return places[::2] + places[1::2]


def rgb_view(planes: Planes, crop: Pixels, size: tuple[int, int], matrix: str) -> Plane:
    """Part of a picture as RGB, uint8 (row, col, 3), of size (cols, rows).

    Limited range; luma weights of ITU-R BT.709 or BT.601 by matrix.
    """
    import cv2

    x, y, w, h = crop
    parts = [planes[0][y : y + h, x : x + w]]
    parts += [p[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2] for p in planes[1:]]
    same = [scaled(part, size) for part in parts]
    kr, kb = (0.299, 0.114) if matrix == "bt601" else (0.2126, 0.0722)
    kg = 1 - kr - kb
    c = 255 / 224 * 2
    turn = np.array([
        [255 / 219, 0, c * (1 - kr)],
        [255 / 219, -c * (1 - kb) * kb / kg, -c * (1 - kr) * kr / kg],
        [255 / 219, c * (1 - kb), 0],
    ])  # fmt: skip
    offset = turn @ np.array([-16.0, -128.0, -128.0])
    both = np.concatenate([turn, offset[:, None]], axis=1).astype(np.float32)
    return np.asarray(cv2.transform(cv2.merge(same), both), np.uint8)


def scaled(plane: Plane, size: tuple[int, int]) -> Plane:
    """A plane at size (cols, rows). By halves first: an exact half is a tenth of the work."""
    import cv2

    rows, cols = plane.shape
    while cols >= 2 * size[0] and rows >= 2 * size[1] and not (rows % 2 or cols % 2):
        rows, cols = rows // 2, cols // 2
        plane = np.asarray(cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA), np.uint8)
    mode = cv2.INTER_AREA if plane.shape[1] > size[0] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(plane, size, interpolation=mode), np.uint8)


def _even(crop: Pixels, shape: Sequence[int]) -> Pixels:
    """The box inside the picture, on even pixels."""
    x, y = max(0, crop[0]) // 2 * 2, max(0, crop[1]) // 2 * 2
    right = min(shape[1], crop[0] + crop[2]) // 2 * 2
    bottom = min(shape[0], crop[1] + crop[3]) // 2 * 2
    return x, y, max(2, right - x), max(2, bottom - y)


def _fitted(width: int, height: int, side: int) -> tuple[int, int]:
    """(cols, rows) of the same shape with the longer side `side`."""
    scale = side / max(width, height)
    return max(32, round(width * scale)), max(32, round(height * scale))


def _padded(view: Plane) -> Plane:
    """The view with its edge repeated to sides in multiples of 32."""
    import cv2

    rows, cols = view.shape[:2]
    return np.asarray(
        cv2.copyMakeBorder(view, 0, -rows % 32, 0, -cols % 32, cv2.BORDER_REPLICATE), np.uint8
    )
