"""What a finished MP4 may contain: a list of what is allowed, and nothing else.

The file is read box by box (ISO/IEC 14496-12 and -15, boxes of chapter tracks
from the QuickTime file format specification), every sample is followed to its
bytes, every H.264 NAL unit is typed (ITU-T H.264 table 7-1, annex D for SEI).
PyAV reads the file a second time, as a player would. A box, field or byte that
is not on the list fails the check; values found are never repeated in a check,
since they may name someone.

A file passes if ffmpeg wrote it with
    -map_metadata:g -1 -map_metadata:s -1 -fflags +bitexact -flags:v +bitexact
    -flags:a +bitexact -brand isom -bsf:v filter_units=remove_types=6
and mapped one video stream, at most one sound stream and chapters. Without
`-flags:a +bitexact` the AAC encoder signs the first frame; without the
bitstream filter x264 writes its settings as SEI user data; without `-fflags
+bitexact` the muxer adds its name.
"""

from __future__ import annotations

import re
import struct
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pipeline.media import boxes
from pipeline.media.parameter_sets import plain_sets
from pipeline.model.release import Check

_BRANDS = {b"isom", b"iso2", b"iso4", b"iso5", b"iso6", b"avc1", b"mp41", b"mp42"}
_CHILDREN: dict[str, set[str]] = {
    "": {"ftyp", "moov", "mdat", "free"},
    "moov": {"mvhd", "trak", "udta"},
    "moov/udta": {"meta", "chpl"},
    "moov/trak": {"tkhd", "edts", "tref", "mdia"},
    "moov/trak/edts": {"elst"},
    "moov/trak/tref": {"chap"},
    "moov/trak/mdia": {"mdhd", "hdlr", "minf"},
    "moov/trak/mdia/minf": {"vmhd", "smhd", "gmhd", "dinf", "stbl"},
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
}
_ENTRY_FIXED = {"avc1": 78, "mp4a": 28}
_MANY = {"trak", "mdat", "free", "sgpd", "sbgp"}
_HANDLER_NAMES = {b"", b"VideoHandler", b"SoundHandler", b"SubtitleHandler", b"TextHandler"}
_COMPRESSORS = {b"", b"Lavc libx264", b"libx264", b"H.264"}
_SEI_ALLOWED = {0, 1, 6, 47, 137, 144, 147}  # timing, recovery point, colour volume
_NAL_ALLOWED = {1, 5, 7, 8, 9, 10, 11, 12}
_SIGNATURE = re.compile(
    rb"Lav[cf]\d{0,3}[.\s]|x264 - |HandBrake|Exif\x00|<x:xmpmeta|ID3[\x02-\x04]\x00"
)
_EMPTY_META = bytes(7) + b"!hdlr" + bytes(8) + b"mdirappl" + bytes(9) + b"\x00\x00\x00\x08ilst"
_STREAM_TAGS = {"language", "handler_name", "vendor_id"}
_FILE_TAGS = {"major_brand", "minor_version", "compatible_brands"}
_SOUND_PRIMING_S = 0.1  # an AAC encoder's priming is 1024 or 2112 samples (ISO/IEC 14496-24)
_LARGEST_INDEX = 512 << 20
_LARGEST_SET = (64, 12)  # bytes of a sequence and of a picture parameter set; x264 writes 25, 6


class _Broken(Exception):
    """The file cannot be walked."""


@dataclass
class _Track:
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
class _File:
    movie_timescale: int = 0
    tracks: list[_Track] = field(default_factory=list)
    media: list[tuple[int, int]] = field(default_factory=list)
    strange: Counter[str] = field(default_factory=Counter)
    times: int = 0
    names: int = 0
    titles: list[str] = field(default_factory=list)
    title_times: list[int] = field(default_factory=list)
    movie_header: bytes = b""


def check_container(
    path: Path | str, title_allowed: Callable[[str], bool] = lambda _: False
) -> list[Check]:
    """Checks of a finished file against the list of what it may contain.

    title_allowed: whether a chapter may have this title; none may if nobody says so.
    Every check has a count or a word as `measured` and the allowed value as
    `limit`. A file that cannot be read gives one failed check. Never raises
    for the content of the file; OSError if it cannot be opened at all.
    """
    with open(path, "rb") as stream:
        try:
            found = _walk_file(stream)
            whole = _check("file is a whole MP4", "yes", "yes", True)
        except (_Broken, struct.error, IndexError, ValueError, OverflowError) as error:
            reason = str(error) if isinstance(error, _Broken) else "not to be read as MP4"
            return [_check("file is a whole MP4", reason, "yes", False)]
        checks = [whole, *_structure(found)]
        try:
            checks += _contents(stream, found, title_allowed)
        except (_Broken, struct.error, IndexError, ValueError, OverflowError):
            checks.append(_check("every sample can be followed", "no", "yes", False))
    return checks + _as_player(Path(path))


