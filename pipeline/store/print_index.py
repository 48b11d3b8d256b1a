"""The hashes of all releases in one place beside the catalogue, searched without loading them.

    NAME.prints/low.u64       first 64 bits of each hash: all of them are looked at
    NAME.prints/rest.u8       the other 192 bits: only where the first are alike
    NAME.prints/at.u32        moment of each, in steps
    NAME.prints/releases.jsonl   a line for each release: where its rows lie; written last

It only grows. What a release was found by stays, also when the release is withdrawn and its
private folder purged. Made again from the `*.prints.json` when it is lost.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.store.work import atomic_write, make_folder, writing

LOW_BITS = 15  # of the first 64 that may differ where a row is looked at closer
ALL_BITS = 84  # of 256 for a hit
_CHUNK = 1 << 18
_REST = 24
_FILES = (("low.u64", 8), ("rest.u8", _REST), ("at.u32", 4))  # bytes a row

Key = tuple[str, str, int, str]  # case, profile, revision, sha256 of the file


@dataclass(frozen=True)
class Rows:
    """Where the hashes of one release lie."""

    key: Key
    start: int
    count: int


class PrintIndex:
    """The index in a folder; nothing is made before `add`. Raises OutputError."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.held: list[Rows] = []  # all
        self.rows: list[Rows] = []  # those with hashes
        self._low: NDArray[np.uint64] = np.zeros(0, np.uint64)
        self._rest: NDArray[np.uint8] = np.zeros((0, _REST), np.uint8)
        self._at: NDArray[np.uint32] = np.zeros(0, np.uint32)
        self._open()

    @classmethod
    def beside(cls, catalogue: Path) -> PrintIndex:
        return cls(catalogue.with_name(f"{catalogue.name}.prints"))

    @property
    def keys(self) -> set[Key]:
        return {r.key for r in self.held}

    @property
    def count(self) -> int:
        """Hashes of all releases."""
        return len(self._low)

    def add(self, new: list[tuple[Key, NDArray[np.int64], NDArray[np.uint8]]]) -> None:
        """Releases with moments (m) and hashes (m, 32); those that are held are passed by."""
        with writing(), self._locked():
            self._open()
            known, start = self.keys, self.count
            lines = [json.dumps([*r.key, r.start, r.count]) for r in self.held]
            files = [self._folder / n for n, _ in _FILES]
            for name, size in _FILES:
                with (self._folder / name).open("ab") as out:  # what a killed run added is cut off
                    out.truncate(start * size)
            with files[0].open("ab") as low, files[1].open("ab") as rest, files[2].open("ab") as at:
                for key, moments, hashes in new:
                    if key in known:
                        continue
                    known.add(key)
                    low.write(np.ascontiguousarray(hashes[:, :8]).tobytes())
                    rest.write(np.ascontiguousarray(hashes[:, 8:]).tobytes())
                    at.write(moments.astype("<u4").tobytes())
                    lines.append(json.dumps([*key, start, len(moments)]))
                    start += len(moments)
                for file in (low, rest, at):
                    file.flush()
                    os.fsync(file.fileno())
            text = "".join(line + "\n" for line in lines)
            atomic_write(self._folder / "releases.jsonl", text, private=True)
            self._open()

    def kept(self, rows: Rows) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Moments (m) and hashes (m, 32) of a release."""
        part = slice(rows.start, rows.start + rows.count)
        low = np.ascontiguousarray(self._low[part]).view(np.uint8).reshape(-1, 8)
        return self._at[part].astype(np.int64), np.hstack([low, self._rest[part]])

    def likely(self, hashes: NDArray[np.uint8], most: int = 40) -> list[Rows]:
        """Releases with pictures like any of (n, 32) hashes, the likeliest first.

        Each hash speaks once for a release, by how few bits differ.
        """
        if not self.rows or not len(hashes):
            return []
        starts = np.array([r.start for r in self.rows])
        wanted = np.unique(hashes, axis=0)
        weight = np.zeros(len(self.rows))
        with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
            for found, differing in pool.map(self._hits, wanted):
                best = np.zeros(len(self.rows))
                np.maximum.at(
                    best, np.searchsorted(starts, found, "right") - 1, ALL_BITS + 1.0 - differing
                )
                weight += best
        order = np.argsort(-weight, kind="stable")[:most]
        return [self.rows[i] for i in order if weight[i] > 0]

    def _hits(self, wanted: NDArray[np.uint8]) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
        """Rows that differ in at most ALL_BITS bits, and in how many."""
        low, rest = np.ascontiguousarray(wanted[:8]).view(np.uint64)[0], wanted[8:]
        near = [
            np.flatnonzero(np.bitwise_count(self._low[a : a + _CHUNK] ^ low) <= LOW_BITS) + a
            for a in range(0, self.count, _CHUNK)
        ]
        rows = np.concatenate(near) if near else np.zeros(0, np.intp)
        differing = np.bitwise_count(self._low[rows] ^ low).astype(np.int64)
        differing += np.bitwise_count(self._rest[rows] ^ rest).sum(axis=1, dtype=np.int64)
        good = differing <= ALL_BITS
        return rows[good], differing[good]

    def _open(self) -> None:
        self.held, self.rows = [], []
        self._low, self._rest = np.zeros(0, np.uint64), np.zeros((0, _REST), np.uint8)
        lines = self._folder / "releases.jsonl"
        if not lines.is_file():
            return
        held = []
        for line in lines.read_text().splitlines():
            case, profile, revision, sha256, start, count = json.loads(line)
            held.append(Rows((case, profile, revision, sha256), start, count))
        total = max((r.start + r.count for r in held), default=0)
        files = [(self._folder / n, size) for n, size in _FILES]
        if not total or any(not f.is_file() or f.stat().st_size < s * total for f, s in files):
            return  # lost or cut: made again from the documents
        self.held, self.rows = held, [r for r in held if r.count]
        self._low = np.memmap(files[0][0], "<u8", "r", shape=(total,))
        self._rest = np.memmap(files[1][0], "u1", "r", shape=(total, _REST))
        self._at = np.memmap(files[2][0], "<u4", "r", shape=(total,))

    @contextmanager
    def _locked(self) -> Iterator[None]:
        import fcntl

        make_folder(self._folder, mode=0o700)
        handle = os.open(self._folder / ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)
