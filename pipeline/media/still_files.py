"""What a JPEG or PNG file holds beside its picture, read against a list of what it may hold."""

from __future__ import annotations

import struct

# Portable Network Graphics (W3C, 3rd edition), section 11.2: what a plain picture needs.
_PNG_PARTS = (b"IHDR", b"IDAT", b"IEND")
# ITU-T T.81, table B.1. Tables, the frame (baseline, extended, progressive) and its scans.
_DQT, _DHT, _DRI, _SOS, _APP0 = 0xDB, 0xC4, 0xDD, 0xDA, 0xE0
_FRAMES = (0xC0, 0xC1, 0xC2)
_JFIF_BYTES = 14  # of the segment without a thumbnail (ITU-T T.871, 10.1)


def png_chunks(data: bytes) -> list[bytes]:
    """Types of the chunks of a PNG; one more, b'?', for what follows its end or is cut."""
    if not data.startswith(b"\x89PNG\r\n\x1a\n"):
        return [b"?"]
    names, at = [], 8
    while at + 12 <= len(data):
        length = struct.unpack(">I", data[at : at + 4])[0]
        names.append(data[at + 4 : at + 8])
        at += 12 + length
        if names[-1] == b"IEND":
            break
    return names if at == len(data) and names[-1:] == [b"IEND"] else [*names, b"?"]


def png_rest(data: bytes) -> int:
    """How many parts of a PNG are not needed for its picture."""
    return sum(name not in _PNG_PARTS for name in png_chunks(data))


def jpeg_rest(data: bytes) -> int:
    """How many parts of a JPEG are not needed for its picture; 1 at least for what is none.

    Such are comments, notes of a camera, profiles, a thumbnail, a second frame, a table that
    is longer than its figures, and whatever follows the end.
    """
    rest, at, frames, ended = 0, 2, 0, False
    if not data.startswith(b"\xff\xd8"):
        return 1
    while at + 2 <= len(data) and not ended:
        if data[at] != 0xFF:
            return rest + 1
        marker = data[at + 1]
        if marker == 0xD9:
            at, ended = at + 2, True
            continue
        if at + 4 > len(data):
            break
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        body = data[at + 4 : at + 2 + length]
        frames += marker in _FRAMES
        rest += not (marker in _FRAMES and frames == 1) and not _needed(marker, body)
        at += 2 + length
        if marker == _SOS:
            at = _scan_end(data, at)
    return rest + (not ended or at != len(data))


def _needed(marker: int, body: bytes) -> bool:
    """Whether a segment is a table or a scan, and as long as what it says it holds."""
    if marker == _APP0:
        return len(body) == _JFIF_BYTES and body.startswith(b"JFIF\0") and body[12:] == b"\0\0"
    if marker == _DQT:
        return len(body) % 65 == 0 and all(k < 4 for k in body[::65])
    if marker == _DHT:
        at = 0
        while at + 17 <= len(body):
            at += 17 + sum(body[at + 1 : at + 17])
        return at == len(body)
    if marker == _SOS:
        return len(body) == 4 + 2 * body[0] if body else False
    return marker == _DRI and len(body) == 2


def _scan_end(data: bytes, at: int) -> int:
    """Where the samples of a scan end: at the first marker that is none of theirs."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        if data[at + 1] != 0 and not 0xD0 <= data[at + 1] <= 0xD7:
            return at
        at += 2
