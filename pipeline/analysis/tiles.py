"""A picture as the means of its tiles: what can be held against it when it is gone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TILES = 16, 24  # down, across
MOST = 24_000  # pictures of a recording, 28 MB before they are packed; then every other one goes


def tile_means(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Mean of each of the `TILES` of a picture, uint8 (row, col, 3): uint8 (16, 24, 3)."""
    import cv2

    size = TILES[1], TILES[0]
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)


class TilesFold:
    """The tiles of pictures in order of time: all of them, or every second, fourth ... one."""

    def __init__(self, most: int = MOST) -> None:
        self._most, self._every, self._met = most, 1, 0
        self._time_s: list[float] = []
        self._tiles: list[NDArray[np.uint8]] = []

    def step(self, time_s: float, rgb: NDArray[np.uint8]) -> None:
        """A picture at `time_s`, uint8 (row, col, 3), of whatever size."""
        self._met += 1
        if (self._met - 1) % self._every:
            return
        if len(self._tiles) >= self._most:
            self._every *= 2
            self._time_s, self._tiles = self._time_s[::2], self._tiles[::2]
            if (self._met - 1) % self._every:
                return
        self._time_s.append(time_s)
        self._tiles.append(tile_means(rgb))

    def finish(self) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """(times in seconds (n), tiles (n, 16, 24, 3))."""
        tiles = np.array(self._tiles, np.uint8).reshape(-1, *TILES, 3)
        return np.array(self._time_s, np.float64), tiles
