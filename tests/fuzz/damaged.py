"""Damaged, foreign and hostile files, made anew from a seed: nothing of them is kept.

`write_all` makes well over three hundred. Boxes are those of ISO/IEC 14496-12 (base media
file format), parameter sets those of ITU-T H.264, 7.3.2.1; both written from memory of
their layout and checked by what the reader makes of an undamaged one.
"""

from __future__ import annotations

import gzip
import io
import os
import random
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import media_zoo

REFUSED = frozenset({3})
# The file may be usable: then the run may end well, or withhold its clip.
EITHER = frozenset({0, 3, 4})


@dataclass(frozen=True)
class Damaged:
    """A file, the family it is of, and the exit codes that are right for it."""

    family: str
    path: Path
    codes: frozenset[int] = EITHER


# ---------------------------------------------------------------- whole files to start from


def base_files(folder: Path) -> dict[str, Path]:
    """Small whole recordings in the containers that people have."""
    small = {"width_px": 160, "height_px": 120, "seconds": 0.6, "flash_frames": (3,)}
    h264 = media_zoo.Coding(options={"preset": "veryfast", "crf": "24", "g": "5", "bf": "2"})
    mjpeg = media_zoo.Coding("mjpeg", "yuvj420p", full_range=True, options={}, bit_rate=400_000)
    mpeg2 = media_zoo.Coding("mpeg2video", options={"g": "5"}, bit_rate=500_000)
    made: dict[str, Path] = {}
    for name, coding, more in (
        ("mp4", h264, {}),
        ("fast.mp4", h264, {"container_options": {"movflags": "faststart"}}),
        ("frag.mp4", h264, {"container_options": {"movflags": "frag_keyframe+empty_moov"}}),
        ("mov", h264, {"audio_codec": "pcm_s16le"}),
        ("mkv", h264, {"audio_codec": "flac"}),
        ("avi", mjpeg, {"audio_codec": "pcm_s16le"}),
        ("ts", h264, {"time_base": Fraction(1, 90000), "start_s": 1.4}),
        ("mpg", mpeg2, {"audio_codec": "mp2"}),
    ):
        path = folder / f"base.{name}"
        media_zoo.zoo_clip(path, coding, **small, **more)  # type: ignore[arg-type]
        made[name] = path
    return made


# ---------------------------------------------------------------- an MP4 by hand


def box(kind: bytes, *parts: bytes) -> bytes:
    data = b"".join(parts)
    return struct.pack(">I", len(data) + 8) + kind + data


def full(kind: bytes, *parts: bytes, version: int = 0, flags: int = 0) -> bytes:
    return box(kind, struct.pack(">I", version << 24 | flags), *parts)


@dataclass
class Table:
    """The sample tables of one picture track; everything can be set to nonsense."""

    entry: bytes = b"png "
    width: int = 64
    height: int = 64
    timescale: int = 25
    duration: int = 25
    movie_timescale: int = 1000
    stts: tuple[tuple[int, int], ...] = ((25, 1),)
    stsc: tuple[tuple[int, int, int], ...] = ((1, 25, 1),)
    sizes: tuple[int, ...] = ()
    uniform: int = 0
    count: int = 25
    chunks: tuple[int, ...] = (0,)
    ctts: tuple[tuple[int, int], ...] = ()
    elst: tuple[tuple[int, int, int], ...] = ()
    matrix: tuple[int, ...] = (65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30)
    reference: bytes = b""
    extra: bytes = b""
    tracks: int = 1


