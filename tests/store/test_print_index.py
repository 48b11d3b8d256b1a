"""The index of prints: the answer of looking at every hash, and nothing lost by killed runs."""

from __future__ import annotations

import stat
from pathlib import Path

import numpy as np
import pytest

from pipeline.analysis.trace.disc import distances
from pipeline.store.print_index import ALL_BITS, PrintIndex

RNG = np.random.default_rng(1)


def entry(number: int, count: int = 50):
    hashes = RNG.integers(0, 256, (count, 32), dtype=np.uint8)
    return ("HL-0142", "web", number, f"{number:064d}"), np.arange(count) * 2, hashes


def flipped(value: np.ndarray, places: list[int]) -> np.ndarray:
    bits = np.unpackbits(value)
    bits[places] ^= 1
    return np.packbits(bits)


def test_the_likeliest_release_is_the_one_with_the_nearest_hashes(tmp_path: Path) -> None:
    index = PrintIndex(tmp_path / "i")
    new = [entry(k) for k in range(1, 9)]
    index.add(new[:5])
    index.add(new)
    assert index.count == 400 and len(index.rows) == 8
    asked = np.array([flipped(new[6][2][k], list(range(k, 250, 9))) for k in (3, 9)])
    assert index.likely(asked)[0].key == new[6][0]
    # Every hash looked at says the same.
    every = np.concatenate([n[2] for n in new])
    near = np.flatnonzero((distances(asked, every) <= ALL_BITS).any(axis=0))
    assert set((near // 50 + 1).tolist()) == {7}
    moments, hashes = index.kept(index.rows[6])
    assert np.array_equal(hashes, new[6][2]) and moments.tolist() == new[6][1].tolist()
    assert index.likely(RNG.integers(0, 256, (2, 32), dtype=np.uint8)) == []


def test_it_is_private(tmp_path: Path) -> None:
    index = PrintIndex(tmp_path / "i")
    index.add([entry(1)])
    assert stat.S_IMODE((tmp_path / "i").stat().st_mode) == 0o700


def test_a_killed_run_leaves_nothing_that_is_read(tmp_path: Path) -> None:
    first, second = entry(1), entry(2)
    PrintIndex(tmp_path / "i").add([first])
    for name in ("low.u64", "rest.u8", "at.u32"):
        with (tmp_path / "i" / name).open("ab") as file:
            file.write(b"half of a rel")
    PrintIndex(tmp_path / "i").add([second])
    index = PrintIndex(tmp_path / "i")
    for row, (key, _, hashes) in zip(index.rows, (first, second), strict=True):
        assert row.key == key and np.array_equal(index.kept(row)[1], hashes)


@pytest.mark.parametrize("name", ["low.u64", "rest.u8", "at.u32", "releases.jsonl"])
def test_what_is_lost_is_made_again(tmp_path: Path, name: str) -> None:
    first = entry(1)
    PrintIndex(tmp_path / "i").add([first])
    (tmp_path / "i" / name).write_bytes(b"")
    index = PrintIndex(tmp_path / "i")
    assert index.rows == [] and index.likely(first[2][:2]) == []
    index.add([first])
    assert np.array_equal(index.kept(index.rows[0])[1], first[2])


def test_a_release_that_shows_nothing_is_held_and_never_likely(tmp_path: Path) -> None:
    index = PrintIndex(tmp_path / "i")
    index.add([entry(1, 0), entry(2)])
    assert len(index.keys) == 2 and [r.key[2] for r in index.rows] == [2]
