"""A fingerprint of pictures: what a copy that was coded anew is recognised by.

Each picture of the disc becomes 64 numbers: its brightness on a grid, less what is common to
every endoscope picture (the slow fall towards the rim), as coefficients of a cosine
transform, so that size, brightness, contrast and coding hardly matter. A few moments a second
apart make a window, fewer where a recording is shorter than that; two recordings are alike where a
window of one fits one of the other.
Speed, rotation and a crop inside the disc are not undone; a mirrored picture is.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan

SIZE = 64
STORED_EVERY_S = 1.0
WINDOW = 4  # moments, STORED_EVERY_S apart
# Measured on films moved by hand over six real pictures of tissue and on generated scenes, each
# against every other: other recordings reach .51 at most (42 pairs of 8 to 14 s, median .26),
# copies of 5 to 14 s coded anew (half size, x264 at crf 30 to 35, other brightness) .64 at least,
# median .90. Long recordings have more windows to be alike by chance: not measured. Of recordings
# of 1 to 3.5 s (14 generated and 12 moved by hand over pictures of tissue) copies reach .83 at
# least; others .59 at most, and where they last less than 2 s, so that one moment is all there is,
# up to .71, one in 40: a person is asked once too often.
ALIKE = 0.62
_GRID = 32
_SQUARE = 0.66  # half the side of the square that is looked at, in radii
_FLAT = 0.02  # standard deviation of log luma below which there is nothing to recognise
_NEAR_S = 0.25
_STEP_S = 0.1


def _basis() -> NDArray[np.float64]:
    """Cosines (frequency, position) of the type II transform on the grid."""
    k, x = np.arange(10)[:, None], np.arange(_GRID)[None]
    return np.asarray(np.cos(np.pi * k * (x + 0.5) / _GRID) * np.where(k, 1.0, 0.5**0.5))


_BASIS = _basis()
# The 64 lowest frequencies above those of the fall towards the rim (up to one and a half
# waves along an axis), by distance from zero.
_ORDER = sorted(
    ((u, v) for u in range(10) for v in range(10) if u * u + v * v > 9),
    key=lambda p: (p[0] ** 2 + p[1] ** 2, p),
)[:SIZE]
_U, _V = (np.array([p[axis] for p in _ORDER]) for axis in (0, 1))
# Pictures hold less the finer it is (about one part in frequency): evened out, so that all 64
# numbers tell recordings apart and not the coarsest few alone.
_WEIGHT = np.hypot(_U, _V)
_MIRROR = np.where(_V % 2, -1.0, 1.0)


def picture_print(
    rgb: NDArray[np.uint8], center_px: tuple[float, float], radius_px: float
) -> NDArray[np.float32] | None:
    """64 numbers of length 1 for a picture (row, col, 3); None where there is nothing in it.

    center_px (x, y) and radius_px: of the disc, on this picture.
    """
    import cv2

    x, y = center_px
    half = _SQUARE * radius_px
    rows, cols = rgb.shape[:2]
    if half < 8:
        return None
    # Averaged on the way down, so that noise and coding do not alias.
    step = 2 * half / _GRID
    luma: NDArray[Any] = rgb.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32)
    if step > 1:
        luma = cv2.GaussianBlur(luma, (0, 0), 0.4 * step)
    at = (np.arange(_GRID, dtype=np.float32) + 0.5) * step - half
    map_x, map_y = np.meshgrid(at + x - 0.5, at + y - 0.5)
    small = cv2.remap(
        luma, map_x.astype(np.float32), map_y.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    if not (0 <= x < cols and 0 <= y < rows):
        return None
    level = np.log(np.maximum(small, 0.0) + 16.0)
    found = (_BASIS @ level @ _BASIS.T)[_U, _V] * (2.0 / _GRID)
    if float(np.linalg.norm(found)) < _FLAT * _GRID / 2:
        return None
    found = found * _WEIGHT
    size = float(np.linalg.norm(found))
    return np.asarray(found / size, np.float32)


class PrintFold:
    """Prints of pictures in order of time; call `step` about five times a second."""

    def __init__(self, fields: Sequence[FieldSpan], width_px: int, height_px: int) -> None:
        self._fields, self._size = list(fields), (width_px, height_px)
        self._time_s: list[float] = []
        self._prints: list[NDArray[np.float32]] = []

    def step(self, time_s: float, rgb: NDArray[np.uint8]) -> None:
        """A picture at `time_s`, uint8 (row, col, 3), of whatever size."""
        scale = rgb.shape[0] / self._size[1]
        field = next((f for f in self._fields if f.start_s <= time_s < f.stop_s), None)
        if field is not None and field.shape != "none":
            center = (field.center_x_px * scale, field.center_y_px * scale)
            radius = field.radius_px * scale
        else:
            center, radius = (rgb.shape[1] / 2, rgb.shape[0] / 2), rgb.shape[0] / 2
        found = picture_print(rgb, center, radius)
        if found is not None:
            self._time_s.append(time_s)
            self._prints.append(found)

    def finish(self) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
        """(times in seconds (n), prints (n, 64)), the prints in 127ths."""
        prints = np.array(self._prints, np.float32).reshape(-1, SIZE)
        return np.array(self._time_s, np.float64), np.asarray(np.round(prints * 127), np.int8)


def thinned(
    time_s: NDArray[np.float64], prints: NDArray[np.int8]
) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    """Those that are kept for later: one every `STORED_EVERY_S`."""
    kept: list[int] = []
    for number, at in enumerate(time_s):
        if not kept or at - time_s[kept[-1]] >= STORED_EVERY_S - 1e-3:
            kept.append(number)
    return time_s[kept], prints[kept]


def pack(time_s: NDArray[np.float64], prints: NDArray[np.int8]) -> str:
    """Prints as text, about 85 characters a moment."""
    head = np.uint32(len(time_s)).tobytes()
    body = np.round(time_s * 100).astype("<u4").tobytes() + prints.astype(np.int8).tobytes()
    return base64.b64encode(zlib.compress(head + body)).decode() if len(time_s) else ""


def unpack(text: str) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    """The reverse of `pack`; nothing for text that is none."""
    empty = np.zeros(0), np.zeros((0, SIZE), np.int8)
    try:
        data = zlib.decompress(base64.b64decode(text, validate=True))
        count = int(np.frombuffer(data[:4], np.uint32)[0])
        time_s = np.frombuffer(data[4 : 4 + 4 * count], "<u4") / 100.0
        prints = np.frombuffer(data[4 + 4 * count :], np.int8).reshape(count, SIZE)
    except (ValueError, zlib.error, IndexError):
        return empty
    return time_s, prints


def _windows(
    time_s: NDArray[np.float64],
    prints: NDArray[np.int8],
    starts_s: NDArray[np.float64],
    moments: int,
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Runs of `moments` moments `STORED_EVERY_S` apart, as rows of length 1, and their starts.

    starts_s: where to begin. Between two moments the prints are interpolated; a run with a
    moment that has none within `_NEAR_S` is left out.
    """
    if not len(time_s):
        return np.zeros((0, moments * SIZE), np.float32), starts_s[:0]
    rows, good = [], np.ones(len(starts_s), bool)
    for k in range(moments):
        wanted = starts_s + k * STORED_EVERY_S
        after = np.clip(np.searchsorted(time_s, wanted), 0, len(time_s) - 1)
        before = np.maximum(after - 1, 0)
        gap_s = time_s[after] - time_s[before]
        share = np.where(gap_s > 0, (wanted - time_s[before]) / np.maximum(gap_s, 1e-9), 1.0)
        between = (gap_s <= 2 * _NEAR_S) & (share >= 0) & (share <= 1)
        near = np.abs(np.stack([time_s[before], time_s[after]]) - wanted)
        share = np.where(between, share, np.argmin(near, axis=0))
        good &= near.min(axis=0) <= _NEAR_S
        weight = share.astype(np.float32)[:, None]
        rows.append(prints[before] * (1 - weight) + prints[after] * weight)
    whole = np.concatenate(rows, axis=1)[good].astype(np.float32)
    whole /= np.maximum(np.linalg.norm(whole, axis=1, keepdims=True), 1e-6)
    return whole, starts_s[good]