def _check(name: str, measured: float | str | None, limit: float | str | None, ok: bool,
           unit: str = "") -> Check:  # fmt: skip
    return Check(check=name, measured=measured, limit=limit, unit=unit, passed=ok)


def _none(name: str, count: int, unit: str = "") -> Check:
    return _check(name, float(count), 0.0, count == 0, unit)


# walking the boxes


def _word(kind: bytes) -> str:
    """A box type for people; anything but plain letters is shown as '????'."""
    return kind.decode("ascii") if re.fullmatch(rb"[A-Za-z0-9 ]{4}", kind) else "????"


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """(type, payload) of the boxes that fill `data` exactly."""
    position = 0
    while position < len(data):
        size, kind = struct.unpack_from(">I4s", data, position)
        head = 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, position + 8)
            head = 16
        if size < head or position + size > len(data):
            raise _Broken("a box is longer than what holds it")
        yield kind, data[position + head : position + size]
        position += size


def _walk_file(stream: BinaryIO) -> _File:
    found = _File()
    stream.seek(0, 2)
    end = stream.tell()
    position, seen = 0, Counter[str]()
    while position < end:
        stream.seek(position)
        head = stream.read(16)
        if len(head) < 8:
            raise _Broken("bytes after the last box")
        size, kind = struct.unpack_from(">I4s", head)
        length = 8
        if size == 1:
            if len(head) < 16:
                raise _Broken("cut off")
            (size,) = struct.unpack_from(">Q", head, 8)
            length = 16
        elif size == 0:
            size = end - position
        if size < length or position + size > end:
            raise _Broken("not an MP4, or cut off")
        name = _word(kind)
        if position == 0 and name != "ftyp":
            raise _Broken("not an MP4")
        seen[name] += 1
        if name not in _CHILDREN[""]:
            found.strange[name] += 1
        elif name == "mdat":
            found.media.append((position + length, position + size))
        elif size > _LARGEST_INDEX:
            raise _Broken("an index box is too large")
        else:
            stream.seek(position + length)
            payload = stream.read(size - length)
            if name == "ftyp":
                _file_type(payload, found)
            elif name == "free" and payload.strip(b"\0"):
                found.strange["free with content"] += 1
            elif name == "moov":
                _container("moov", payload, found, None)
        position += size
    for name in ("ftyp", "moov"):
        if seen[name] != 1:
            raise _Broken(f"{seen[name]} boxes of type {name}")
    for track in found.tracks:
        _samples(track)
    _numbers(found)
    return found


def _numbers(found: _File) -> None:
    """Numbers that are not what a muxer would write: text can be hidden in them."""
    try:
        tables = [
            boxes.Tables(t.kind, t.boxes, t.groups, t.aspect, len(t.sizes)) for t in found.tracks
        ]
        for name in boxes.odd_boxes(found.movie_header, tables):
            found.strange[f"{name} with content"] += 1
    except KeyError:
        raise _Broken("a track without its headers") from None
    found.strange["samples of no size"] += sum(int((t.sizes == 0).sum()) for t in found.tracks)
    last_s = boxes.duration_s(found.movie_header)
    if any(np.diff(found.title_times) <= 0) or max(found.title_times, default=0) > last_s * 1e7:
        found.strange["chpl with content"] += 1
    found.strange = +found.strange


def _file_type(payload: bytes, found: _File) -> None:
    if len(payload) % 4 or len(payload) < 8:
        raise _Broken("a broken file type")
    brands = [payload[:4], *(payload[i : i + 4] for i in range(8, len(payload), 4))]
    if not set(brands) <= _BRANDS:
        found.strange["ftyp brand"] += 1
    if struct.unpack_from(">I", payload, 4)[0] not in (0, 1, 512):
        found.strange["ftyp version"] += 1


