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
and mapped one video stream, at most one sound stream, captions and chapters. Without
`-flags:a +bitexact` the AAC encoder signs the first frame; without the
bitstream filter x264 writes its settings as SEI user data; without `-fflags
+bitexact` the muxer adds its name.
"""

from __future__ import annotations

import re
import struct
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

import numpy as np

from pipeline.media.mp4_codec import count_units
from pipeline.media.mp4_file import BrokenFile, FileFound
from pipeline.media.mp4_samples import hidden_parts, sample_bytes
from pipeline.media.mp4_walk import COMPRESSORS, walk_file
from pipeline.model.release import Check

_SIGNATURE = re.compile(
    rb"Lav[cf]\d{0,3}[.\s]|x264 - |HandBrake|Exif\x00|<x:xmpmeta|ID3[\x02-\x04]\x00"
)
_STREAM_TAGS = {"language", "handler_name", "vendor_id"}
_FILE_TAGS = {"major_brand", "minor_version", "compatible_brands"}
_SOUND_PRIMING_S = 0.1  # an AAC encoder's priming is 1024 or 2112 samples (ISO/IEC 14496-24)


def check_container(
    path: Path | str,
    title_allowed: Callable[[str], bool] = lambda _: False,
    *,
    captions: bool = False,
    signed: bool = False,
) -> list[Check]:
    """Checks of a finished file against the list of what it may contain.

    title_allowed: whether a chapter may have this title; none may if nobody says so.
    captions: whether there may be a track of them; what it says is not judged here. signed:
    whether there may be one box with a signature; what it holds is not judged here either.
    Every check has a count or a word as `measured` and the allowed value as
    `limit`. A file that cannot be read gives one failed check. Never raises
    for the content of the file; OSError if it cannot be opened at all.
    """
    with open(path, "rb") as stream:
        try:
            found = walk_file(stream)
            found.strange["uuid"] += bool(found.signature) and not signed
            found.strange = +found.strange
            whole = _check("file is a whole MP4", "yes", "yes", True)
        except (BrokenFile, struct.error, IndexError, ValueError, OverflowError) as error:
            reason = str(error) if isinstance(error, BrokenFile) else "not to be read as MP4"
            return [_check("file is a whole MP4", reason, "yes", False)]
        checks = [whole, *_structure(found, captions)]
        try:
            checks += _contents(stream, found, title_allowed)
        except (BrokenFile, struct.error, IndexError, ValueError, OverflowError):
            checks.append(_check("every sample can be followed", "no", "yes", False))
    return checks + _as_player(Path(path), captions)


def _check(name: str, measured: float | str | None, limit: float | str | None, ok: bool,
           unit: str = "") -> Check:  # fmt: skip
    return Check(check=name, measured=measured, limit=limit, unit=unit, passed=ok)


def _none(name: str, count: int, unit: str = "") -> Check:
    return _check(name, float(count), 0.0, count == 0, unit)


# what was found, against the list


def _structure(found: FileFound, may: bool) -> list[Check]:
    kinds = Counter((track.kind, track.entry) for track in found.tracks)
    video, sound = kinds[("vide", "avc1")], kinds[("soun", "mp4a")]
    chapters = kinds[("text", "text")]
    captions = kinds[("sbtl", "tx3g")]
    other = len(found.tracks) - video - sound - chapters - captions
    ok = video == 1 and sound <= 1 and chapters <= 1 and captions <= may and other == 0
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
            f"{video} video, {sound} sound, {chapters} chapters, {captions} captions,"
            f" {other} other",
            f"1 video, at most 1 sound, at most 1 chapters, {_captions(may)}, 0 other",
            ok,
        ),
        _none("times of creation and change", found.times),
        _none("handler and encoder names not on the list", found.names),
    ]


def _contents(
    stream: BinaryIO, found: FileFound, title_allowed: Callable[[str], bool]
) -> list[Check]:
    checks = [_coverage(found)]
    units: Counter[str] = Counter()
    signed = hidden = hidden_s = 0.0
    for track in found.tracks:
        if track.kind == "vide" and track.entry == "avc1":
            for data in sample_bytes(stream, track):
                count_units(data, track, units)
            hidden += hidden_parts(track, found.movie_timescale)[0]
        elif track.kind == "soun":
            signed += sum(len(_SIGNATURE.findall(data)) for data in sample_bytes(stream, track))
            hidden_s += hidden_parts(track, found.movie_timescale)[1]
        elif track.kind == "text":
            for data in sample_bytes(stream, track):
                title, clean = _chapter_sample(data)
                found.titles.append(title)
                if not clean:
                    units["chapter text with an addition"] += 1
        elif track.kind == "sbtl":
            unseen = hidden_parts(track, found.movie_timescale)[0]
            units += Counter({"captions that no player shows": unseen})
            for data in sample_bytes(stream, track):
                (length,) = struct.unpack_from(">H", data)
                if len(data) != 2 + length:
                    units["caption with an addition"] += 1
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


def _coverage(found: FileFound) -> Check:
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


def _chapter_sample(data: bytes) -> tuple[str, bool]:
    """Title of a QuickTime text sample, and whether only an encoding mark follows it."""
    (length,) = struct.unpack_from(">H", data)
    rest = data[2 + length :]
    title = data[2 : 2 + length].decode("utf-8", "replace")
    return title, rest in (b"", b"\0\0\0\x0cencd\0\0\1\0")


def _captions(may: bool) -> str:
    return "at most 1 captions" if may else "0 captions"


# as a player sees it


def _as_player(path: Path, captions: bool) -> list[Check]:
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
                if stream.metadata.get("encoder", "?").encode() in COMPRESSORS:
                    tags.remove("encoder")
                pictures += bool(stream.disposition & Disposition.attached_pic)
                vendor = stream.metadata.get("vendor_id", "[0][0][0][0]")
                if vendor not in ("[0][0][0][0]", ""):
                    tags.append("vendor_id")
            known = kinds["video"] + kinds["audio"] + min(1, kinds["data"])
            other = kinds.total() - known - min(int(captions), kinds["subtitle"])
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
