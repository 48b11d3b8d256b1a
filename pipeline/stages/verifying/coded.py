"""The release code in the finished pictures: read back beside what they would show without it.

By verify's own lines: the two words of the code by long division, the keyed stream, where a cell
lies in the clip. Between the pictures that are compared nothing is at hand to read it beside.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.stages.verifying.expected import Expected
from pipeline.stages.verifying.result import make_check

NAME = "release code reads back"
# Of 48, in one second: without the code half are wrong, more than 12 of them with a chance of
# .9997, more than 16 with .985 (binomial). Of right clips up to 6, at CRF 30 and 240 rows up to 10.
MOST_WRONG, MOST_WRONG_COARSE = 12, 16
MOST_WRONG_IN_ALL = 3  # the words of two numbers differ in 8 at least
_CELLS, _BITS = 24, 48
_OWN = 9 / 16  # of a cell's mean is its own level: cells go over into each other
_FAR = 6.0  # levels: what is off by more is the mark, or words
_MIDDLE = 0.9  # radii
_DARK, _LIGHT = 40.0, 216.0
_LEAST = 2 * _BITS  # different cells that a second shows bright enough, of some 450 in the disc
_LARGE_ROWS = 720
_READ_ROWS = 360  # are enough for the means of cells
_ANEW_S = 0.5
Cells = NDArray[np.floating[Any]]


class _Measured(NamedTuple):
    light: Cells
    level: Cells
    gap: Cells
    whole: NDArray[np.bool_]


class Coded:
    """Folds finished pictures of a clip; does nothing where the plan has no code."""

    def __init__(self, plan: Plan, coarse: float) -> None:
        """coarse: of the coding (`coding.coarseness`)."""
        self._most = MOST_WRONG if coarse == 1 else MOST_WRONG_COARSE
        self._plan, self._code = plan, plan.code
        self._bits = None if plan.code is None else _bits(plan.code.number)
        self._place: tuple[FieldSpan, NDArray[np.intp]] | None = None
        self._seconds: dict[int, tuple[NDArray[np.float64], NDArray[np.bool_]]] = {}
        self._key: tuple[int, tuple[Cells, NDArray[np.intp]]] | None = None
        self._change: tuple[tuple[object, ...], NDArray[np.uint8], NDArray[np.uint8]] | None = None
        self._spoken = self._possible = 0.0

    def look(self, time_s: float, wanted: Expected, luma: NDArray[np.uint8]) -> None:
        """A picture at its time of the clip, luma (row, col) beside the one without code."""
        if self._code is None or self._bits is None or not wanted.lit:
            return
        cells = self._measured(wanted, luma)
        mean, level = cells.gap, cells.level
        used = cells.whole & (cells.light > _DARK) & (cells.light < _LIGHT)
        if not used.any():
            return
        second = _second(time_s)
        sign, bit = self._keyed(second)
        said = np.where(used, sign * (mean - mean[used].mean()), 0.0)
        sums = np.bincount(bit, said, _BITS)
        before, seen = self._seconds.get(second, (np.zeros(_BITS), np.zeros_like(used)))
        self._seconds[second] = before + sums, seen | used
        self._spoken += float((said * level * self._bits[bit]).sum())
        self._possible += float((level[used] ** 2).sum()) * _OWN

    def coded(self, time_s: float, wanted: Expected) -> Expected:
        """The picture that should be there, with the code of that moment."""
        import cv2

        if self._code is None or self._bits is None or not wanted.lit:
            return wanted
        thin = _thin(wanted.planes[0])
        key = (wanted.field, wanted.piece, _second(time_s), int(time_s / _ANEW_S))
        if self._change is None or self._change[0] != key:
            cells = self._measured(wanted, wanted.planes[0])
            sign, bit = self._keyed(_second(time_s))
            drawn = (cells.light > 32) & (cells.light < 224) & _within(0.94)
            level = np.where(drawn, cells.level * sign * self._bits[bit], 0.0)
            # Between the middles of four cells the level goes over from one to the other.
            across, down = self._at(wanted.field, wanted.planes[0].shape)
            grid = level.reshape(_CELLS, _CELLS).astype(np.float32)
            col, row = (((v + 1) * _CELLS / 2 - 0.5).astype(np.float32) for v in (across, down))
            cols, rows = (_reached(v, thin) for v in (col, row))
            col, row = col[cols], row[rows]
            fine = cv2.remap(
                grid, np.tile(col, (row.size, 1)), np.tile(row[:, None], (1, col.size)),
                cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0,
            )  # fmt: skip
            fine[wanted.lit_mask[rows, cols] == 0] = 0
            more, less = (np.zeros(wanted.planes[0].shape, np.uint8) for _ in range(2))
            more[rows, cols] = cv2.convertScaleAbs(np.maximum(fine, 0))
            less[rows, cols] = cv2.convertScaleAbs(np.minimum(fine, 0))
            self._change = key, more, less
        y, u, v = wanted.planes
        shown = cv2.subtract(cv2.add(y, self._change[1]), self._change[2])
        return replace(wanted, planes=(np.asarray(shown, np.uint8), u, v))

    def _measured(self, wanted: Expected, luma: NDArray[np.uint8]) -> _Measured:
        """Of each cell: mean light, level of the code, what luma is off, whether all is seen."""
        thin = max(1, luma.shape[0] // _READ_ROWS)
        cut = (slice(0, None, thin), slice(0, None, thin))
        cell = self._cells(wanted.field, luma.shape)[cut].ravel()
        there = ((wanted.sure[cut] > 0) & (wanted.lit_mask[cut] > 0)).ravel()
        cell, shown = cell[there], luma[cut].ravel()[there].astype(np.float32)
        gap = np.clip(shown - wanted.planes[0][cut].ravel()[there], -_FAR, _FAR)
        count, total, light, square = (
            np.asarray(np.bincount(cell, w, _CELLS**2 + 1)[:-1], np.float64)
            for w in (np.ones_like(shown), gap, shown, shown * shown)
        )
        known = np.maximum(count, 1)
        light /= known
        texture = np.sqrt(np.maximum(square / known - light**2, 0))
        whole = (count > 0.8 * count.max()) & _within(_MIDDLE)
        return _Measured(light, np.clip(0.9 + 0.15 * texture, 0.9, 2.2), total / known, whole)

    def _keyed(self, second: int) -> tuple[Cells, NDArray[np.intp]]:
        assert self._code is not None
        if self._key is None or self._key[0] != second:
            self._key = second, _stream(self._code.seed, second)
        return self._key[1]

    def _at(self, field: FieldSpan, shape: tuple[int, ...]) -> tuple[Cells, Cells]:
        """Columns and rows of a picture in radii from the middle of the disc."""
        rows, cols = shape
        x, y, radius = field.center_x_px, field.center_y_px, field.radius_px
        if field.shape == "none":
            x, y, radius = cols / 2, rows / 2, min(rows, cols) / 2
        return (np.arange(cols) + 0.5 - x) / radius, (np.arange(rows) + 0.5 - y) / radius

    def _cells(self, field: FieldSpan, shape: tuple[int, ...]) -> NDArray[np.intp]:
        """(row, col) number of the cell that a pixel lies in, the last one where it is in none."""
        if self._place is None or self._place[0] != field:
            across, down = self._at(field, shape)
            col, row = (np.floor((v + 1) * _CELLS / 2).astype(np.intp) for v in (across, down))
            inside = (abs(down[:, None]) < 1) & (abs(across[None]) < 1)
            self._place = field, np.where(inside, row[:, None] * _CELLS + col, _CELLS**2)
        return self._place[1]

    def _heard(self, second: int, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(48) bits of which a bright cell was seen; the others say nothing."""
        return np.bincount(self._keyed(second)[1][seen], minlength=_BITS) > 0

    @property
    def kept(self) -> float | None:
        """Share of the code that coding left in the pictures; None where none was judged."""
        return self._spoken / self._possible if self._possible else None

    def checks(self) -> list[Check]:
        """Every second must carry it, and all of them together this very number."""
        if self._bits is None:
            return []
        judged = {k: (s, self._heard(k, seen)) for k, (s, seen) in self._seconds.items()
                  if seen.sum() >= _LEAST}  # fmt: skip
        if not judged:
            return [make_check(NAME, None, self._most, "of 48 bits: too dark to read", True)]
        wrong = {k: int((h & (s * self._bits <= 0)).sum()) for k, (s, h) in judged.items()}
        worst = max(wrong, key=lambda k: wrong[k])
        said, heard = (np.sum(parts, axis=0) for parts in zip(*judged.values(), strict=True))
        whole = int(((heard > 0) & (said * self._bits <= 0)).sum())
        return [
            make_check(NAME, wrong[worst], self._most, f"of 48 bits, in the second from {worst} s",
                       wrong[worst] <= self._most),
            make_check(f"{NAME} over all", whole, MOST_WRONG_IN_ALL,
                       f"of 48 bits, {len(judged)} seconds", whole <= MOST_WRONG_IN_ALL),
        ]  # fmt: skip


