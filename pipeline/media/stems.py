"""Sound on disk while a case is worked on: raw 32-bit float, 48 kHz, interleaved.

A stem is written once and read in pieces, so that memory stays the same
whatever the length.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import OutputError

BLOCK = 48_000
_BYTES = 4


class Stem:
    """A raw sound file. Arrays are (channel, sample) float32; full scale is 1.0."""

    def __init__(self, path: Path, channels: int) -> None:
        self.path, self.channels = path, channels

    @property
    def length(self) -> int:
        """Number of samples per channel."""
        return self.path.stat().st_size // (_BYTES * self.channels)

    def read(self, start: int, count: int) -> NDArray[np.float32]:
        """Samples [start, start + count); outside the file they are zero."""
        out = np.zeros((self.channels, max(0, count)), np.float32)
        first, last = max(0, start), min(self.length, start + count)
        if last > first:
            with self.path.open("rb") as file:
                file.seek(first * _BYTES * self.channels)
                flat = np.fromfile(file, np.float32, (last - first) * self.channels)
            out[:, first - start : last - start] = flat.reshape(-1, self.channels).T
        return out

    def blocks(self, size: int = BLOCK) -> Iterator[NDArray[np.float32]]:
        """All samples in order, in blocks of at most `size`."""
        with self.path.open("rb") as file:
            while True:
                flat = np.fromfile(file, np.float32, size * self.channels)
                if not flat.size:
                    return
                yield np.ascontiguousarray(flat.reshape(-1, self.channels).T)


def write_stem(
    path: Path, channels: int, blocks: Iterable[NDArray[np.float32]], length: int | None = None
) -> Stem:
    """Write blocks (channel, sample) to `path`; cut or padded with zeros to `length` if given.

    Raises OutputError when the disk is full.
    """
    written = 0
    try:
        with path.open("wb") as file:
            for block in blocks:
                if length is not None and written + block.shape[1] > length:
                    block = block[:, : length - written]
                written += block.shape[1]
                # Not tofile(): that hides why a write failed.
                file.write(np.ascontiguousarray(block.T, np.float32).data)
                if length is not None and written >= length:
                    break
            while length is not None and written < length:
                size = min(BLOCK, length - written)
                file.write(np.zeros((size, channels), np.float32).data)
                written += size
            file.flush()
    except OSError as error:
        if error.errno == 28:
            raise OutputError("The disk is full", "", "free some space and run again") from None
        raise OutputError(
            "Sound cannot be written", error.strerror or "", "look at the disk"
        ) from None
    return Stem(path, channels)
