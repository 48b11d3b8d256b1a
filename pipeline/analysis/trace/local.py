"""Where the disc lies on a picture that shows only a part of it: local features. Pure.

SIFT (Lowe 2004) finds the same spots whatever their size and turn. Of its 128 numbers the sign
against their median is kept, 16 bytes a spot. They only say where to look: whether it is the
same picture is judged by the bits of the disc, as everywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.trace.disc import Disc, disc_square

EVERY = 4  # of the kept pictures one in so many has spots
SPOTS = 64  # of a kept picture
BYTES = 16
_GRID, _HALF = 256, 0.95
_SUSPECT_SPOTS = 240
_RATIO = 0.85  # a match must be so much nearer than the second nearest
LEAST_INLIERS = 6
_REACH = 0.04  # radii, within which a spot must come to lie


@dataclass(frozen=True)
class Spots:
    """xy (n, 2) float32, in px or in radii from the disc's centre; bits (n, 16) uint8."""

    xy: NDArray[np.float32]
    bits: NDArray[np.uint8]


@cache
def _detector(count: int) -> Any:
    import cv2

    return cv2.SIFT_create(nfeatures=count, contrastThreshold=0.01)  # type: ignore[attr-defined]


def spots(luma: NDArray[np.uint8], count: int = _SUSPECT_SPOTS) -> Spots:
    """The strongest spots of a picture (row, col), in px."""
    import cv2

    low, high = np.percentile(luma, (2, 99.5))
    even = np.clip((luma.astype(np.float32) - low) * (255.0 / max(float(high - low), 8.0)), 0, 255)
    plane = cv2.createCLAHE(3.0, (6, 6)).apply(even.astype(np.uint8))
    points, numbers = _detector(count).detectAndCompute(plane, None)
    if numbers is None or not len(points):
        return Spots(np.zeros((0, 2), np.float32), np.zeros((0, BYTES), np.uint8))
    bits = np.packbits(numbers > np.median(numbers, axis=1, keepdims=True), axis=1)
    xy = np.array([p.pt for p in points], np.float32) + 0.5
    return Spots(xy[:count], bits[:count])


def disc_spots(luma: NDArray[np.uint8], disc: Disc) -> Spots | None:
    """Those of the disc, in radii from its centre; the rim itself is left out."""
    square = disc_square(luma, disc, _GRID, _HALF)
    if square is None:
        return None
    found = spots(np.clip(square, 0, 255).astype(np.uint8), 2 * SPOTS)
    xy = (found.xy - _GRID / 2) * (2 * _HALF / _GRID)
    inside = np.flatnonzero(np.hypot(xy[:, 0], xy[:, 1]) < 0.88)[:SPOTS]
    return Spots(xy[inside].astype(np.float32), found.bits[inside])


def flipped(luma: NDArray[np.uint8]) -> Spots:
    """Spots of the mirrored picture, where they lie on the picture as it is."""
    found = spots(np.ascontiguousarray(luma[:, ::-1]))
    return Spots(
        found.xy * np.array([-1, 1], np.float32) + np.array([luma.shape[1], 0], np.float32),
        found.bits,
    )


def matches(suspect: Spots, kept: Spots) -> NDArray[np.intp]:
    """(k, 2) indices of spots that are alike; `kept` may hold those of many pictures."""
    import cv2

    if len(suspect.bits) < 2 or len(kept.bits) < 2:
        return np.zeros((0, 2), np.intp)
    far, index = cv2.batchDistance(
        suspect.bits, kept.bits, cv2.CV_32S, normType=cv2.NORM_HAMMING, K=2
    )[:2]  # fmt: skip
    good = np.flatnonzero(far[:, 0] < _RATIO * far[:, 1])
    return np.stack([good, index[good, 0]], axis=1)


def placed(
    suspect: Spots, kept: Spots, pairs: NDArray[np.intp], mirrored: bool
) -> tuple[Disc, int] | None:
    """Where the disc lies on the suspect's picture, and how many spots say so; None if few do."""
    import cv2

    if len(pairs) < LEAST_INLIERS:
        return None
    to = suspect.xy[pairs[:, 0]]
    start = kept.xy[pairs[:, 1]] * np.array([-1.0 if mirrored else 1.0, 1.0], np.float32)
    spread = float(np.ptp(to, axis=0).max())
    way, inside = cv2.estimateAffinePartial2D(
        start, to, method=cv2.RANSAC, ransacReprojThreshold=max(1.5, _REACH * spread),
        maxIters=1000, confidence=0.995,
    )  # fmt: skip
    if way is None or int(inside.sum()) < LEAST_INLIERS:
        return None
    radius = math.hypot(way[0, 0], way[1, 0])
    turn = math.degrees(math.atan2(way[1, 0], way[0, 0]))
    return Disc(float(way[0, 2]), float(way[1, 2]), radius, turn, mirrored), int(inside.sum())
