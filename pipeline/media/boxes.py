"""What the number boxes of a finished MP4 may hold: the numbers a muxer writes, and no text.

Every value is bounded by what it stands for: a duration by the samples, an entry of a table by
their number, a constant by the constant (ISO/IEC 14496-12; the values of `sdtp` and of the
chapter track are those that ffmpeg writes). Four letters are a number above 0x20000000, so that
a free number has to be below that.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

_LARGEST_NUMBER = 0x20000000
_LARGEST_TIMESCALE = 10_000_000
_GROUPS = 3  # of tracks that stand for each other: ffmpeg numbers them by kind
_LONGEST_SHIFT_S = 60  # between decoding and showing, or before a track begins
_MATRIX = (0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
_GRAPHICS = bytes.fromhex("00000000 0040 8000 8000 8000 0000 0000")
_TEXT_HEADER = struct.pack(">9I", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
# data reference 1, flags 1, no colours, a font table of one empty name
_TEXT_ENTRY = bytes.fromhex(
    "00000000 00000001 00000001 00000000 00000000"
    "00000000 00000000 00000001 00000000 00000000"
    "000d66 74616200 01000100"
)
# 3GPP TS 26.245, 5.16, as ffmpeg writes it for WebVTT: data reference 1, no flags, centred at the
# bottom on black, no box, one style of 16 px in white, a font table of one name
_CAPTION_ENTRY = (
    bytes.fromhex(
        "000000000000 0001 00000000 01ff 000000ff 0000000000000000"
        "0000 0000 0001 00 10 ffffffff 00000012 66746162 0001 0001 05"
    )
    + b"Arial"
)
_RATES = b"\0\0\0\x14btrt"
# H.264 annex D: the size of the payload of a message, in bytes
_MESSAGE_SIZES = {0: 32, 1: 16, 6: 4, 47: 8, 137: 24, 144: 4, 147: 1}


@dataclass
class Tables:
    """Boxes of one track by name, and what they say of it."""

    kind: str
    boxes: dict[str, bytes]
    groups: list[bytes] = field(default_factory=list)  # every `sbgp`
    aspect: tuple[int, int] = (1, 1)
    samples: int = 0


def odd_boxes(mvhd: bytes, tracks: Sequence[Tables]) -> list[str]:
    """Names of the boxes that hold what no muxer writes there.

    Raises struct.error or ValueError for a box that is too short.
    """
    timescale, duration, rest = _times(mvhd)
    odd = [f"{t.kind} {name}" for t in tracks for name in _odd_tables(t, timescale, len(tracks))]
    spans = [_track_duration(t.boxes["tkhd"]) for t in tracks if "tkhd" in t.boxes]
    fixed = struct.pack(">IH10x9I24x", 0x10000, 0x100, *_MATRIX)
    (following,) = struct.unpack(">I", rest[-4:])
    if (
        mvhd[1:4] != bytes(3)
        or not 0 < timescale <= _LARGEST_TIMESCALE
        or duration != max(spans, default=0)
        or rest[:-4] != fixed
        or following > len(tracks) + 1
    ):
        odd.append("mvhd")
    return odd


def _times(header: bytes) -> tuple[int, int, bytes]:
    """Time scale, duration and what follows, of `mvhd` or `mdhd`."""
    if header[0]:
        timescale, duration = struct.unpack_from(">IQ", header, 20)
        return timescale, duration, header[32:]
    timescale, duration = struct.unpack_from(">II", header, 12)
    return timescale, duration, header[20:]


def duration_s(mvhd: bytes) -> float:
    timescale, duration, _ = _times(mvhd)
    return duration / max(1, timescale)


def _track_duration(tkhd: bytes) -> int:
    return int(struct.unpack_from(">Q" if tkhd[0] else ">I", tkhd, 28 if tkhd[0] else 20)[0])


def _table(data: bytes | None, columns: int, kind: str = ">u4") -> NDArray[np.int64]:
    """(entries, columns) of a table behind a full box header and a count."""
    if data is None:
        return np.zeros((0, columns), np.int64)
    return np.frombuffer(data, kind, offset=8).reshape(-1, columns).astype(np.int64)


def _odd_tables(track: Tables, movie_timescale: int, tracks: int) -> list[str]:
    boxes, count, odd = track.boxes, track.samples, []
    timescale, duration, rest = _times(boxes["mdhd"])
    for name in ("stsd", "stts", "ctts", "stss", "stsz", "stsc", "stco", "co64", "elst", "mdhd"):
        data = boxes.get(name)
        versions = {"ctts": (0, 1), "elst": (0, 1), "mdhd": (0, 1)}.get(name, (0,))
        if data is not None and (data[0] not in versions or data[1:4] != bytes(3)):
            odd.append(name)

    times, shifts = _table(boxes.get("stts"), 2), _table(boxes.get("ctts"), 2, ">i4")
    longest = int(np.abs(shifts[:, 1]).max(initial=0))
    shift_ok = (shifts[:, 0] >= 1).all() and longest <= _LONGEST_SHIFT_S * timescale
    if (times[:, 0] < 1).any() or times[:, 0].sum() != count:
        odd.append("stts")
    if len(shifts) and (not shift_ok or shifts[:, 0].sum() != count):
        odd.append("ctts")
    if not odd and len(shifts):
        lengths = np.repeat(times[:, 1], times[:, 0])
        shown = np.cumsum(lengths) - lengths + np.repeat(shifts[:, 1], shifts[:, 0])
        if len(np.unique(shown)) != count:  # no two pictures at one time
            odd.append("ctts")

    decoded = int((times[:, 0] * times[:, 1]).sum())
    slack = longest + 2
    (language,) = struct.unpack_from(">H", rest)
    letters = [language >> at & 31 for at in (10, 5, 0)]
    named = language in (0, 0x7FFF) or (language < 0x8000 and all(1 <= v <= 26 for v in letters))
    if (
        not 0 < timescale <= _LARGEST_TIMESCALE
        or abs(duration - decoded) > 2
        or not named
        or rest[2:] != bytes(2)
    ):
        odd.append("mdhd")

    odd += _odd_edit(track, movie_timescale, timescale, duration + slack)
    odd += _odd_track_header(track, tracks)

    keys = _table(boxes.get("stss"), 1)[:, 0]
    if (np.diff(keys, prepend=0) < 1).any() or keys.max(initial=0) > count:
        odd.append("stss")
    runs = _table(boxes.get("stsc"), 3)
    chunks = len(_table(boxes.get("stco"), 1)) or len(_table(boxes.get("co64"), 1, ">u8"))
    if (
        (np.diff(runs[:, 0], prepend=0) < 1).any()
        or runs[:, 0].max(initial=0) > chunks
        or (runs[:, 1] < 1).any()
        or (runs[:, 2] != 1).any()
    ):
        odd.append("stsc")
    if "sdtp" in boxes and not _dependencies(boxes["sdtp"], count):
        odd.append("sdtp")
    for group in track.groups:
        entries = np.frombuffer(group, ">u4", offset=12).reshape(-1, 2).astype(np.int64)
        whole = (entries[:, 0] >= 1).all() and entries[:, 0].sum() == count
        if group[:4] != bytes(4) or not whole or not np.isin(entries[:, 1], (0, 1)).all():
            odd.append("sbgp")
    for name, fixed in (("gmin", _GRAPHICS), ("text", _TEXT_HEADER)):
        if boxes.get(name, fixed) != fixed:
            odd.append(name)
    if "chap" in boxes and not 1 <= struct.unpack(">I", boxes["chap"])[0] <= tracks:
        odd.append("chap")
    return odd


def _odd_edit(track: Tables, movie_timescale: int, timescale: int, longest: int) -> list[str]:
    """An edit list shows what is there; the track lasts as long as its edits."""
    total = _track_duration(track.boxes["tkhd"])
    data = track.boxes.get("elst")
    if data is None:
        here = total * timescale / movie_timescale if movie_timescale else 0.0
        return [] if here <= longest + timescale / max(1, movie_timescale) else ["tkhd"]
    form, each = (">QqI", 20) if data[0] else (">IiI", 12)
    edits = [struct.unpack_from(form, data, at) for at in range(8, len(data), each)]
    shown = sum(span for span, start, _ in edits if start >= 0)
    good = (
        1 <= len(edits) <= 3
        and all(rate == 0x10000 for _, _, rate in edits)
        and all(-1 <= start <= longest for _, start, _ in edits)
        and sum(span for span, start, _ in edits if start == -1)
        <= _LONGEST_SHIFT_S * movie_timescale
        and (shown - 2) * timescale <= longest * movie_timescale
    )
    odd = [] if good else ["elst"]
    # The one is rounded up to the movie's ticks, the others to the nearest.
    rounded = total - sum(span for span, _, _ in edits)
    return odd if 0 <= rounded <= len(edits) else [*odd, "tkhd"]


def _odd_track_header(track: Tables, tracks: int) -> list[str]:
    data = track.boxes["tkhd"]
    wide = data[0] == 1
    number, reserved = struct.unpack_from(">II", data, 20 if wide else 12)
    tail = data[36:] if wide else data[24:]
    zero, layer, group, volume, none = struct.unpack_from(">8sHHHH", tail)
    matrix = struct.unpack_from(">9i", tail, 16)
    width, height = struct.unpack_from(">II", tail, 52)
    coded_width, coded_height = (0, 0)
    if track.kind == "vide":
        coded_width, coded_height = struct.unpack_from(">HH", track.boxes["stsd"], 40)
    across, up = track.aspect
    places = {0, coded_width << 16, coded_height << 16}
    good = (
        data[1:3] == bytes(2)
        and data[3] <= 15
        and 1 <= number <= tracks
        and (reserved, zero, layer, none) == (0, bytes(8), 0, 0)
        and group <= _GROUPS
        and volume in (0, 0x100)
        and all(matrix[at] in (0, 0x10000, -0x10000) for at in (0, 1, 3, 4))
        and (matrix[2], matrix[5], matrix[8]) == (0, 0, 0x40000000)
        and {matrix[6], matrix[7]} <= places
        and height == coded_height << 16
        and abs(width / 65536 - coded_width * across / max(1, up)) <= 1
    )
    return [] if good else ["tkhd"]


def _dependencies(data: bytes, count: int) -> bool:
    """ISO/IEC 14496-12, 8.6.4: a byte per sample. is_leading and sample_has_redundancy are
    0 (unknown), as ffmpeg writes them; 3 is reserved in the two others."""
    values = np.frombuffer(data, np.uint8, offset=4)
    depends, needed = values >> 4 & 3, values >> 2 & 3
    unused = (values & 0b11000011 != 0) | (depends == 3) | (needed == 3)
    return data[:4] == bytes(4) and len(values) == count and not bool(unused.any())


def plain_description(data: bytes) -> bool:
    """`sgpd` of a roll: one distance of a few samples."""
    if len(data) != 18:
        return False
    head, length, entries, distance = struct.unpack(">4s4xIIh", data)
    return (head, length, entries) == (b"\1\0\0\0", 2, 1) and abs(distance) <= 32


def plain_text_entry(inner: bytes) -> bool:
    """The sample description of ffmpeg's chapter track."""
    return _with_rates(inner, _TEXT_ENTRY)