def mp4(table: Table, media: bytes) -> bytes:
    """ftyp, mdat, moov. Offsets of `table.chunks` count from the start of the media data."""
    head = box(b"ftyp", b"isom\0\0\2\0isomiso2mp41")
    data = box(b"mdat", media)
    first = len(head) + 8
    entry = box(
        table.entry,
        bytes(6), struct.pack(">H", 1), bytes(16),
        struct.pack(">HHIIIH", table.width & 0xFFFF, table.height & 0xFFFF, 0x480000, 0x480000,
                    0, 1),
        bytes(32), struct.pack(">Hh", 24, -1), table.extra,
    )  # fmt: skip
    reference = table.reference or full(b"url ", flags=1)
    tables = [
        full(b"stsd", struct.pack(">I", 1), entry),
        full(b"stts", struct.pack(">I", len(table.stts)), *(struct.pack(">II", *p) for p in table.stts)),  # noqa: E501
        full(b"stsc", struct.pack(">I", len(table.stsc)), *(struct.pack(">III", *p) for p in table.stsc)),  # noqa: E501
        full(b"stsz", struct.pack(">II", table.uniform, table.count),
             *(struct.pack(">I", s) for s in table.sizes)),
        full(b"stco", struct.pack(">I", len(table.chunks)),
             *(struct.pack(">I", (first + c) & 0xFFFFFFFF) for c in table.chunks)),
    ]  # fmt: skip
    if table.ctts:
        tables.append(
            full(b"ctts", struct.pack(">I", len(table.ctts)),
                 *(struct.pack(">Ii", *p) for p in table.ctts), version=1)
        )  # fmt: skip
    mdia = box(
        b"mdia",
        full(b"mdhd", struct.pack(">IIIIHH", 0, 0, table.timescale, table.duration, 0x55C4, 0)),
        full(b"hdlr", bytes(4), b"vide", bytes(12), b"VideoHandler\0"),
        box(b"minf", full(b"vmhd", bytes(8), flags=1),
            box(b"dinf", full(b"dref", struct.pack(">I", 1), reference)),
            box(b"stbl", *tables)),
    )  # fmt: skip
    tkhd = full(
        b"tkhd",
        struct.pack(">IIIII", 0, 0, 1, 0, table.duration), bytes(16),
        struct.pack(">9i", *table.matrix),
        struct.pack(">II", table.width << 16 & 0xFFFFFFFF, table.height << 16 & 0xFFFFFFFF),
        flags=7,
    )  # fmt: skip
    edits = b""
    if table.elst:
        edits = box(
            b"edts",
            full(b"elst", struct.pack(">I", len(table.elst)),
                 *(struct.pack(">IiI", *p) for p in table.elst)),
        )  # fmt: skip
    mvhd = full(
        b"mvhd",
        struct.pack(">IIII", 0, 0, table.movie_timescale, table.duration), struct.pack(">IH", 65536, 256),  # noqa: E501
        bytes(10), struct.pack(">9i", 65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30), bytes(24),
        struct.pack(">I", 2),
    )  # fmt: skip
    track = box(b"trak", tkhd, edits, mdia)
    return head + data + box(b"moov", mvhd, track * table.tracks)


