"""Reading the release code off pictures of a suspect, with the released pictures beside them. Pure.

The released picture carries a code itself. What is known of it is taken off again, so that what
the suspect adds to the bare picture is its own code: of another copy too, and none where none is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.trace.disc import Disc, disc_square
from pipeline.analysis.trace.release_code import (
    BITS,
    CELLS,
    GRID,
    SAMPLES,
    bits_of,
    signs,
    strength,
)

_LEAST_ALIKE = 0.6  # correlation of a laid picture with the released one
_LEAST_SEEN = 0.08  # share of the cells
_STEPS, _FINE = 60, 1e-5  # of the search for the place
_BLUR = 5  # samples, in that search
_SLOW = 2.0 * SAMPLES  # light that changes more slowly than this is no code
_PATCH, _FLAT = (9, 9), 0.6  # samples, and levels of standard deviation in them
_EDGE = (17, 17)  # samples: of that patch, and of what blurring spreads
_FAR = 3.0  # standard deviations: what is off by more was painted over

Square = NDArray[np.float32]


class CodeFold:
    """Takes pairs of pictures that show the same moment, gives 48 values (`release_code.decoded`).

    seed, number: of the release whose pictures lie beside. kept: share of its code that coding
    left in them, as it was measured when the release was verified. pictures: how many were read.
    """

    def __init__(self, seed: str, number: int, kept: float) -> None:
        self._seed, self._number, self._kept = seed, number, kept
        self.soft = np.zeros(BITS)
        self.pictures = 0

    def step(
        self, suspect: NDArray[np.uint8], disc: Disc, released: NDArray[np.uint8], time_s: float
    ) -> bool:
        """suspect: luma (row, col), on which the disc lies about so. released: (GRID, GRID) luma
        of the release's disc, at that time of the release. False where they cannot be laid."""
        levels = strength(released) * signs(self._seed, self._number, time_s)
        bare = released.astype(np.float32) - self._kept * grown(levels)
        laid = _laid(suspect, disc, bare)
        if laid is None:
            return False
        shown, seen = laid
        off, seen = _added(shown, bare, seen)
        cells = off.reshape(CELLS, SAMPLES, CELLS, SAMPLES).mean(axis=(1, 3))
        share = seen.reshape(CELLS, SAMPLES, CELLS, SAMPLES).mean(axis=(1, 3))
        weight = np.where(share > 0.75, strength(released), 0).astype(np.float32)
        used = weight > 0
        if used.mean() < _LEAST_SEEN:
            return False
        noise = float(np.mean(np.square(cells[used]))) + 1e-3
        self.soft += bits_of(self._seed, time_s, cells * weight) / noise
        self.pictures += 1
        return True


def grown(levels: Square) -> Square:
    """The levels of cells on the square's samples, going over into each other."""
    import cv2

    return np.asarray(cv2.resize(levels, (GRID, GRID), interpolation=cv2.INTER_LINEAR), np.float32)


def _laid(
    suspect: NDArray[np.uint8], disc: Disc, bare: Square
) -> tuple[Square, NDArray[np.bool_]] | None:
    """The suspect's disc laid on the square of the released one, and where it is seen."""
    import cv2

    shown = disc_square(suspect, disc, GRID, 1.0)
    there = disc_square(np.full_like(suspect, 255), disc, GRID, 1.0, outside=0.0)
    if shown is None or there is None:
        return None
    # Black borders, boxes and the like have no texture at all; their edges would draw the search.
    even = cv2.blur(shown * shown, _PATCH) - cv2.blur(shown, _PATCH) ** 2 < _FLAT**2
    near = cv2.dilate(even.astype(np.uint8), np.ones(_EDGE, np.uint8))
    inside = ((there > 254) & (near == 0)).astype(np.uint8)
    at = (np.arange(GRID) + 0.5) / GRID * 2 - 1
    inside[np.hypot(at[:, None], at[None, :]) > 0.97] = 0
    if inside.mean() < _LEAST_SEEN:
        return None
    way = np.eye(2, 3, dtype=np.float32)
    end = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, _STEPS, _FINE)
    try:
        alike, found = cv2.findTransformECC(bare, shown, way, cv2.MOTION_AFFINE, end, inside, _BLUR)
    except cv2.error:
        return None
    if not math.isfinite(alike) or alike < _LEAST_ALIKE:
        return None
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(shown, found, (GRID, GRID), flags=flags)
    seen = cv2.warpAffine(inside * np.uint8(255), found, (GRID, GRID), flags=flags) > 250
    return np.asarray(moved, np.float32), np.asarray(seen, bool)


def _added(
    shown: Square, bare: Square, seen: NDArray[np.bool_]
) -> tuple[Square, NDArray[np.bool_]]:
    """What the suspect shows beyond the bare picture, without what a change of light, contrast or
    colour does to it, in levels; 0 where nothing is seen, or something was painted over. And where
    something is seen."""
    import cv2

    whole = (bare - 128) / 128
    off, kept = np.zeros_like(bare), seen
    for _ in range(3):
        x = whole[kept]
        powers = np.stack([np.ones_like(x), x, x**2, x**3], axis=1)
        law = np.linalg.lstsq(powers, shown[kept], rcond=None)[0]
        off = shown - np.polyval(law[::-1], whole)
        most = 2 * _FAR * 1.4826 * float(np.median(np.abs(off[kept]))) + 1.0
        over = (np.abs(off) > most).astype(np.uint8)
        kept = seen & (cv2.dilate(over, np.ones((3, 3), np.uint8)) == 0)
    seen = kept
    off = np.where(seen, off, 0).astype(np.float32)
    near = cv2.GaussianBlur(seen.astype(np.float32), (0, 0), _SLOW)
    slow = cv2.GaussianBlur(off, (0, 0), _SLOW) / np.maximum(near, 1e-3)
    off = np.where(seen, off - slow, 0)
    most = _FAR * 1.4826 * float(np.median(np.abs(off[seen]))) + 1e-3
    return np.clip(off, -most, most).astype(np.float32), seen
