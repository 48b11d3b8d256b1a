"""Tiles of pictures: means by numpy, whatever the size."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.analysis.tiles import TILES, TilesFold, tile_means


@pytest.mark.parametrize("block", [(5, 9), (8, 8), (45, 80)])
def test_a_tile_is_the_mean_of_its_pixels(block: tuple[int, int]) -> None:
    rows, cols = TILES[0] * block[0], TILES[1] * block[1]
    rgb = np.random.default_rng(3).integers(0, 256, (rows, cols, 3), np.uint8)
    wanted = rgb.reshape(TILES[0], block[0], TILES[1], block[1], 3).mean(axis=(1, 3))
    assert np.abs(tile_means(rgb) - wanted).max() <= 0.51


def test_a_fold_keeps_times_and_tiles() -> None:
    fold = TilesFold()
    assert fold.finish()[1].shape == (0, *TILES, 3)
    for number in range(3):
        fold.step(number / 5, np.full((120, 213, 3), 40 * number, np.uint8))
    time_s, tiles = fold.finish()
    assert time_s.tolist() == [0, 0.2, 0.4] and tiles.dtype == np.uint8
    assert [int(t.min()) for t in tiles] == [int(t.max()) for t in tiles] == [0, 40, 80]


def test_a_long_recording_is_kept_more_sparsely_and_evenly() -> None:
    fold = TilesFold(most=10)
    for number in range(100):
        fold.step(number / 5, np.full((16, 24, 3), number, np.uint8))
    time_s, tiles = fold.finish()
    assert 5 <= len(time_s) <= 10 and np.ptp(np.diff(time_s)) == pytest.approx(0)
    assert tiles[:, 0, 0, 0].tolist() == [round(5 * t) for t in time_s] and time_s[-1] >= 16
