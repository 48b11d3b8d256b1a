"""Measurements kept by content: never by file name, never with a path in the key."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import time
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.settings import user_folder
from pipeline.store.work import atomic_write

_MANY = 2000
_TRIM_EVERY_S = 600.0


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
        """(last use, bytes, folder) of each entry, the oldest first. Others may be removing
        entries meanwhile."""
        found = []
        for path in self._folders():
            try:
                size = sum(f.stat().st_size for f in os.scandir(path) if f.is_file())
                found.append((path.stat().st_mtime, size, path))
            except OSError:
                continue
        return sorted(found)

    def _folders(self) -> list[Path]:
        try:
            return [Path(f.path) for f in os.scandir(self.folder) if f.is_dir()]
        except OSError:
            return []

    def _trim(self) -> None:
        """Remove the oldest above the limit; in a large cache every ten minutes at most,
        since it takes a look at every file."""
        folders = self._folders()
        if len(folders) > _MANY and not self._due():
            return
        entries = self._entries()
        total = sum(size for _, size, _ in entries)
        for _, size, path in entries[:-1]:
            if total <= self._limit_bytes:
                return
            shutil.rmtree(path, ignore_errors=True)
            total -= size

    def _due(self) -> bool:
        marker = self.folder / ".trimmed"
        try:
            age_s = time.time() - marker.stat().st_mtime
        except OSError:
            age_s = _TRIM_EVERY_S
        if 0 <= age_s < _TRIM_EVERY_S:
            return False
        with contextlib.suppress(OSError):
            marker.touch()
        return True