def png(
    width: int, height: int, rows: bytes | None = None, told: tuple[int, int] | None = None
) -> bytes:
    """A one-bit grey PNG, black; `told`: the size its header claims instead."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    if rows is None:
        packer = zlib.compressobj(9)
        line = bytes(1 + -(-width // 8))
        rows = b"".join(packer.compress(line) for _ in range(height)) + packer.flush()
    head = struct.pack(">IIBBBBB", *(told or (width, height)), 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def jpeg(told: tuple[int, int] | None = None) -> bytes:
    import cv2
    import numpy as np

    _, data = cv2.imencode(".jpg", np.full((64, 64, 3), 90, np.uint8))
    raw = bytearray(data.tobytes())
    if told is not None:
        at = raw.index(b"\xff\xc0")
        raw[at + 5 : at + 9] = struct.pack(">HH", told[1], told[0])
    return bytes(raw)


def sps(width_mb: int, height_mb: int, references: int = 1) -> bytes:
    """An H.264 sequence parameter set of that many macroblocks (7.3.2.1.1), Baseline."""
    bits = ""

    def ue(value: int) -> str:
        text = bin(value + 1)[2:]
        return "0" * (len(text) - 1) + text

    bits += f"{66:08b}{0:08b}{52:08b}" + ue(0) + ue(0) + ue(2) + ue(references) + "0"
    bits += ue(width_mb - 1) + ue(height_mb - 1) + "1" + "1" + "0" + "0" + "1"
    bits += "0" * (-len(bits) % 8)
    raw = bytes(int(bits[i : i + 8], 2) for i in range(0, len(bits), 8))
    out, zeros = bytearray(b"\x67"), 0
    for byte in raw:  # emulation prevention, 7.4.1
        if zeros >= 2 and byte <= 3:
            out.append(3)
            zeros = 0
        out.append(byte)
        zeros = zeros + 1 if byte == 0 else 0
    return bytes(out)


# ---------------------------------------------------------------- families


def _regions(data: bytes) -> list[tuple[str, int, int]]:
    """Parts of a file worth damaging apart: head, index, media data."""
    parts = [("head", 0, min(len(data), 600)), ("any", 0, len(data))]
    for kind in (b"moov", b"mdat", b"stbl", b"idx1", b"\x1f\x43\xb6\x75"):
        at = data.find(kind)
        if at >= 0:
            length = len(data) - at if kind != b"stbl" else min(700, len(data) - at)
            if kind == b"mdat":
                length = min(length, int.from_bytes(data[at - 4 : at], "big") or length)
            parts.append((kind.decode("latin-1").strip("\x1f"), at, at + length))
    return parts


def _damage(bases: dict[str, Path], folder: Path, rng: random.Random) -> Iterator[Damaged]:
    for name, base in bases.items():
        data = base.read_bytes()
        ending = name.rsplit(".", 1)[-1]

        def put(family: str, number: int, content: bytes, name: str = name,
                ending: str = ending) -> Damaged:  # fmt: skip
            path = folder / f"{family}_{name.replace('.', '_')}_{number}.{ending}"
            path.write_bytes(content)
            return Damaged(family, path)

        for number in range(10):
            cut = rng.randrange(1, len(data)) if number else rng.randrange(1, 64)
            yield put("cut", number, data[:cut])
        regions = _regions(data)
        for number in range(18):
            _, first, last = regions[number % len(regions)]
            raw = bytearray(data)
            for _ in range(rng.choice((1, 2, 8, 40, 200))):
                at = rng.randrange(first, max(first + 1, last))
                raw[min(at, len(raw) - 1)] ^= 1 << rng.randrange(8)
            yield put("flip", number, bytes(raw))
        for number in range(6):
            _, first, last = regions[rng.randrange(len(regions))]
            at = rng.randrange(first, max(first + 1, last))
            size = rng.randrange(1, 3000)
            filler = (
                bytes(size),
                b"\xff" * size,
                rng.randbytes(size),
                b"",
                data[at : at + size] * 3,
            )
            yield put("patch", number, data[:at] + filler[number % 5] + data[at + size :])


def _dressed(bases: dict[str, Path], folder: Path, rng: random.Random) -> Iterator[Damaged]:
    """A name that does not fit the content."""
    good = bases["fast.mp4"].read_bytes()
    for ending in (".mkv", ".avi", ".ts", ".txt", ".mp3", ".m3u8", ".sdp", ".mpd", ".zip", ""):
        path = folder / f"dressed{ending}"
        path.write_bytes(good)
        yield Damaged("dressed", path)
    for ending in (".png", ".jpg", ".webp", ".tiff"):
        path = folder / f"dressed{ending}"
        path.write_bytes(good)
        yield Damaged("dressed", path, REFUSED)
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as file:
        file.writestr("clip.mp4", good[:500])
    contents = {
        "text": b"This is a letter, not a recording.\n" * 30,
        "html": b"<!doctype html><html><body><video src='/etc/hostname'></video></body></html>",
        "xml": b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY x SYSTEM 'file:///etc/hostname'>]><a>&x;</a>",
        "zip": archive.getvalue(),
        "gzip": gzip.compress(good[:2000]),
        "pdf": b"%PDF-1.7\n1 0 obj<<>>endobj\ntrailer<<>>\n%%EOF\n",
        "program": b"\x7fELF\2\1\1" + rng.randbytes(2000),
        "noise": rng.randbytes(20_000),
        "zeros": bytes(50_000),
        "one_byte": b"\0",
        "empty": b"",
        "only_ftyp": box(b"ftyp", b"isom\0\0\2\0isom"),
        "utf16": "not a recording".encode("utf-16") * 40,
        "gif": b"GIF89a\x01\0\x01\0\x80\0\0\0\0\0\xff\xff\xff!\xf9\4\1\0\0\0\0,\0\0\0\0\1\0\1\0\0\2\2D\1\0;",  # noqa: E501
        "svg": b"<svg xmlns='http://www.w3.org/2000/svg'><image href='http://127.0.0.1:9/a.png'/></svg>",
        "png": png(64, 64),
        "jpg": jpeg(),
        "subtitles": b"1\n00:00:00,000 --> 00:00:02,000\nHello\n",
        "id3": b"ID3\4\0\0\x7f\x7f\x7f\x7f" + bytes(3000),
    }
    for number, (name, content) in enumerate(contents.items()):
        for ending in (".mp4", (".mkv", ".avi", ".ts", ".mov")[number % 4]):
            path = folder / f"{name}{ending}"
            path.write_bytes(content)
            # A motion-JPEG demuxer takes one JPEG for one picture.
            yield Damaged("foreign", path, EITHER if name == "jpg" else REFUSED)


def _lists(bases: dict[str, Path], folder: Path, address: str) -> Iterator[Damaged]:
    """Files that point at others: on this disk, and at an address that somebody listens at."""
    target = folder / "target.ts"
    target.write_bytes(bases["ts"].read_bytes())
    for where, local in ((target.name, True), (str(target), True), (f"{address}/a.ts", False),
                         (f"{address.replace('http', 'tcp')}", False)):  # fmt: skip
        tag = f"{'local' if local else 'net'}{abs(hash(where)) % 1000}"
        texts = {
            "m3u8": f"#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:2\n#EXTINF:1.0,\n{where}\n#EXT-X-ENDLIST\n",  # noqa: E501
            "m3u": f"#EXTM3U\n{where}\n",
            "pls": f"[playlist]\nFile1={where}\nNumberOfEntries=1\n",
            "ffconcat": f"ffconcat version 1.0\nfile '{where}'\n",
            "xspf": '<?xml version="1.0"?><playlist version="1" xmlns="http://xspf.org/ns/0/">'
            f"<trackList><track><location>{where}</location></track></trackList></playlist>",
            "asx": f'<asx version="3.0"><entry><ref href="{where}"/></entry></asx>',
            "smil": f'<smil><body><video src="{where}"/></body></smil>',
            "mpd": '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" type="static" '
            'mediaPresentationDuration="PT1S" profiles="urn:mpeg:dash:profile:isoff-main:2011"><Period>'  # noqa: E501
            '<AdaptationSet mimeType="video/mp2t"><Representation id="1" bandwidth="1000">'
            f"<BaseURL>{where}</BaseURL></Representation></AdaptationSet></Period></MPD>",
            "ffmeta": f";FFMETADATA1\ntitle={where}\n",
            "url": f"[InternetShortcut]\nURL={where}\n",
        }
        if not local:
            host = address.split("//")[1]
            texts["sdp"] = (
                "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\n"
                f"m=video {host.split(':')[1]} RTP/AVP 96\na=rtpmap:96 H264/90000\n"
            )
            texts["rtsp"] = f"rtsp://{host}/a"
        for kind, text in texts.items():
            for ending in (kind, "mp4"):
                path = folder / f"{tag}_{kind}.{ending}"
                path.write_text(text)
                yield Damaged("list", path, REFUSED)
    # QuickTime's reference to a file elsewhere, and one by address.
    for number, name in enumerate((f"file://{target}", f"{address}/a.ts")):
        data = full(b"url ", name.encode() + b"\0")
        path = folder / f"reference_{number}.mov"
        path.write_bytes(mp4(Table(reference=data, count=1, uniform=100, stsc=((1, 1, 1),)), b""))
        yield Damaged("list", path, REFUSED)


def _sizes(bases: dict[str, Path], folder: Path) -> Iterator[Damaged]:
    """Absurd sizes of the picture, in each place that tells one; and bombs."""

    def put(name: str, content: bytes, codes: frozenset[int] = EITHER) -> Damaged:
        path = folder / name
        path.write_bytes(content)
        return Damaged("size", path, codes)

    whole = bases["mp4"].read_bytes()
    avc1, tkhd = whole.index(b"avc1", whole.index(b"moov")), whole.index(b"tkhd")
    for number, (w, h) in enumerate(((60000, 60000), (65535, 65535), (0, 0), (65535, 1), (1, 65535),
                                     (15, 15), (8192, 8192), (32768, 32768))):  # fmt: skip
        raw = bytearray(whole)
        raw[avc1 + 28 : avc1 + 32] = struct.pack(">HH", w, h)
        yield put(f"entry_{number}.mp4", bytes(raw))
        raw = bytearray(whole)
        raw[tkhd + 80 : tkhd + 88] = struct.pack(">II", w << 16 & 0xFFFFFFFF, h << 16 & 0xFFFFFFFF)
        yield put(f"track_{number}.mp4", bytes(raw))
        picture = png(64, 64, told=(w, h))
        yield put(f"told_{number}.png", picture, REFUSED)
        table = Table(width=w, height=h, sizes=(len(picture),), count=1, stts=((1, 1),),
                      stsc=((1, 1, 1),))  # fmt: skip
        yield put(f"told_{number}.mov", mp4(table, picture), REFUSED)
        if w and h:
            yield put(f"told_{number}.jpg", jpeg((w, h)))
            picture = jpeg((w, h))
            table = Table(entry=b"jpeg", width=64, height=64, sizes=(len(picture),), count=1,
                          stts=((1, 1),), stsc=((1, 1, 1),))  # fmt: skip
            yield put(f"told_jpeg_{number}.mov", mp4(table, picture))
    stream = _annex_b(bases["mp4"])
    for number, (w, h) in enumerate(((3750, 3750), (1024, 1024), (512, 512), (512, 288), (4095, 1),
                                     (10, 7))):  # fmt: skip
        for many in (1, 16):
            content = b"\0\0\0\1" + sps(w, h, many) + stream
            yield put(f"set_{number}_{many}.h264", content)
    # A large black picture packed small: 30000 x 30000 one-bit rows are 112 MB, unpacked more.
    bomb = png(30_000, 30_000)
    yield put("bomb.png", bomb, REFUSED)
    table = Table(
        width=64, height=64, sizes=(len(bomb),), count=1, stts=((1, 1),), stsc=((1, 1, 1),)
    )
    yield put("bomb.mov", mp4(table, bomb), REFUSED)
    # Within the limits, a hundred times over from one stored picture.
    large = png(8000, 4000)
    table = Table(width=8000, height=4000, count=100, uniform=len(large), chunks=(0,) * 100,
                  stts=((100, 1),), stsc=((1, 1, 1),), duration=100)  # fmt: skip
    yield put("again.mov", mp4(table, large), EITHER)


def _annex_b(path: Path) -> bytes:
    """The picture stream of an MP4 with start codes, without its sequence parameter set."""
    import av

    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        extra = bytes(stream.codec_context.extradata or b"")
        out = []
        at = extra.index(b"\x68")  # picture parameter set
        size = int.from_bytes(extra[at - 2 : at], "big")
        out.append(b"\0\0\0\1" + extra[at : at + size])
        for packet in container.demux(stream):
            data, at = bytes(packet), 0
            while at + 4 < len(data):
                size = int.from_bytes(data[at : at + 4], "big")
                out.append(b"\0\0\0\1" + data[at + 4 : at + 4 + size])
                at += 4 + size
    return b"".join(out)


def _tables(bases: dict[str, Path], folder: Path, rng: random.Random) -> Iterator[Damaged]:
    """Sample tables that promise nothing, too much, or the same for ever."""
    picture = png(64, 64)
    size = len(picture)
    many = Table(sizes=(size,) * 25, chunks=tuple(range(0, 25 * size, size)), stsc=((1, 1, 1),))
    media = picture * 25

    def put(name: str, table: Table, data: bytes = media) -> Damaged:
        path = folder / f"table_{name}.mov"
        path.write_bytes(mp4(table, data))
        return Damaged("table", path)

    def but(**values: object) -> Table:
        return Table(**{**many.__dict__, **values})  # type: ignore[arg-type]

    yield put("whole", many)
    yield put("no_samples", but(count=0, sizes=(), stts=(), stsc=(), chunks=()))
    yield put("no_times", but(stts=()))
    yield put("zero_steps", but(stts=((25, 0),)))
    yield put("long_steps", but(stts=((25, 0x7FFFFFFF),)))
    yield put("huge_steps", but(stts=((25, 0xFFFFFFFF),)))
    yield put("endless_times", but(stts=((0xFFFFFFFF, 1),)))
    yield put("many_times", but(stts=((1, 1),) * 200_000))
    yield put("zero_runs", but(stts=((0, 1),) * 100_000 + ((25, 1),)))
    yield put("no_timescale", but(timescale=0))
    yield put("no_movie_timescale", but(movie_timescale=0))
    yield put("huge_timescale", but(timescale=0xFFFFFFFF))
    yield put("no_duration", but(duration=0))
    yield put("endless_duration", but(duration=0xFFFFFFFF))
    yield put("negative_offsets", but(ctts=((25, -30),)))
    yield put("huge_offsets", but(ctts=((12, 0x7FFFFFFF), (13, -0x7FFFFFFF))))
    yield put("edit_before", but(elst=((1000, -1, 65536), (1000, 5, 65536))))
    yield put("edit_negative", but(elst=((1000, -500, 65536),)))
    yield put("edit_beyond", but(elst=((1000, 0x7FFFFFFF, 65536),)))
    yield put("edit_often", but(elst=((40, 0, 65536),) * 3000))
    yield put("edit_backwards", but(elst=((1000, 0, -65536 & 0xFFFFFFFF),)))
    yield put("edit_nothing", but(elst=((0, 0, 65536),)))
    yield put("flat_matrix", but(matrix=(0,) * 9))
    yield put("odd_matrix", but(matrix=tuple(rng.randrange(-(1 << 31), 1 << 31) for _ in range(9))))
    for number, samples in enumerate((20_000_000, 178_000_000, 0xFFFFFFFF)):
        yield put(
            f"index_{number}",
            but(sizes=(), uniform=1, count=samples, chunks=(0,), stsc=((1, samples, 1),),
                stts=((samples, 1),)),
        )  # fmt: skip
        yield put(
            f"nothing_{number}",
            but(sizes=(), uniform=0x10, count=samples, chunks=(0,), stsc=((1, 25, 1),),
                stts=((samples, 1),)),
        )  # fmt: skip
    yield put("same_again", but(sizes=(), uniform=size, count=50_000, chunks=(0,) * 50_000,
                                stts=((50_000, 1),), duration=50_000))  # fmt: skip
    yield put("days", but(sizes=(), uniform=size, count=20_000, chunks=(0,) * 20_000,
                          stts=((20_000, 9 * 25),), duration=20_000 * 9 * 25))  # fmt: skip
    yield put("tiny_packets", but(sizes=(), uniform=1, count=2_000_000, chunks=(0,),
                                  stsc=((1, 2_000_000, 1),), stts=((2_000_000, 1),)),
              bytes(2_000_000))  # fmt: skip
    yield put("sizes_beyond", but(sizes=(0x7FFFFFFF,) * 25))
    yield put("chunks_beyond", but(chunks=(0x7FFFFFFF,) * 25))
    yield put("chunk_runs", but(stsc=((5, 1, 1), (2, 7, 1), (1, 0, 9))))
    yield put("hundreds_of_tracks", but(tracks=700))
    yield put("thousands_of_tracks", but(tracks=3000))
    deep = b""
    for _ in range(30_000):
        deep = struct.pack(">I", (len(deep) + 8) & 0xFFFFFFFF) + b"moov" + deep
    for name, content in (
        ("deep", box(b"ftyp", b"isom\0\0\2\0isom") + deep),
        ("box_of_no_size", box(b"ftyp", b"isom\0\0\2\0isom") + b"\0\0\0\0moov" * 2000),
        (
            "box_of_size_1",
            box(b"ftyp", b"isom\0\0\2\0isom") + b"\0\0\0\1moov" + b"\xff" * 8 + bytes(99),
        ),
        ("many_boxes", box(b"ftyp", b"isom\0\0\2\0isom") + box(b"free") * 400_000),
    ):
        path = folder / f"{name}.mp4"
        path.write_bytes(content)
        yield Damaged("table", path, REFUSED)


def _chapters(bases: dict[str, Path], folder: Path) -> Iterator[Damaged]:
    lines = [";FFMETADATA1", "comment=" + "x\x1b[31m" * 20]
    for number in range(10_000):
        lines += ["[CHAPTER]", "TIMEBASE=1/1000000", f"START={number * 50}", f"END={number * 50 + 50}",  # noqa: E501
                  f"title=Part {number}"]  # fmt: skip
    listing = folder / "chapters.ffmeta"
    listing.write_text("\n".join(lines))
    for ending in ("mkv", "mp4"):
        path = folder / f"chapters.{ending}"
        media_zoo.run_ffmpeg("-i", bases["mp4"], "-f", "ffmetadata", "-i", listing, "-map", "0",
                             "-map_metadata", "1", "-map_chapters", "1", "-c", "copy",
                             path)  # fmt: skip
        yield Damaged("chapters", path, frozenset({0, 4}))
    listing.unlink()
    path = folder / "tags.mkv"
    media_zoo.run_ffmpeg("-i", bases["mp4"], "-metadata", "a\x1b[2Jb\n=c\rd", "-metadata",
                         "big=" + "y" * 100_000, "-c", "copy", path)  # fmt: skip
    yield Damaged("chapters", path, frozenset({0, 4}))


def _times(bases: dict[str, Path], folder: Path) -> Iterator[Damaged]:
    for name, options in {
        "negative.mkv": ["-output_ts_offset", "-5", "-avoid_negative_ts", "disabled"],
        "negative.mov": ["-output_ts_offset", "-5", "-avoid_negative_ts", "disabled"],
        "negative.avi": ["-output_ts_offset", "-5", "-avoid_negative_ts", "disabled"],
        "late.ts": ["-output_ts_offset", "95000"],
        "late.mkv": ["-output_ts_offset", "900000"],
        "negative.ts": ["-output_ts_offset", "-5", "-avoid_negative_ts", "disabled"],
    }.items():
        path = folder / name
        try:
            media_zoo.run_ffmpeg("-i", bases["mp4"], "-an", "-c", "copy", *options, path)
        except Exception:  # the muxer itself refuses some of them
            path.write_bytes(bases["mp4"].read_bytes()[:900])
        yield Damaged("times", path)


def _names(bases: dict[str, Path], folder: Path) -> Iterator[Damaged]:
    good, bad = bases["fast.mp4"].read_bytes(), b"no recording"
    names = [
        b"new\nline.mp4", b"escape\x1b[31mred\x1b[0m.mp4", b"bell\x07.mp4", b"\xff\xfe\x80.mp4",
        b"n" * 240 + b".mp4", b"-rf.mp4", b"%03d.mp4", b"concat:a.mp4|b.mp4", b"http:x.mp4",
        b"pipe:0.mp4", b"tab\t quote'\".mp4", b"\xe2\x80\xae4pm.exe.mp4", b"a.mp4.png",
        b"Jane Meadow 1967.mp4",
    ]  # fmt: skip
    for number, name in enumerate(names):
        path = folder / os.fsdecode(name)
        path.write_bytes(good if number % 2 == 0 else bad)
        yield Damaged("name", path, EITHER if number % 2 == 0 else REFUSED)


def _nodes(bases: dict[str, Path], folder: Path) -> Iterator[Damaged]:
    """Things that are no files."""
    here = folder / "nodes"
    here.mkdir()
    (here / "folder.mp4").mkdir()
    for name, target in (("zero", "/dev/zero"), ("noise", "/dev/urandom"), ("null", "/dev/null"),
                         ("dangling", here / "nowhere"), ("loop", here / "loop.mp4"),
                         ("proc", "/proc/self/mem")):  # fmt: skip
        (here / f"{name}.mp4").symlink_to(target)
    os.mkfifo(here / "pipe.mp4")
    (here / "link.mp4").symlink_to(bases["fast.mp4"])
    for path in sorted(here.iterdir()):
        yield Damaged("node", path, EITHER if path.name == "link.mp4" else REFUSED)
    yield Damaged("node", here / "missing.mp4", REFUSED)


def write_all(folder: Path, seed: int, address: str) -> list[Damaged]:
    """Every file of the set. address: http://host:port that nobody may ever be reached at."""
    rng = random.Random(seed)
    start = folder / "whole"
    start.mkdir(parents=True)
    bases = base_files(start)
    out: list[Damaged] = []
    families: list[Callable[[Path], Iterator[Damaged]]] = [
        lambda f: _damage(bases, f, rng),
        lambda f: _dressed(bases, f, rng),
        lambda f: _lists(bases, f, address),
        lambda f: _sizes(bases, f),
        lambda f: _tables(bases, f, rng),
        lambda f: _chapters(bases, f),
        lambda f: _times(bases, f),
        lambda f: _names(bases, f),
        lambda f: _nodes(bases, f),
    ]
    for number, family in enumerate(families):
        place = folder / str(number)
        place.mkdir()
        out += family(place)
    return out