def _container(path: str, payload: bytes, found: _File, track: _Track | None) -> None:
    seen: Counter[str] = Counter()
    for kind, inner in _boxes(payload):
        name = _word(kind)
        place = f"{path}/{name}"
        seen[name] += 1
        if name not in _CHILDREN[path] or (seen[name] > 1 and name not in _MANY):
            found.strange[place] += 1
        elif name == "trak":
            new = _Track()
            found.tracks.append(new)
            _container(place, inner, found, new)
        elif place in _CHILDREN:
            _container(place, inner, found, track)
        elif not _leaf(place, name, inner, found, track):
            found.strange[place] += 1


def _leaf(place: str, name: str, data: bytes, found: _File, track: _Track | None) -> bool:
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


def _header(name: str, version: int, data: bytes, found: _File, track: _Track | None) -> bool:
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


def _handler(data: bytes, found: _File, track: _Track) -> bool:
    if len(data) < 21:
        return False
    track.kind = _word(data[8:12])
    # Four bytes in front of the type and twelve behind it are reserved.
    clean = data[:8] == bytes(8) and data[12:24].rstrip(b"\0") in (b"", b"appl")
    name = data[24:]
    if name[-1:] == b"\0":
        name = name[:-1]
    elif name and name[0] == len(name) - 1:
        name = name[1:]
    found.names += name not in _HANDLER_NAMES
    return clean


def _description(data: bytes, found: _File, track: _Track) -> bool:
    (count,) = struct.unpack_from(">I", data, 4)
    entries = list(_boxes(data[8:]))
    if count != 1 or len(entries) != 1:
        return False
    kind, inner = entries[0]
    track.entry = _word(kind)
    if track.entry == "text":
        return boxes.plain_text_entry(inner)
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
        found.names += name.rstrip(b"\0") not in _COMPRESSORS
        ok &= head[43 + length : 74].strip(b"\0") == b"" and head[8:24] == bytes(16)
        ok &= boxes.plain_video_entry(head)
    else:
        ok &= head[8:16] == bytes(8) and boxes.plain_sound_entry(head)
    for child, payload in _boxes(rest):
        name_ = _word(child)
        ok &= name_ in _ENTRY_CHILDREN[track.entry] and _entry_leaf(name_, payload, track)
    if track.entry == "avc1":
        width, height = struct.unpack_from(">HH", head, 24)
        sets = track.parameters
        ok &= len(sets) == 2 and plain_sets(sets[0], sets[1], width, height)
    return ok


def _entry_leaf(name: str, data: bytes, track: _Track) -> bool:
    if name == "colr":
        known = (data[:4], len(data)) in ((b"nclx", 11), (b"nclc", 10))
        return known and boxes.plain_extra(name, data)
    if name == "avcC":
        return _avc_configuration(data, track)
    if name == "esds":
        return _sound_configuration(data)
    if len(data) != {"pasp": 8, "btrt": 12, "fiel": 2}[name]:
        return False
    if name == "pasp":
        track.aspect = struct.unpack(">II", data)
    return boxes.plain_extra(name, data)


def _avc_configuration(data: bytes, track: _Track) -> bool:
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


def _sound_configuration(data: bytes) -> bool:
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
                raise _Broken("a broken sound description")
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


def _chapter_list(data: bytes, found: _File) -> bool:
    position = 8
    count = data[position]
    position += 1
    for _ in range(count):
        found.title_times.append(struct.unpack_from(">Q", data, position)[0])
        length = data[position + 8]
        found.titles.append(data[position + 9 : position + 9 + length].decode("utf-8", "replace"))
        position += 9 + length
    return position == len(data) and data[:8] == b"\1" + bytes(7)


def _samples(track: _Track) -> None:
    """Offsets and sizes in bytes of every sample, from the sample tables."""
    sizes = track.boxes.get("stsz", bytes(12))
    uniform, count = struct.unpack_from(">II", sizes, 4)
    if uniform:
        if count > 1 << 26:
            raise _Broken("too many samples")
        track.sizes = np.full(count, uniform, np.int64)
    else:
        track.sizes = np.frombuffer(sizes, ">u4", count, 12).astype(np.int64)
    if "co64" in track.boxes:
        chunks = np.frombuffer(track.boxes["co64"], ">u8", offset=8).astype(np.int64)
    else:
        chunks = np.frombuffer(track.boxes.get("stco", bytes(8)), ">u4", offset=8).astype(np.int64)
    runs = np.frombuffer(track.boxes.get("stsc", bytes(8)), ">u4", offset=8).reshape(-1, 3)
    runs = runs.astype(np.int64)
    if len(chunks) and (not len(runs) or runs[0, 0] != 1):
        raise _Broken("a broken sample table")
    stops = np.append(runs[1:, 0], len(chunks) + 1)
    per_chunk = _repeat(runs[:, 1], np.maximum(0, stops - runs[:, 0]), len(chunks))
    if int(per_chunk.sum()) != count:
        raise _Broken("a broken sample table")
    first = np.cumsum(per_chunk) - per_chunk
    start = np.cumsum(track.sizes) - track.sizes
    inside = start - np.repeat(start[first] if count else start, per_chunk)
    track.offsets = np.repeat(chunks, per_chunk) + inside


