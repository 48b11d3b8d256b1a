"""What one packet of H.264, HEVC or MPEG-1, -2 or -4 says of itself, without decoding it.

Bytes in, a small answer out. Of H.264 and HEVC a packet is a row of NAL units, each after its
length (MP4, MKV) or after a start code (TS). ITU-T H.264 (08/2021) 7.3.1, 7.4.1 and table 7-1;
D.1.8 for the recovery point; ITU-T H.265 (08/2021) 7.3.1.2 and table 7-1. A packet of MPEG video
holds a picture behind a start code; one that does not is passed by without a word.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

# Where a picture begins, after headers that a container may move: ISO/IEC 13818-2
# picture_start_code, 14496-2 vop_start_code.
PICTURE_STARTS = {
    "mpeg1video": b"\x00\x00\x01\x00",
    "mpeg2video": b"\x00\x00\x01\x00",
    "mpeg4": b"\x00\x00\x01\xb6",
}
_ENDS = {"mpeg1video": b"\x00\x00\x01\xb7", "mpeg2video": b"\x00\x00\x01\xb7",
         "mpeg4": b"\x00\x00\x01\xb1"}  # fmt: skip
FORBIDDEN = (b"\x00\x00\x00", b"\x00\x00\x01", b"\x00\x00\x02")  # never inside a NAL unit


@dataclass(frozen=True)
class PacketLook:
    """key: pictures decode from here on without any before it; None: the packet does not say.
    broken: in one or two words why its form cannot be right, else empty."""

    key: bool | None
    broken: str = ""


def length_size(codec: str, extradata: bytes | None) -> int:
    """Bytes of the length before each NAL unit; 0 where start codes are used."""
    if codec == "h264" and extradata and len(extradata) > 6 and extradata[0] == 1:
        return (extradata[4] & 3) + 1
    if codec == "hevc" and extradata and len(extradata) > 22 and extradata[0] == 1:
        return (extradata[21] & 3) + 1
    return 0


def look(data: bytes, codec: str, size: int) -> PacketLook:
    """Judge one packet. `size`: from `length_size`."""
    if codec in PICTURE_STARTS:
        empty = PICTURE_STARTS[codec] not in data and not data.startswith(_ENDS[codec])
        return PacketLook(None, "no picture in it" if empty else "")
    if codec not in ("h264", "hevc"):
        return PacketLook(None)
    broken, key, slices = "", False, False
    for nal, whole in _units(data, size):
        if not whole:
            broken = broken or "lengths do not add up"
            break
        if len(nal) < (1 if codec == "h264" else 2):
            continue
        if nal[0] & 0x80:
            broken = broken or "forbidden bit"
        body = nal.rstrip(b"\x00")
        if any(body.find(code) >= 0 for code in FORBIDDEN):
            broken = broken or "forbidden bytes"
        if codec == "h264":
            kind = nal[0] & 31
            key |= kind == 5 or (kind == 6 and _recovers_at_once(nal))
            slices |= kind in (1, 5)
        else:
            kind = nal[0] >> 1 & 63
            key |= 16 <= kind <= 21
            slices |= kind < 32
    return PacketLook(key if slices else None, broken)


def _units(data: bytes, size: int) -> Iterator[tuple[bytes, bool]]:
    """(NAL unit, its length fits) one after the other."""
    if size:
        at = 0
        while at < len(data):
            length = int.from_bytes(data[at : at + size], "big")
            at += size
            yield data[at : at + length], at + length <= len(data) and length > 0
            at += length
        return
    starts = []
    at = data.find(b"\x00\x00\x01")
    while at >= 0:
        starts.append(at)
        at = data.find(b"\x00\x00\x01", at + 3)
    for start, stop in zip(starts, [*starts[1:], len(data)], strict=True):
        yield data[start + 3 : stop], True


def _recovers_at_once(nal: bytes) -> bool:
    """True for an SEI with a recovery point whose recovery_frame_cnt is 0."""
    data = nal[1:].replace(b"\x00\x00\x03", b"\x00\x00")
    at = 0
    while at + 2 <= len(data) and data[at] != 0x80:
        kind = size = 0
        while at < len(data) and data[at] == 255:
            kind, at = kind + 255, at + 1
        if at >= len(data):
            return False
        kind, at = kind + data[at], at + 1
        while at < len(data) and data[at] == 255:
            size, at = size + 255, at + 1
        if at >= len(data):
            return False
        size, at = size + data[at], at + 1
        if kind == 6 and at < len(data):
            return bool(data[at] & 0x80)  # ue(v) 0 is the single bit 1
        at += size
    return False