def likeness(
    time_s: NDArray[np.float64],
    prints: NDArray[np.int8],
    other_time_s: NDArray[np.float64],
    other_prints: NDArray[np.int8],
) -> tuple[float, float]:
    """How alike two recordings are at their most alike window: (-1 .. 1, where it starts).

    The first is the one looked at, with all its moments; the other may be thinned. The
    start is on the first one's axis. Of two that are short fewer moments are compared, at the least
    one. (0, 0) where one of them has none.
    """
    if not len(time_s) or not len(other_time_s):
        return 0.0, 0.0
    starts_s = np.append(np.arange(time_s[0], time_s[-1], _STEP_S), time_s[-1])
    # a second is left to find the moments that the other one was kept at
    most = int(np.clip((time_s[-1] - time_s[0]) / STORED_EVERY_S + 1e-6, 1, WINDOW))
    for moments in range(most, 0, -1):
        mine, at_s = _windows(time_s, prints, starts_s, moments)
        other, _ = _windows(other_time_s, other_prints, other_time_s, moments)
        if len(mine) and len(other):
            break
    best, best_s = 0.0, 0.0
    for view in (mine, mine * np.tile(_MIRROR, moments).astype(np.float32)):
        for start in range(0, len(view), 4096):
            fit = view[start : start + 4096] @ other.T
            top = int(np.argmax(fit.max(axis=1)))
            if fit[top].max() > best:
                best, best_s = float(fit[top].max()), float(at_s[start + top])
    return best, best_s
