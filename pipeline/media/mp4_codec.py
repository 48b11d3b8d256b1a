"""What is inside the coded streams: decoder settings and units of H.264, settings of AAC.

H.264 NAL units are typed (ITU-T H.264 table 7-1, annex D for SEI).
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Iterator

from pipeline.media import boxes
from pipeline.media.mp4_file import BrokenFile, Track

_SEI_ALLOWED = {0, 1, 6, 47, 137, 144, 147}  # timing, recovery point, colour volume
_NAL_ALLOWED = {1, 5, 7, 8, 9, 10, 11, 12}
_LARGEST_SET = (64, 12)  # bytes of a sequence and of a picture parameter set; x264 writes 25, 6


def avc_configuration(data: bytes, track: Track) -> bool:
    """ISO/IEC 14496-15, 5.3.3.1: parameter sets and nothing behind them."""
    if data[0] != 1 or data[4] & 0xFC != 0xFC or data[5] != 0xE1:
        return False
    track.length_size = (data[4] & 3) + 1
    position, ok = 6, True
    for index in range(2):
        count = data[5] & 31 if index == 0 else data[position]
        position += index
        ok &= count == 1
        for _ in range(count):
            (size,) = struct.unpack_from(">H", data, position)
            ok &= 0 < size <= _LARGEST_SET[index] and data[position + 2] & 31 == (7, 8)[index]
            track.parameters.append(data[position + 2 : position + 2 + size])
            position += 2 + size
    rest = len(data) - position
    # High profiles add chroma format, bit depths and extension sets (here none).
    ok &= data[1:4] == data[9:12]  # profile and level, as the first set says them
    high = rest == 4 and data[-1] == 0 and data[-4] >= 0xFC and min(data[-3], data[-2]) >= 0xF8
    return ok and (rest == 0 or high)


def sound_configuration(data: bytes) -> bool:
    """ISO/IEC 14496-1, 7.2.6: one stream, one decoder configuration of at most 16 bytes."""

    def descriptors(chunk: bytes) -> Iterator[tuple[int, bytes]]:
        position = 0
        while position < len(chunk):
            tag, size, position = chunk[position], 0, position + 1
            while True:
                byte = chunk[position]
                position += 1
                size = size << 7 | byte & 127
                if not byte & 128:
                    break
            if position + size > len(chunk):
                raise BrokenFile("a broken sound description")
            yield tag, chunk[position : position + size]
            position += size

    outer = list(descriptors(data[4:]))
    if data[:4] != bytes(4) or [tag for tag, _ in outer] != [3]:
        return False
    if len(outer[0][1]) < 3 or outer[0][1][0] or outer[0][1][2]:
        return False
    for tag, payload in descriptors(outer[0][1][3:]):
        if tag == 4:
            # AAC, a sound stream; its buffer and its rates
            sizes = b"\0" + payload[2:13]
            if payload[:2] != b"\x40\x15" or not boxes.plain_numbers(sizes):
                return False
            for inner, config in descriptors(payload[13:]):
                if inner != 5 or not boxes.plain_sound_configuration(config):
                    return False
        elif (tag, payload) != (6, b"\2"):
            return False
    return True


def count_units(data: bytes, track: Track, out: Counter[str]) -> None:
    """Counts NAL units of a sample that are not on the list, or hold more than theirs."""
    position, length_size = 0, track.length_size
    while position < len(data):
        size = int.from_bytes(data[position : position + length_size], "big")
        position += length_size
        if size == 0 or position + size > len(data):
            raise BrokenFile("a broken picture")
        kind = data[position] & 31
        if kind == 6:
            for payload, length in _sei(data[position + 1 : position + size]):
                if payload not in _SEI_ALLOWED:
                    out[f"SEI {payload}"] += 1
                elif not boxes.plain_message(payload, length):
                    out[f"SEI {payload} with content"] += 1
        elif kind in (7, 8):
            if data[position : position + size] not in track.parameters:
                out[f"NAL {kind} that the index does not have"] += 1
        elif kind in (9, 10, 11):  # H.264 7.3.2.4 to 7.3.2.6: one byte, and nothing
            if size != (2 if kind == 9 else 1):
                out[f"NAL {kind} with content"] += 1
        elif kind == 12:
            if data[position + 1 : position + size].strip(b"\xff") not in (b"", b"\x80"):
                out["filler with content"] += 1
        elif kind not in _NAL_ALLOWED:
            out[f"NAL {kind}"] += 1
        position += size


def _sei(data: bytes) -> list[tuple[int, int]]:
    """Types and sizes of payloads of an SEI unit (H.264 7.3.2.3), without emulation prevention."""
    data = data.replace(b"\0\0\3", b"\0\0")
    kinds, position = [], 0
    while position < len(data) and data[position:] != b"\x80":
        values = []
        for _ in range(2):
            value = 0
            while data[position] == 255:
                value += 255
                position += 1
            values.append(value + data[position])
            position += 1
        kinds.append((values[0], values[1]))
        position += values[1]
    return kinds
