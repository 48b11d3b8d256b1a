"""256 bits of a picture of the disc, and the disc laid out as a square. Pure.

The bits are signs of cosine coefficients (type II transform, as in perceptual hashing by the
discrete cosine transform: Zauner 2010, 'Implementation and Benchmarking of Perceptual Image Hash
Functions') of the logarithm of luma. A sign keeps its value when light or contrast change, and a
mirrored picture turns the signs of odd columns, so that one kept hash serves both orientations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan

BYTES = 32
BITS = 8 * BYTES
_GRID = 64  # rows and columns of the square
_HALF = 0.68  # half a side of the square in radii: inside of the circle (0.707)
_WAVES = 24
_LIFT = 16.0  # levels added before the logarithm, so that noise in the dark says little
_FLAT = 0.02  # least standard deviation of log luma: below, a picture shows nothing


@dataclass(frozen=True)
class Disc:
    """Where the disc lies on a picture: centre (x, y) and radius in px, y down.

    turn_deg: the picture was turned by this, clockwise, against the release.
    mirrored: left and right changed sides, about the centre, before the turn.
    """

    x_px: float
    y_px: float
    radius_px: float
    turn_deg: float = 0.0
    mirrored: bool = False

    def scaled(self, scale: float) -> Disc:
        return replace(
            self, x_px=self.x_px * scale, y_px=self.y_px * scale, radius_px=self.radius_px * scale
        )


def disc_of(span: FieldSpan, width_px: int, height_px: int) -> Disc:
    """The disc of a field; where there is none, the circle as high as the picture."""
    if span.shape == "none":
        return Disc(width_px / 2, height_px / 2, min(width_px, height_px) / 2)
    return Disc(span.center_x_px, span.center_y_px, span.radius_px)


def _basis() -> NDArray[np.float32]:
    k, x = np.arange(_WAVES)[:, None], np.arange(_GRID)[None]
    return np.asarray(np.cos(np.pi * k * (x + 0.5) / _GRID), np.float32)


_BASIS = _basis()
# The lowest frequencies above the fall of light towards the rim, coarse ones first: the first
# 64 bits are the ones that a search looks at first.
_ORDER = sorted(
    ((u, v) for u in range(_WAVES) for v in range(_WAVES) if u * u + v * v > 9),
    key=lambda p: (p[0] ** 2 + p[1] ** 2, p),
)[:BITS]
_U, _V = (np.array([p[axis] for p in _ORDER]) for axis in (0, 1))
MIRROR = np.packbits(_V % 2 == 1)


def disc_square(
    luma: NDArray[np.uint8] | NDArray[np.float32],
    disc: Disc,
    grid: int = _GRID,
    half: float = _HALF,
    averaged: bool = True,
    outside: float | None = None,
) -> NDArray[np.float32] | None:
    """The middle of the disc, upright and unmirrored, (grid, grid) luma; None where too small.

    luma: (row, col), 0..255. half: half a side of the square in radii. averaged: False takes
    single pixels. outside: the level where the picture does not reach; None: that of its edge.
    """
    import cv2

    step = 2 * half * disc.radius_px / grid
    if not np.isfinite(step) or half * disc.radius_px < 8:
        return None
    plane = np.asarray(luma, np.float32) if averaged else luma
    if averaged and step > 1:  # averaged on the way down, so that noise and coding do not alias
        plane = np.asarray(cv2.GaussianBlur(plane, (0, 0), 0.4 * step), np.float32)
    turn = np.deg2rad(disc.turn_deg)
    c, s = step * float(np.cos(turn)), step * float(np.sin(turn))
    side = -1.0 if disc.mirrored else 1.0
    middle = (grid - 1) / 2
    across, down = np.array([c * side, s * side]), np.array([-s, c])
    start = np.array([disc.x_px - 0.5, disc.y_px - 0.5]) - middle * (across + down)
    way = np.array([[across[0], down[0], start[0]], [across[1], down[1], start[1]]])
    square = cv2.warpAffine(
        plane, way, (grid, grid), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE if outside is None else cv2.BORDER_CONSTANT,
        borderValue=outside or 0.0,
    )  # fmt: skip
    return np.asarray(square, np.float32)


def disc_hash(square: NDArray[np.float32]) -> NDArray[np.uint8] | None:
    """(32,) bytes of a square; None where it shows nothing."""
    level = np.log(np.maximum(square, 0.0) + _LIFT)
    if float(level.std()) < _FLAT:
        return None
    found = (_BASIS @ level @ _BASIS.T)[_U, _V]
    return np.packbits(found > 0)


def mirrored(hashes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The hashes of the mirrored pictures."""
    return hashes ^ MIRROR


def distances(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Bits that differ, (n, m), of hashes (n, 32) and (m, 32)."""
    a = np.ascontiguousarray(one).view(np.uint64)
    b = np.ascontiguousarray(other).view(np.uint64)
    out = np.zeros((len(a), len(b)), np.uint16)
    for word in range(BYTES // 8):
        out += np.bitwise_count(a[:, word, None] ^ b[None, :, word])
    return out
