"""The chunks of an AVI file: whether those between two packets are all there.

Where the header of a chunk was overwritten or bytes are missing, the reader goes on at the next
chunk that it finds, without a word, and numbers the pictures as if none had been lost; what
follows is built on others than it was coded for. RIFF: four characters, length as 32 bits, little
endian, data, filled to an even length (Multimedia Programming Interface and Data Specifications
1.0, IBM and Microsoft, 1991, chapter 2).
"""

from __future__ import annotations

from io import BufferedReader

_LISTS = (b"LIST", b"RIFF")  # chunks lie inside, behind four more characters


class Chunks:
    """Walks from packet to packet. file: of the AVI, open for reading bytes; size: its length."""

    def __init__(self, file: BufferedReader, size: int) -> None:
        self._file, self._size = file, size
        self._end: int | None = None

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
        return last is not None and last < at and not self._leads(last, at - 8)

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
