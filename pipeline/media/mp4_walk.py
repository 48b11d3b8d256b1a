"""A finished MP4 walked box by box against the list of boxes and fields that it may hold.

ISO/IEC 14496-12 and -15; boxes of chapter tracks from the QuickTime file format
specification, of the track of captions from 3GPP TS 26.245. Values found are never
repeated, since they may name someone.
"""

from __future__ import annotations

import struct
from collections import Counter
from pathlib import Path
from typing import BinaryIO

import numpy as np

from pipeline.media import boxes, provenance_box
from pipeline.media.mp4_codec import avc_configuration, sound_configuration
from pipeline.media.mp4_file import BrokenFile, FileFound, Track, box_word, boxes_in
from pipeline.media.mp4_samples import follow_samples
from pipeline.media.parameter_sets import plain_sets

_BRANDS = {b"isom", b"iso2", b"iso4", b"iso5", b"iso6", b"avc1", b"mp41", b"mp42"}
_CHILDREN: dict[str, set[str]] = {
    "": {"ftyp", "moov", "mdat", "free"},
    "moov": {"mvhd", "trak", "udta"},
    "moov/udta": {"meta", "chpl"},
    "moov/trak": {"tkhd", "edts", "tref", "mdia"},
    "moov/trak/edts": {"elst"},
    "moov/trak/tref": {"chap"},
    "moov/trak/mdia": {"mdhd", "hdlr", "minf"},
    "moov/trak/mdia/minf": {"vmhd", "smhd", "nmhd", "gmhd", "dinf", "stbl"},
    "moov/trak/mdia/minf/gmhd": {"gmin", "text"},
    "moov/trak/mdia/minf/dinf": {"dref"},
    "moov/trak/mdia/minf/stbl": {
        "stsd", "stts", "ctts", "stss", "stsc", "stsz", "stco", "co64", "sgpd", "sbgp",
        "sdtp",
    },
}  # fmt: skip
_ENTRY_CHILDREN = {
    "avc1": {"avcC", "colr", "pasp", "btrt", "fiel"},
    "mp4a": {"esds", "btrt"},
    "text": set(),
    "tx3g": set(),
}
_ENTRY_FIXED = {"avc1": 78, "mp4a": 28}
_MANY = {"trak", "mdat", "free", "sgpd", "sbgp"}
_HANDLER_NAMES = {b"", b"VideoHandler", b"SoundHandler", b"SubtitleHandler", b"TextHandler"}
COMPRESSORS = {b"", b"Lavc libx264", b"libx264", b"H.264"}
_EMPTY_META = bytes(7) + b"!hdlr" + bytes(8) + b"mdirappl" + bytes(9) + b"\x00\x00\x00\x08ilst"
_LARGEST_INDEX = 512 << 20


def signature_box(path: Path) -> bytes:
    """What the box of a signature in a file holds; empty where it has none or is no whole MP4."""
    with open(path, "rb") as stream:
        try:
            return walk_file(stream).signature
        except (BrokenFile, struct.error, IndexError, ValueError, OverflowError):
            return b""


def walk_file(stream: BinaryIO) -> FileFound:
    found = FileFound()
    stream.seek(0, 2)
    end = stream.tell()
    position, seen = 0, Counter[str]()
    while position < end:
        stream.seek(position)
        head = stream.read(16)
        if len(head) < 8:
            raise BrokenFile("bytes after the last box")
        size, kind = struct.unpack_from(">I4s", head)
        length = 8
        if size == 1:
            if len(head) < 16:
                raise BrokenFile("cut off")
            (size,) = struct.unpack_from(">Q", head, 8)
            length = 16
        elif size == 0:
            size = end - position
        if size < length or position + size > end:
            raise BrokenFile("not an MP4, or cut off")
        name = box_word(kind)
        if position == 0 and name != "ftyp":
            raise BrokenFile("not an MP4")
        seen[name] += 1
        if name == "uuid" and size <= provenance_box.LARGEST and position == found.head:
            stream.seek(position + length)
            found.signature = stream.read(size - length)
            found.strange["uuid"] += not found.signature.startswith(provenance_box.BOX_UUID)
        elif name not in _CHILDREN[""]:
            found.strange[name] += 1
        elif name == "mdat":
            found.media.append((position + length, position + size))
        elif size > _LARGEST_INDEX:
            raise BrokenFile("an index box is too large")
        else:
            stream.seek(position + length)
            payload = stream.read(size - length)
            if name == "ftyp":
                _file_type(payload, found)
                found.head = position + size
            elif name == "free" and payload.strip(b"\0"):
                found.strange["free with content"] += 1
            elif name == "moov":
                _container("moov", payload, found, None)
        position += size
    for name in ("ftyp", "moov"):
        if seen[name] != 1:
            raise BrokenFile(f"{seen[name]} boxes of type {name}")
    for track in found.tracks:
        follow_samples(track)
    _numbers(found)
    return found


