"""Small pictures of a decode: which are taken, how small; kept on disk until needed."""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


class Spool:
    """Small pictures on disk, in order, uncompressed, with time stamps. Flat in memory."""

    def __init__(self, folder: Path) -> None:
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by close()
        self.count = 0
        self._shape: tuple[int, ...] | None = None

    def add(self, time_s: float, rgb: NDArray[np.uint8]) -> None:
        """One picture, uint8 (row, col, 3). All are kept at the size of the first: one that was
        reduced in two steps can come out a little smaller."""
        import cv2

        self._shape = self._shape or rgb.shape
        if rgb.shape != self._shape:
            size = (self._shape[1], self._shape[0])
            rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
        self._file.write(struct.pack("<dII", time_s, *rgb.shape[:2]))
        self._file.write(np.ascontiguousarray(rgb).data)
        self.count += 1

    def samples(self) -> Iterator[tuple[float, NDArray[np.uint8]]]:
        self._file.seek(0)
        while True:
            head = self._file.read(16)
            if len(head) < 16:
                return
            time_s, rows, cols = struct.unpack("<dII", head)
            flat = np.frombuffer(self._file.read(rows * cols * 3), np.uint8)
            yield time_s, flat.reshape(rows, cols, 3)

    def close(self) -> None:
        with suppress(OSError):
            self._file.close()


class Pace:
    """True about `rate_hz` times a second of picture time."""

    def __init__(self, rate_hz: float) -> None:
        self._step_s, self._next_s = 1 / rate_hz, 0.0

    def due(self, time_s: float) -> bool:
        if time_s + 1e-6 < self._next_s:
            return False
        self._next_s = max(self._next_s + self._step_s, time_s + 0.5 * self._step_s)
        return True


def shrink(rgb: NDArray[np.uint8], rows_px: int) -> NDArray[np.uint8]:
    """A picture (row, col, 3) at most rows_px high."""
    import cv2

    height, width = rgb.shape[:2]
    if height <= rows_px:
        return rgb
    size = (max(2, round(width * rows_px / height)), rows_px)
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