def _repeat(
    values: NDArray[np.int64], times: NDArray[np.int64], expected: int
) -> NDArray[np.int64]:
    """np.repeat whose length is known; a table that says otherwise is broken."""
    if int(times.sum()) != expected:
        raise _Broken("a broken sample table")
    return np.repeat(values, times)


# what was found, against the list


def _structure(found: _File) -> list[Check]:
    kinds = Counter((track.kind, track.entry) for track in found.tracks)
    video, sound = kinds[("vide", "avc1")], kinds[("soun", "mp4a")]
    chapters = kinds[("text", "text")]
    other = len(found.tracks) - video - sound - chapters
    ok = video == 1 and sound <= 1 and chapters <= 1 and other == 0
    strange = sum(found.strange.values())
    where = ", ".join(sorted(found.strange)[:5])
    return [
        _check(
            "boxes and fields not on the list",
            f"{strange}: {where}" if strange else 0.0,
            0.0,
            strange == 0,
        ),
        _check(
            "streams",
            f"{video} video, {sound} sound, {chapters} chapters, {other} other",
            "1 video, at most 1 sound, at most 1 chapters, 0 other",
            ok,
        ),
        _none("times of creation and change", found.times),
        _none("handler and encoder names not on the list", found.names),
    ]


def _contents(stream: BinaryIO, found: _File, title_allowed: Callable[[str], bool]) -> list[Check]:
    checks = [_coverage(found)]
    units: Counter[str] = Counter()
    signed = hidden = hidden_s = 0.0
    for track in found.tracks:
        if track.kind == "vide" and track.entry == "avc1":
            for data in _read(stream, track):
                _units(data, track, units)
            hidden += _hidden(track, found.movie_timescale)[0]
        elif track.kind == "soun":
            signed += sum(len(_SIGNATURE.findall(data)) for data in _read(stream, track))
            hidden_s += _hidden(track, found.movie_timescale)[1]
        elif track.kind == "text":
            for data in _read(stream, track):
                title, clean = _chapter_sample(data)
                found.titles.append(title)
                if not clean:
                    units["chapter text with an addition"] += 1
    what = ", ".join(sorted(units)[:5])
    total = sum(units.values())
    titles = list(dict.fromkeys(found.titles))
    return [
        *checks,
        _check(
            "messages inside the streams",
            f"{total}: {what}" if total else 0.0,
            0.0,
            total == 0,
        ),
        _none("encoder strings in the sound", int(signed)),
        _none("pictures that no player shows", int(hidden)),
        _check(
            "sound that no player plays",
            round(hidden_s, 3),
            _SOUND_PRIMING_S,
            hidden_s <= _SOUND_PRIMING_S,
            "s",
        ),
        _none(
            "chapter titles that nobody confirmed",
            sum(not title_allowed(title) for title in titles),
        ),
    ]


def _coverage(found: _File) -> Check:
    """Bytes of the media data that belong to no sample, and samples outside it."""
    starts = np.concatenate([t.offsets for t in found.tracks] or [np.zeros(0, np.int64)])
    sizes = np.concatenate([t.sizes for t in found.tracks] or [np.zeros(0, np.int64)])
    order = np.argsort(starts, kind="stable")
    starts, stops = starts[order], (starts + sizes)[order]
    reach = np.maximum.accumulate(stops) if len(stops) else stops
    loose = 0
    inside = np.zeros(len(starts), bool)
    for first, last in found.media:
        here = (starts >= first) & (stops <= last)
        inside |= here
        edges = np.concatenate([[first], reach[here]])
        loose += int(np.maximum(0, np.append(starts[here], last) - edges).sum())
    outside = int(sizes[order][~inside].sum())
    return _none("bytes that belong to no sample", loose + outside, "byte")