def plain_caption_entry(inner: bytes) -> bool:
    """The sample description of ffmpeg's track of captions."""
    return _with_rates(inner, _CAPTION_ENTRY)


def _with_rates(inner: bytes, entry: bytes) -> bool:
    rates = inner.removeprefix(entry)
    if not inner.startswith(entry) or not rates:
        return inner == entry
    return rates[:8] == _RATES and len(rates) == 20 and plain_numbers(rates[8:])


def plain_numbers(data: bytes) -> bool:
    """Sizes and rates of `btrt`, none of which can be four letters."""
    return bool((np.frombuffer(data, ">u4") < _LARGEST_NUMBER).all())


def plain_video_entry(head: bytes) -> bool:
    """The numbers around size and name of an `avc1` entry: constants of ISO/IEC 14496-12."""
    constants = struct.pack(">IIIH", 0x480000, 0x480000, 0, 1)
    return head[6:8] == b"\0\1" and head[28:42] == constants and head[74:78] == b"\0\x18\xff\xff"


def plain_sound_entry(head: bytes) -> bool:
    reference, channels, bits, zero, rate = struct.unpack(">6xH8xHHII", head)
    return (reference, bits, zero, rate & 0xFFFF) == (1, 16, 0, 0) and 1 <= channels <= 8


def plain_extra(name: str, data: bytes) -> bool:
    """The small boxes of a picture's entry."""
    if name == "colr":
        codes = struct.unpack_from(">HHH", data, 4)
        return max(codes) <= 22 and data[10:] in (b"", b"\0", b"\x80")
    if name == "pasp":
        return bool(max(struct.unpack(">II", data)) < 0x2000)
    if name == "fiel":
        return tuple(data) in {(1, 0), *((2, order) for order in (0, 1, 6, 9, 14))}
    return plain_numbers(data)


def plain_sound_configuration(data: bytes) -> bool:
    """AudioSpecificConfig, ISO/IEC 14496-3, 1.6.2.1: two bytes, and the mark that says
    whether there is a band behind it."""
    return len(data) in (2, 5) and data[2:4] in (b"", b"\x56\xe5")


def plain_message(kind: int, size: int) -> bool:
    return size <= _MESSAGE_SIZES.get(kind, 0)
