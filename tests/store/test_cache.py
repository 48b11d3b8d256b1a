"""The cache of measurements: by key, oldest out, never in the way."""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path
from typing import Any

import pytest

from pipeline.store import cache as module
from pipeline.store.cache import Cache


def age(cache: Cache, key: str, age_s: float) -> None:
    entry = cache._entry(key)
    at = entry.stat().st_mtime - age_s
    os.utime(entry, (at, at))


def test_what_was_put_is_got(tmp_path: Path) -> None:
    cache = Cache(1, tmp_path / "c")
    assert cache.get("k", "a") is None
    cache.put("k", {"a": b"1", "b": b"22"})
    assert (cache.get("k", "a"), cache.get("k", "b"), cache.get("k", "c")) == (b"1", b"22", None)
    assert cache.get("other", "a") is None
    assert Cache(1, tmp_path / "c").get("k", "a") == b"1"
    assert (cache.use().entries, cache.use().size_bytes) == (1, 3)
    assert cache.clear().entries == 1 and cache.use().entries == 0 and cache.get("k", "a") is None


def test_the_key_is_not_in_the_name(tmp_path: Path) -> None:
    cache = Cache(1, tmp_path / "c")
    cache.put("Ivy Quill", {"a": b"1"})
    assert not [p for p in tmp_path.rglob("*") if "Ivy" in p.name]
    assert cache._entry("Ivy Quill").stat().st_mode & 0o077 == 0


def test_the_oldest_go_first(tmp_path: Path) -> None:
    cache = Cache(250e-9, tmp_path / "c")  # 250 bytes
    for number, key in enumerate("abc"):
        cache.put(key, {"x": b"1" * 80})
        age(cache, key, 100 - 10 * number)
    assert cache.use().entries == 3
    assert cache.get("a", "x")  # used now, so b is the oldest
    cache.put("d", {"x": b"1" * 80})
    assert [k for k in "abcd" if cache.get(k, "x")] == ["a", "c", "d"]


def test_the_newest_stays_though_it_is_too_large(tmp_path: Path) -> None:
    cache = Cache(1e-9, tmp_path / "c")
    cache.put("a", {"x": b"1" * 80})
    cache.put("b", {"x": b"1" * 80})
    assert cache.get("b", "x") and not cache.get("a", "x")


def test_a_large_cache_is_not_looked_through_for_each_entry(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_MANY", 5)
    looked: list[int] = []
    real = Cache._entries

    def counted(self: Cache) -> Any:
        looked.append(1)
        return real(self)

    monkeypatch.setattr(Cache, "_entries", counted)
    cache = Cache(1000e-9, tmp_path / "c")
    for number in range(40):
        cache.put(f"{number}", {"x": b"1" * 80})
    assert len(looked) <= 7
    os.utime(cache.folder / ".trimmed", (0, 0))
    cache.put("last", {"x": b"1" * 80})
    assert cache.use().size_bytes <= 1000


def test_others_may_clear_it_meanwhile(tmp_path: Path) -> None:
    """Workers share one cache; no race between them may fail a case."""
    cache = Cache(5e-7, tmp_path / "c")
    stop = threading.Event()

    def sweep() -> None:
        while not stop.is_set():
            shutil.rmtree(cache.folder, ignore_errors=True)

    other = threading.Thread(target=sweep)
    other.start()
    try:
        for number in range(150):
            cache.put(f"{number}", {"x": b"1" * 80, "y": b"2" * 80})
            cache.get(f"{number}", "x")
            cache.use()
    finally:
        stop.set()
        other.join()


def test_a_place_that_cannot_be_written_is_no_error(tmp_path: Path) -> None:
    (tmp_path / "c").write_text("a file")
    cache = Cache(1, tmp_path / "c")
    cache.put("k", {"a": b"1"})
    assert cache.get("k", "a") is None and cache.use().entries == 0
