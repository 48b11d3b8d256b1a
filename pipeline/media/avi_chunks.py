"""The chunks of an AVI file: whether those between two packets are all there.

Where the header of a chunk was overwritten or bytes are missing, the reader goes on at the next
chunk that it finds, without a word, and numbers the pictures as if none had been lost; what
follows is built on others than it was coded for. RIFF: four characters, length as 32 bits, little
endian, data, filled to an even length (Multimedia Programming Interface and Data Specifications
1.0, IBM and Microsoft, 1991, chapter 2). Where a whole chunk is gone the rest still leads from
one to the next; the index at the end (`idx1`: characters, flags, place, length, 32 bits each)
knows. It also tells the true time of what comes behind (`demuxed`).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from io import BufferedReader
from pathlib import Path
from typing import Any

from pipeline.media.container import open_media

_LISTS = (b"LIST", b"RIFF")  # chunks lie inside, behind four more characters
FAR = 2000  # entries of the index that are looked through for a packet
MOST_HEADER = 1 << 20  # bytes in which the list of pictures begins
MOST_INDEX = 64 << 20  # bytes at the end of a file in which the index is looked for


@dataclass(frozen=True)
class _Entry:
    """A chunk as the index has it: `at` is its place, from the start of the file or the list."""

    kind: bytes
    at: int
    length: int


def _index(file: BufferedReader, size: int) -> tuple[list[_Entry], int]:
    """Entries of `idx1`, and where the list of pictures begins; none where it is not whole, or a
    file of several parts (OpenDML) has indexes of its own."""
    file.seek(0)
    begins = file.read(MOST_HEADER).find(b"movi")
    start = max(0, size - MOST_INDEX)
    file.seek(start)
    data = file.read(size - start)
    at = data.rfind(b"idx1")
    if begins < 0 or at < 0 or b"AVIX" in data[at:]:
        return [], 0
    length = int.from_bytes(data[at + 4 : at + 8], "little")
    if length % 16 or at + 8 + length > len(data):
        return [], 0
    rows = (data[n : n + 16] for n in range(at + 8, at + 8 + length, 16))
    return [
        _Entry(r[:4], int.from_bytes(r[8:12], "little"), int.from_bytes(r[12:], "little"))
        for r in rows
    ], begins


def demuxed(container: Any, stream: Any, path: Path) -> Iterator[Any]:
    """The packets of a stream as the library reads them; those of an AVI at the times that its
    index gives them. Where bytes are missing they lie elsewhere, and keep the library's times.
    """
    if container.format.name != "avi":
        return container.demux(stream)  # type: ignore[no-any-return]
    status = path.stat()
    return _timed(container, stream, _times(path, stream.index, status.st_size, status.st_mtime_ns))


def _timed(container: Any, stream: Any, times: dict[tuple[int, int], int]) -> Iterator[Any]:
    shift = 0
    for packet in container.demux(stream):
        known = times.get((packet.pos, packet.size)) if packet.pos is not None else None
        if known is not None and packet.dts is not None:
            shift = known - packet.dts
        if shift and packet.dts is not None:
            packet.dts += shift
            packet.pts = None if packet.pts is None else packet.pts + shift
        yield packet


@lru_cache(maxsize=4)
def _times(path: Path, number: int, size: int, changed_ns: int) -> dict[tuple[int, int], int]:
    """(place, length) of the chunks of a stream to their times, in its own units. Empty where the
    library gives no index. size and changed_ns tell a file that was changed since."""
    with closing(open_media(path)) as container:
        stream = container.streams[number]
        # Copied before anything is read: reading moves the index of the library.
        index = getattr(stream, "index_entries", ())
        entries = [(e.pos + 8, e.size, e.timestamp) for e in index]
        bytes_each = 1
        if stream.type == "audio" and len(entries) > 1:
            first = next((p for p in container.demux(stream) if p.size and p.duration), None)
            counted = entries[1][2] - entries[0][2] == entries[0][1]
            if counted and first is not None:  # the index counts bytes, the packets samples
                bytes_each = max(1, first.size // first.duration)
    return {(at, length): time // bytes_each for at, length, time in entries}


class Chunks:
    """Walks from packet to packet. file: of the AVI, open for reading bytes; size: its length."""

    def __init__(self, file: BufferedReader, size: int) -> None:
        self._file, self._size = file, size
        self._end: int | None = None
        self._listed, self._begins = _index(file, size)
        self._next: int | None = None  # in the index, behind the last packet

    def lost_before(self, at: int | None, length: int) -> bool:
        """True if the chunks behind the last packet do not lead to this one.

        at, length: of the packet's data, in bytes. False as well where nothing can be said:
        for the first packet, out of order, or where it is not the data of one chunk.
        """
        last, self._end = self._end, None
        header = self._header(at - 8) if at is not None and at >= 8 else None
        if at is None or header is None or header[1] != length:
            return False
        self._end = at + length
        skipped = self._skipped(_Entry(header[0], at - 8, length), first=last is None)
        return last is not None and last < at and (skipped or not self._leads(last, at - 8))

    def _skipped(self, packet: _Entry, first: bool) -> bool:
        """True if the index has more of the same stream between the last packet and this one.

        The first packet is known by its place, later ones by their length: they may have moved.
        """
        if first:
            places = {packet.at, packet.at - self._begins}
            self._next = next(
                (
                    n + 1
                    for n, e in enumerate(self._listed)
                    if e.at in places and (e.kind, e.length) == (packet.kind, packet.length)
                ),
                None,
            )
        if first or self._next is None:
            return False
        skipped = False
        for number in range(self._next, min(len(self._listed), self._next + FAR)):
            entry = self._listed[number]
            if entry.kind != packet.kind or not entry.length:
                continue
            if entry.length == packet.length:
                self._next = number + 1
                return skipped
            skipped = True
        self._next = None  # it says nothing of what follows
        return False

    def lost_after(self) -> bool:
        """True if what lies behind the last packet is not chunks up to the end of the file."""
        return self._end is not None and not self._leads(self._end, self._size)

    def _leads(self, at: int, stop: int) -> bool:
        while at < stop:
            even = at + at % 2
            if even == stop:
                return True  # behind the byte that fills a chunk of odd length
            header = self._header(even)
            if header is None and even != at:  # some writers do not fill
                even, header = at, self._header(at)
            if header is None:
                return even >= stop
            at = even + (12 if header[0] in _LISTS else 8 + header[1])
        return at in (stop, stop + 1) or stop == self._size

    def _header(self, at: int) -> tuple[bytes, int] | None:
        """(characters, length) of the chunk at `at`; None where no chunk can be."""
        self._file.seek(at)
        data = self._file.read(8)
        if len(data) < 8 or not all(32 <= c < 127 for c in data[:4]):
            return None
        return data[:4], int.from_bytes(data[4:], "little")