def _thin(luma: NDArray[np.uint8]) -> int:
    """Of large pictures every second sample of every second row is looked at (`fidelity`)."""
    return 2 if luma.shape[0] >= _LARGE_ROWS else 1


def _reached(at: NDArray[np.float32], thin: int) -> slice:
    """The samples that lie among cells, of those that are looked at."""
    first, stop = (int(k) for k in np.searchsorted(at, (-1, _CELLS)))
    return slice(first - first % thin, stop, thin)


def _second(time_s: float) -> int:
    return max(0, math.floor(time_s + 0.004))


def _within(radii: float) -> NDArray[np.bool_]:
    """(cells) those whose middle lies so near that of the disc."""
    at = (np.arange(_CELLS) + 0.5) * 2 / _CELLS - 1
    return (np.hypot(at[:, None], at[None]) <= radii).ravel()


def _bits(number: int) -> NDArray[np.float64]:
    """+1 for a bit that is 0, -1 for one that is 1."""
    check = _rest(number << 8, 0x107, 24)
    data = number << 8 | check
    text = ""
    for part in (data >> 12, data & 0xFFF):
        word = f"{part:012b}{_rest(part << 11, 0xC75, 23):011b}"
        text += word + str(word.count("1") % 2)
    return np.array([1.0 if sign == "0" else -1.0 for sign in text])


def _rest(value: int, by: int, length: int) -> int:
    """Remainder of the division of polynomials over two elements."""
    for shift in range(length - by.bit_length(), -1, -1):
        if value >> (shift + by.bit_length() - 1) & 1:
            value ^= by << shift
    return value


def _stream(seed: str, second: int) -> tuple[Cells, NDArray[np.intp]]:
    """(cells) sign of each, and the number of its bit: by rank among words of a keyed stream."""
    data = hashlib.shake_256(f"{seed}|{second}".encode()).digest(4 * _CELLS**2)
    words = [int.from_bytes(data[i : i + 4]) for i in range(0, len(data), 4)]
    bit = np.zeros(len(words), np.intp)
    for rank, k in enumerate(sorted(range(len(words)), key=lambda k: words[k] >> 1)):
        bit[k] = rank % _BITS
    return np.array([-1.0 if w & 1 else 1.0 for w in words]), bit