# ---------------------------------------------------------------- case.toml

GOOD_CASE = 'case = "QM-0900"\n[[recording]]\nfiles = ["a.mp4"]\n[consent]\nscope = "public"\n'


def case_texts() -> dict[str, bytes]:
    """Broken, foreign and hostile texts of a case.toml; each must be refused with 3."""

    def change(old: str, new: str) -> bytes:
        assert old in GOOD_CASE
        return GOOD_CASE.replace(old, new).encode()

    files = 'files = ["a.mp4"]'
    return {
        "empty": b"",
        "no_text": b"\xff\xfe\x80\x81" * 20,
        "broken": b'case = "QM\n[[recording\n',
        "json": b'{"case": "QM-0900"}',
        "deep": b"a = " + b"[" * 50_000,
        "deep_tables": b"[" + b"a." * 20_000 + b"a]\n",
        "huge_number": change('case = "QM-0900"', 'case = "QM-0900"\nnumber = ' + "9" * 9000),
        "large": GOOD_CASE.encode() + b"# " + b"x" * 3_000_000,
        "up": change(files, 'files = ["../../a.mp4"]'),
        "up_inside": change(files, 'files = ["b/../../a.mp4"]'),
        "absolute": change(files, 'files = ["/etc/hostname"]'),
        "narration_up": GOOD_CASE.encode() + b'[narration]\nfile = "../voice.wav"\n',
        "device": change(files, 'files = ["/dev/zero"]'),
        "nul": change(files, 'files = ["a\\u0000.mp4"]'),
        "newline": change(files, 'files = ["a\\n.mp4"]'),
        "long": change(files, f'files = ["{"n" * 5000}.mp4"]'),
        "blank": change(files, 'files = [" "]'),
        "dot": change(files, 'files = ["."]'),
        "none": change(files, "files = []"),
        "number": change(files, "files = 5"),
        "mixed": change(files, 'files = ["a.mp4", 3]'),
        "no_recording": b'case = "QM-0900"\n',
        "case_path": change('"QM-0900"', '"../../QM"'),
        "case_escape": change('"QM-0900"', '"QM\\u001b[31m"'),
        "case_long": change('"QM-0900"', f'"{"Q" * 9000}"'),
        "case_number": change('"QM-0900"', "12"),
        "scope": change('"public"', '"everybody"'),
        "date": GOOD_CASE.encode() + b"given_on = 2026-02-31\n",
        "keep_words": change(files, files + '\nkeep = [["soon", "later"]]'),
        "keep_backwards": change(files, files + "\nkeep = [[5, 2]]"),
        "keep_beyond": change(files, files + "\nkeep = [[1e300, 1e308]]"),
        "keep_nan": change(files, files + "\nkeep = [[nan, inf]]"),
        "field_nan": change(files, files + "\nfield = [nan, nan, nan]"),
        "field_inf": change(files, files + "\nfield = [inf, 1.0, 1e308]"),
        "field_outside": change(files, files + "\nfield = [-1e9, 1e9, 1e-9]"),
        "field_short": change(files, files + "\nfield = [1.0]"),
        "show_nan": change(files, files + "\nshow_s = nan"),
        "offset": GOOD_CASE.encode() + b'[narration]\nfile = "a.mp4"\noffset_s = 1e300\n',
        "channel": GOOD_CASE.encode() + b"[narration]\nchannel = -1\n",
        "unknown": GOOD_CASE.encode() + ("[x" + "y" * 5000 + "]\n").encode(),
        "unknown_escape": GOOD_CASE.encode() + b'["\\u001b[2J"]\nb = 1\n',
        "measured_nan": GOOD_CASE.encode() + b'[measured]\nlabel = "a"\nvalue = nan\n',
    }  # fmt: skip
