"""Lightness L* (CIE 1976) of decoded Y'CbCr samples.

L* follows CIE 15:2004, 8.2.1 (from relative luminance Y, white Y = 1). R'G'B'
comes from Y'CbCr by ITU-R BT.601-7, BT.709-6 or BT.2020-2 (luma weights and
quantisation), and is linearised by the sRGB curve (IEC 61966-2-1), which is
how such files are shown on a computer screen and what scikit-image assumes.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Matrix = Literal["bt601", "bt709", "bt2020"]
LUMA_WEIGHTS = {  # Kr, Kb
    "bt601": (0.299, 0.114),
    "bt709": (0.2126, 0.0722),
    "bt2020": (0.2627, 0.0593),
}
_STEPS = 4  # entries per 8-bit step in the linearising table
_PAD = 300 * _STEPS  # R'G'B' out of 0..255 lands in the padding and is clipped by it


def lightness(luminance: NDArray[np.float64]) -> NDArray[np.float64]:
    """L* (0..100) of relative luminance 0..1, any shape. CIE 15:2004, 8.2.1."""
    y = np.asarray(luminance, np.float64)
    return np.where(y > 216 / 24389, 116 * np.cbrt(y) - 16, y * 24389 / 27)


def linear(value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light 0..1 of sRGB-coded values 0..1, any shape. IEC 61966-2-1."""
    v = np.clip(np.asarray(value, np.float64), 0.0, 1.0)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


class Light:
    """Tables that turn 8-bit Y'CbCr of one matrix and range into L*.

    Raises ValueError for an unknown matrix.
    """

    def __init__(self, matrix: str, full_range: bool) -> None:
        if matrix not in LUMA_WEIGHTS:
            raise ValueError(f"unknown matrix {matrix!r}: bt601, bt709 or bt2020")
        kr, kb = LUMA_WEIGHTS[matrix]
        kg = 1 - kr - kb
        y_scale = 1.0 if full_range else 255 / 219
        c_scale = 1.0 if full_range else 255 / 224
        self.black = 0 if full_range else 16
        self.white = 255 if full_range else 235
        chroma = (np.arange(256) - 128) * c_scale
        # positions in the linearising table, so that no scaling is left per pixel
        self._y = ((np.arange(256) - self.black) * y_scale * _STEPS + _PAD + 0.5).astype(np.float32)
        self._rv = (chroma * 2 * (1 - kr) * _STEPS).astype(np.float32)
        self._gu = (-chroma * 2 * (1 - kb) * kb / kg * _STEPS).astype(np.float32)
        self._gv = (-chroma * 2 * (1 - kr) * kr / kg * _STEPS).astype(np.float32)
        self._bu = (chroma * 2 * (1 - kb) * _STEPS).astype(np.float32)
        # BT.2020 primaries weigh luminance by their own weights; BT.601 files are shown with
        # sRGB primaries
        weights = LUMA_WEIGHTS["bt2020"] if matrix == "bt2020" else LUMA_WEIGHTS["bt709"]
        size = 255 * _STEPS + 2 * _PAD + 1
        code = linear((np.arange(size) - _PAD) / (255.0 * _STEPS))
        self._lin = (np.array([weights[0], 1 - sum(weights), weights[1]])[:, None] * code).astype(
            np.float32
        )
        self._l_size = 8192
        self._l = lightness((np.arange(self._l_size + 1)) / self._l_size).astype(np.float32)
        grey = linear((np.arange(256) - self.black) * y_scale / 255)
        self.grey_l = lightness(grey)
        """L* of the 256 luma codes without colour; float64 (256,), never falling."""
        codes = np.arange(self.black, self.white + 1, dtype=np.float64)
        self._inverse = (self.grey_l[self.black : self.white + 1], codes)

    def code(self, l_star: NDArray[np.float64]) -> NDArray[np.float64]:
        """Luma code (not rounded, black..white) of a grey of lightness `l_star`."""
        return np.asarray(np.interp(l_star, *self._inverse), np.float64)

    def chroma(
        self, u: NDArray[np.uint8], v: NDArray[np.uint8]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """What Cb and Cr add to R', G', B', in steps of the table; float32, shape of u."""
        return self._rv[v], self._gu[u] + self._gv[v], self._bu[u]

    def l_star(
        self,
        y: NDArray[np.uint8],
        chroma: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]] | None,
    ) -> NDArray[np.float32]:
        """L* of luma codes with the colour of `chroma` (None: grey); float32, shape of y.

        Within 0.05 L* of the formula (tables of a quarter code and 1/8192 of luminance).
        """
        if chroma is None:
            return self.grey_l.astype(np.float32)[y]
        base = self._y[y]
        total = self._lin[0][(base + chroma[0]).astype(np.int32)]
        total += self._lin[1][(base + chroma[1]).astype(np.int32)]
        total += self._lin[2][(base + chroma[2]).astype(np.int32)]
        total *= self._l_size
        total += 0.5
        return np.asarray(self._l[total.astype(np.int32)], np.float32)

    def plane_l_star(
        self,
        y: NDArray[np.uint8],
        u: NDArray[np.uint8] | None,
        v: NDArray[np.uint8] | None,
        row: NDArray[np.intp],
        col: NDArray[np.intp],
    ) -> NDArray[np.float32]:
        """L* of the pixels (row, col) of a 4:2:0 picture; chroma of the nearest sample."""
        if u is None or v is None:
            return self.l_star(y[row, col], None)
        r, c = row >> 1, col >> 1
        return self.l_star(y[row, col], self.chroma(u[r, c], v[r, c]))