def _numbers(found: FileFound) -> None:
    """Numbers that are not what a muxer would write: text can be hidden in them."""
    try:
        tables = [
            boxes.Tables(t.kind, t.boxes, t.groups, t.aspect, len(t.sizes)) for t in found.tracks
        ]
        for name in boxes.odd_boxes(found.movie_header, tables):
            found.strange[f"{name} with content"] += 1
    except KeyError:
        raise BrokenFile("a track without its headers") from None
    found.strange["samples of no size"] += sum(int((t.sizes == 0).sum()) for t in found.tracks)
    last_s = boxes.duration_s(found.movie_header)
    if any(np.diff(found.title_times) <= 0) or max(found.title_times, default=0) > last_s * 1e7:
        found.strange["chpl with content"] += 1
    found.strange = +found.strange


def _file_type(payload: bytes, found: FileFound) -> None:
    if len(payload) % 4 or len(payload) < 8:
        raise BrokenFile("a broken file type")
    brands = [payload[:4], *(payload[i : i + 4] for i in range(8, len(payload), 4))]
    if not set(brands) <= _BRANDS:
        found.strange["ftyp brand"] += 1
    if struct.unpack_from(">I", payload, 4)[0] not in (0, 1, 512):
        found.strange["ftyp version"] += 1


def _container(path: str, payload: bytes, found: FileFound, track: Track | None) -> None:
    seen: Counter[str] = Counter()
    for kind, inner in boxes_in(payload):
        name = box_word(kind)
        place = f"{path}/{name}"
        seen[name] += 1
        if name not in _CHILDREN[path] or (seen[name] > 1 and name not in _MANY):
            found.strange[place] += 1
        elif name == "trak":
            new = Track()
            found.tracks.append(new)
            _container(place, inner, found, new)
        elif place in _CHILDREN:
            _container(place, inner, found, track)
        elif not _leaf(place, name, inner, found, track):
            found.strange[place] += 1


def _leaf(place: str, name: str, data: bytes, found: FileFound, track: Track | None) -> bool:
    """True if the box is exactly what its kind allows; fills `found` and `track`."""
    if place == "moov/udta/meta":
        return data == _EMPTY_META
    if place == "moov/udta/chpl":
        return _chapter_list(data, found)
    version = data[0]
    if name in ("mvhd", "tkhd", "mdhd"):
        return _header(name, version, data, found, track)
    if track is None:
        return False
    track.boxes[name] = data
    if name == "sbgp":
        track.groups.append(data)
    if name == "hdlr":
        return _handler(data, found, track)
    if name == "stsd":
        return _description(data, found, track)
    if name == "chap":
        return len(data) == 4
    if name == "dref":
        return data == b"\0\0\0\0\0\0\0\x01\0\0\0\x0curl \0\0\0\x01"
    if name in ("gmin", "text"):
        return True  # compared with what ffmpeg writes, when all is read
    if name == "nmhd":
        return data == bytes(4)
    if name in ("vmhd", "smhd"):
        return data in (bytes(8), b"\0\0\0\1" + bytes(8))
    if name == "sdtp":
        return True  # compared with the samples, when all is read
    if name == "sgpd":
        return data[4:8] in (b"roll", b"prol") and boxes.plain_description(data)
    if name == "sbgp":
        kind, entries = struct.unpack_from(">4sI", data, 4)
        return version == 0 and kind in (b"roll", b"prol") and len(data) == 12 + 8 * entries
    (count,) = struct.unpack_from(">I", data, 8 if name == "stsz" else 4)
    if name == "stsz":
        (uniform,) = struct.unpack_from(">I", data, 4)
        return len(data) == 12 + (0 if uniform else 4 * count)
    each = {"stts": 8, "ctts": 8, "stss": 4, "stsc": 12, "stco": 4, "co64": 8}.get(name)
    if name == "elst":
        each = 12 if version == 0 else 20
    return each is not None and len(data) == 8 + each * count


