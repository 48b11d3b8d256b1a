"""What was read of a finished MP4: its tracks and boxes, and what in them is not on the list."""

from __future__ import annotations

import re
import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


class BrokenFile(Exception):
    """The file cannot be walked."""


@dataclass
class Track:
    kind: str = "?"
    entry: str = "?"
    timescale: int = 0
    length_size: int = 4
    boxes: dict[str, bytes] = field(default_factory=dict)
    groups: list[bytes] = field(default_factory=list)
    aspect: tuple[int, int] = (1, 1)
    parameters: list[bytes] = field(default_factory=list)
    offsets: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    sizes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))


@dataclass
class FileFound:
    movie_timescale: int = 0
    tracks: list[Track] = field(default_factory=list)
    media: list[tuple[int, int]] = field(default_factory=list)
    strange: Counter[str] = field(default_factory=Counter)
    times: int = 0
    names: int = 0
    titles: list[str] = field(default_factory=list)
    title_times: list[int] = field(default_factory=list)
    movie_header: bytes = b""
    head: int = -1  # where the first box ends
    signature: bytes = b""  # what the box of a signature holds, right behind the first


# walking the boxes


def box_word(kind: bytes) -> str:
    """A box type for people; anything but plain letters is shown as '????'."""
    return kind.decode("ascii") if re.fullmatch(rb"[A-Za-z0-9 ]{4}", kind) else "????"


def boxes_in(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """(type, payload) of the boxes that fill `data` exactly."""
    position = 0
    while position < len(data):
        size, kind = struct.unpack_from(">I4s", data, position)
        head = 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, position + 8)
            head = 16
        if size < head or position + size > len(data):
            raise BrokenFile("a box is longer than what holds it")
        yield kind, data[position + head : position + size]
        position += size