def _read(stream: BinaryIO, track: _Track) -> Iterator[bytes]:
    """The bytes of every sample, in order of the track."""
    for offset, size in zip(track.offsets.tolist(), track.sizes.tolist(), strict=True):
        if size > 64 << 20:
            raise _Broken("a sample is too large")
        stream.seek(offset)
        data = stream.read(size)
        if len(data) != size:
            raise _Broken("cut off")
        yield data


def _units(data: bytes, track: _Track, out: Counter[str]) -> None:
    """Counts NAL units of a sample that are not on the list, or hold more than theirs."""
    position, length_size = 0, track.length_size
    while position < len(data):
        size = int.from_bytes(data[position : position + length_size], "big")
        position += length_size
        if size == 0 or position + size > len(data):
            raise _Broken("a broken picture")
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


def _chapter_sample(data: bytes) -> tuple[str, bool]:
    """Title of a QuickTime text sample, and whether only an encoding mark follows it."""
    (length,) = struct.unpack_from(">H", data)
    rest = data[2 + length :]
    title = data[2 : 2 + length].decode("utf-8", "replace")
    return title, rest in (b"", b"\0\0\0\x0cencd\0\0\1\0")


def _hidden(track: _Track, movie_timescale: int) -> tuple[int, float]:
    """Samples outside the edit list, as a number and in seconds of presentation."""
    count = len(track.sizes)
    pairs = np.frombuffer(track.boxes.get("stts", bytes(8)), ">u4", offset=8).reshape(-1, 2)
    if not track.timescale or not movie_timescale:
        raise _Broken("a broken time table")
    length = _repeat(pairs[:, 1].astype(np.int64), pairs[:, 0].astype(np.int64), count)
    shown = np.cumsum(length) - length
    if "ctts" in track.boxes:
        raw = np.frombuffer(track.boxes["ctts"], ">i4", offset=8).reshape(-1, 2)
        times = raw[:, 0].astype(np.int64) & 0xFFFFFFFF
        shown = shown + _repeat(raw[:, 1].astype(np.int64), times, count)
    if "elst" not in track.boxes:
        return 0, 0.0
    data = track.boxes["elst"]
    wide = data[0] == 1
    (entries,) = struct.unpack_from(">I", data, 4)
    visible = np.zeros(count, bool)
    for index in range(entries):
        span, start, rate = struct.unpack_from(
            ">QqI" if wide else ">IiI", data, 8 + index * (20 if wide else 12)
        )
        if rate != 0x10000:
            raise _Broken("an edit list that changes speed")
        if start < 0:
            continue
        # One tick of the movie's clock is lost in rounding.
        stop = start + (span + 1) * track.timescale / movie_timescale
        visible |= (shown + length > start) & (shown < stop)
    return int((~visible).sum()), float(length[~visible].sum() / track.timescale)


# as a player sees it


def _as_player(path: Path) -> list[Check]:
    import av
    from av.stream import Disposition

    try:
        with av.open(f"file:{path}", metadata_errors="replace") as container:
            tags = [key for key in container.metadata if key not in _FILE_TAGS]
            kinds: Counter[str] = Counter()
            pictures = 0
            for stream in container.streams:
                kinds[stream.type] += 1
                tags += [key for key in stream.metadata if key not in _STREAM_TAGS]
                if stream.metadata.get("encoder", "?").encode() in _COMPRESSORS:
                    tags.remove("encoder")
                pictures += bool(stream.disposition & Disposition.attached_pic)
                vendor = stream.metadata.get("vendor_id", "[0][0][0][0]")
                if vendor not in ("[0][0][0][0]", ""):
                    tags.append("vendor_id")
            other = kinds.total() - kinds["video"] - kinds["audio"] - min(1, kinds["data"])
    except (av.error.FFmpegError, OSError, ValueError):
        return [_check("a player opens the file", "no", "yes", False)]
    ok = kinds["video"] == 1 and kinds["audio"] <= 1 and other <= 0
    return [
        _none("tags that a player sees", len(tags)),
        _none("attached pictures", pictures),
        _check(
            "streams that a player sees",
            f"{kinds['video']} video, {kinds['audio']} sound, {max(0, other)} other",
            "1 video, at most 1 sound, 0 other",
            ok,
        ),
    ]
