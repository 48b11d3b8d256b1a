"""Whether a file is another one with a signature's box put in, and nothing else changed."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

from pipeline.media.provenance_box import BOX_UUID

_PARENTS = (b"trak", b"mdia", b"minf", b"stbl")
_AT_ONCE = 1 << 20


def only_signed(plain: Path, signed: Path) -> bool:
    """True if `signed` is `plain`, byte by byte, with one box behind its first, and the places of
    its chunks moved on by the size of that box (ISO/IEC 14496-12, 8.7.5)."""
    with open(plain, "rb") as before, open(signed, "rb") as after:
        try:
            was, now = list(_top(before)), list(_top(after))
            kind, start, stop = now.pop(1)
            after.seek(start + 8)
            if kind != b"uuid" or after.read(16) != BOX_UUID or len(was) != len(now):
                return False
            return all(
                _alike(before, after, a, b, stop - start) for a, b in zip(was, now, strict=True)
            )
        except (struct.error, IndexError, ValueError):
            return False


def _top(stream: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    """(type, start, stop) of the boxes of a file."""
    end, position = stream.seek(0, 2), 0
    while position < end:
        stream.seek(position)
        head = stream.read(16)
        size, kind = struct.unpack_from(">I4s", head)
        if size == 1:
            (size,) = struct.unpack_from(">Q", head, 8)
        if size < 8 or position + size > end:
            raise ValueError
        yield kind, position, position + size
        position += size


def _alike(
    before: BinaryIO,
    after: BinaryIO,
    was: tuple[bytes, int, int],
    now: tuple[bytes, int, int],
    by: int,
) -> bool:
    if was[0] != now[0] or was[2] - was[1] != now[2] - now[1]:
        return False
    before.seek(was[1])
    after.seek(now[1])
    left = was[2] - was[1]
    if was[0] == b"moov":
        return _moved(before.read(left), by) == after.read(left)
    while left:
        size = min(left, _AT_ONCE)
        if before.read(size) != after.read(size):
            return False
        left -= size
    return True


def _moved(index: bytes, by: int) -> bytes:
    """The index of a file with every place of a chunk moved on."""
    changed = bytearray(index)

    def walk(position: int, stop: int) -> None:
        while position < stop:
            size, kind = struct.unpack_from(">I4s", changed, position)
            if size < 8:
                raise ValueError
            if kind in _PARENTS:
                walk(position + 8, position + size)
            elif kind in (b"stco", b"co64"):
                (count,) = struct.unpack_from(">I", changed, position + 12)
                form = ">u4" if kind == b"stco" else ">u8"
                places = np.frombuffer(changed, form, count, position + 16)
                places += by
            position += size

    walk(8, len(changed))
    return bytes(changed)
