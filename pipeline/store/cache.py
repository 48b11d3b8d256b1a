"""Measurements kept by content: never by file name, never with a path in the key."""

from __future__ import annotations

import hashlib
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from pipeline.settings import user_folder
from pipeline.store.work import atomic_write


@dataclass(frozen=True)
class CacheUse:
    """What the cache holds now."""

    entries: int
    size_bytes: int
    folder: Path


class Cache:
    """Small files under the user's cache folder, grouped by a key; the oldest go first.

    limit_gb: size above which the least recently used entries are removed.
    """

    def __init__(self, limit_gb: float, folder: Path | None = None) -> None:
        self.folder = folder or user_folder("cache") / "measures"
        self._limit_bytes = int(limit_gb * 1e9)

    def _entry(self, key: str) -> Path:
        return self.folder / hashlib.sha256(key.encode()).hexdigest()[:32]

    def get(self, key: str, name: str) -> bytes | None:
        """Content kept under `key` and `name`, or None. Marks the entry as used."""
        entry = self._entry(key)
        try:
            data = (entry / name).read_bytes()
            os.utime(entry)
        except OSError:
            return None
        return data

    def put(self, key: str, files: dict[str, bytes]) -> None:
        """Keep files under `key`. A cache that cannot be written is no error."""
        from pipeline.errors import OutputError

        entry = self._entry(key)
        try:
            entry.mkdir(parents=True, exist_ok=True, mode=0o700)
            for name, data in files.items():
                atomic_write(entry / name, data, private=True)
        except (OSError, OutputError):
            shutil.rmtree(entry, ignore_errors=True)
            return
        self._trim()

    def use(self) -> CacheUse:
        entries = self._entries()
        return CacheUse(len(entries), sum(size for _, size, _ in entries), self.folder)

    def clear(self) -> CacheUse:
        """Remove everything; returns what was there."""
        before = self.use()
        for _, _, path in self._entries():
            shutil.rmtree(path, ignore_errors=True)
        return before

    def _entries(self) -> list[tuple[float, int, Path]]:
        if not self.folder.is_dir():
            return []
        found = []
        for path in self.folder.iterdir():
            if path.is_dir():
                size = sum(f.stat().st_size for f in path.iterdir() if f.is_file())
                found.append((path.stat().st_mtime, size, path))
        return sorted(found)

    def _trim(self) -> None:
        entries = self._entries()
        total = sum(size for _, size, _ in entries)
        for _, size, path in entries[:-1]:
            if total <= self._limit_bytes:
                return
            shutil.rmtree(path, ignore_errors=True)
            total -= size