def _header(name: str, version: int, data: bytes, found: FileFound, track: Track | None) -> bool:
    size = {"mvhd": (100, 112), "tkhd": (84, 96), "mdhd": (24, 36)}[name]
    if version not in (0, 1) or len(data) != size[version]:
        return False
    made, changed = struct.unpack_from(">II" if version == 0 else ">QQ", data, 4)
    found.times += (made != 0) + (changed != 0)
    after = 12 if version == 0 else 20
    if track is not None:
        track.boxes[name] = data
    if name == "mvhd":
        found.movie_header = data
        (found.movie_timescale,) = struct.unpack_from(">I", data, after)
        tail = data[-74:-4]  # reserved, matrix, pre_defined
        return tail[:10] == bytes(10) and tail[-24:] == bytes(24)
    if name == "mdhd" and track is not None:
        (track.timescale,) = struct.unpack_from(">I", data, after)
    return track is not None


def _handler(data: bytes, found: FileFound, track: Track) -> bool:
    if len(data) < 21:
        return False
    track.kind = box_word(data[8:12])
    # Four bytes in front of the type and twelve behind it are reserved.
    clean = data[:8] == bytes(8) and data[12:24].rstrip(b"\0") in (b"", b"appl")
    name = data[24:]
    if name[-1:] == b"\0":
        name = name[:-1]
    elif name and name[0] == len(name) - 1:
        name = name[1:]
    found.names += name not in _HANDLER_NAMES
    return clean


def _description(data: bytes, found: FileFound, track: Track) -> bool:
    (count,) = struct.unpack_from(">I", data, 4)
    entries = list(boxes_in(data[8:]))
    if count != 1 or len(entries) != 1:
        return False
    kind, inner = entries[0]
    track.entry = box_word(kind)
    if track.entry == "text":
        return boxes.plain_text_entry(inner)
    if track.entry == "tx3g":
        return boxes.plain_caption_entry(inner)
    if track.entry not in _ENTRY_FIXED:
        return False
    fixed = _ENTRY_FIXED[track.entry]
    head, rest = inner[:fixed], inner[fixed:]
    if len(head) != fixed:
        return False
    ok = head[:6] == bytes(6)
    if track.entry == "avc1":
        length = head[42]
        name = head[43 : 43 + length] if length <= 31 else b"too long"
        found.names += name.rstrip(b"\0") not in COMPRESSORS
        ok &= head[43 + length : 74].strip(b"\0") == b"" and head[8:24] == bytes(16)
        ok &= boxes.plain_video_entry(head)
    else:
        ok &= head[8:16] == bytes(8) and boxes.plain_sound_entry(head)
    for child, payload in boxes_in(rest):
        name_ = box_word(child)
        ok &= name_ in _ENTRY_CHILDREN[track.entry] and _entry_leaf(name_, payload, track)
    if track.entry == "avc1":
        width, height = struct.unpack_from(">HH", head, 24)
        sets = track.parameters
        ok &= len(sets) == 2 and plain_sets(sets[0], sets[1], width, height)
    return ok


def _entry_leaf(name: str, data: bytes, track: Track) -> bool:
    if name == "colr":
        known = (data[:4], len(data)) in ((b"nclx", 11), (b"nclc", 10))
        return known and boxes.plain_extra(name, data)
    if name == "avcC":
        return avc_configuration(data, track)
    if name == "esds":
        return sound_configuration(data)
    if len(data) != {"pasp": 8, "btrt": 12, "fiel": 2}[name]:
        return False
    if name == "pasp":
        track.aspect = struct.unpack(">II", data)
    return boxes.plain_extra(name, data)


def _chapter_list(data: bytes, found: FileFound) -> bool:
    position = 8
    count = data[position]
    position += 1
    for _ in range(count):
        found.title_times.append(struct.unpack_from(">Q", data, position)[0])
        length = data[position + 8]
        found.titles.append(data[position + 9 : position + 9 + length].decode("utf-8", "replace"))
        position += 9 + length
    return position == len(data) and data[:8] == b"\1" + bytes(7)
