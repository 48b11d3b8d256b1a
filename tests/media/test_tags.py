"""The list of what a finished MP4 may contain, tried with files that ffmpeg and this test made."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
from pathlib import Path

import imageio_ffmpeg
import pytest
from needed import needs

from pipeline.media.tags import check_container

FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
# Flags that give a clean file. Each is left out once below, and the file must then fail.
CLEAN = {
    "tags": ["-map_metadata:g", "-1", "-map_metadata:s", "-1"],
    "muxer": ["-fflags", "+bitexact"],
    "picture encoder": ["-flags:v", "+bitexact"],
    "sound encoder": ["-flags:a", "+bitexact"],
    "encoder messages": ["-bsf:v", "filter_units=remove_types=6"],
}
NAME = "Ingrid Brekkestad"


def run(*args: str | Path) -> None:
    subprocess.run([FFMPEG, "-v", "error", "-y", *map(str, args)], check=True)


def planned(title: str) -> bool:
    return title in ("Left side", "After")


def failed(path: Path) -> set[str]:
    return {check.check for check in check_container(path, planned) if not check.passed}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A source full of names, and a clean file made from it."""
    folder = tmp_path_factory.mktemp("tags")
    chapters = [";FFMETADATA1"]
    for start, title in ((0, "Left side"), (1000, "After")):
        chapters += ["[CHAPTER]", "TIMEBASE=1/1000", f"START={start}", f"END={start + 1000}",
                     f"title={title}"]  # fmt: skip
    (folder / "chapters.txt").write_text("\n".join(chapters) + "\n")
    run(
        "-f", "lavfi", "-i", "testsrc=s=160x120:d=2:r=25", "-f", "lavfi", "-i", "sine=d=2",
        "-c:v", "libx264", "-pix_fmt", "yuv420p", "-g", "25", "-c:a", "aac",
        "-metadata", f"title={NAME}", "-metadata", f"artist={NAME}",
        "-metadata", "creation_time=2026-03-02T10:11:12Z", "-metadata", f"comment={NAME}",
        "-metadata", "location=+51.5+000.1/", "-metadata:s:v", f"handler_name={NAME}",
        "-metadata:s:a", f"handler_name={NAME}", "-timecode", "10:11:12:00",
        folder / "source.mov",
    )  # fmt: skip
    make(folder, folder / "clean.mp4")
    return folder


def make(folder: Path, target: Path, leave_out: tuple[str, ...] = (), *extra: str | Path) -> None:
    flags = [f for key, value in CLEAN.items() if key not in leave_out for f in value]
    run(
        "-i", folder / "source.mov", "-i", folder / "chapters.txt", "-map", "0:v", "-map", "0:a",
        "-map_chapters", "1", "-c:v", "libx264", "-g", "25", "-pix_fmt", "yuv420p", "-c:a", "aac",
        "-brand", "isom", "-movflags", "+faststart", *flags, *extra, target,
    )  # fmt: skip


def test_a_clean_file_passes(folder: Path) -> None:
    checks = check_container(folder / "clean.mp4", planned)
    assert [check for check in checks if not check.passed] == []
    assert len(checks) >= 12


def test_other_readers_agree_that_the_clean_file_is_clean(folder: Path) -> None:
    """exiftool and mediainfo are not the reader under test."""
    needs("exiftool", "mediainfo")
    path = str(folder / "clean.mp4")
    raw = subprocess.run(
        ["exiftool", "-a", "-G1", "-j", "-x", "System:all", "-ee", path],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    tags = json.loads(raw)[0]
    stamps = {key: value for key, value in tags.items() if key.endswith("Date")}
    assert stamps and set(stamps.values()) == {"0000:00:00 00:00:00"}
    allowed = {"VideoHandler", "SoundHandler", "SubtitleHandler", "Lavc libx264"}
    named = [k for k in tags if k.endswith(("HandlerDescription", "CompressorName"))]
    assert named and {tags[k] for k in named} <= allowed
    words = ("GPS", "Author", "Artist", "Title", "Comment", "Encoder", "UserData", "XMP")
    named = [key for key in tags if any(word in key for word in words)]
    assert named == ["UserData:ChapterList"]
    report = subprocess.run(["mediainfo", "-f", path], check=True, capture_output=True, text=True)
    assert "Writing" not in report.stdout and "Encoded date" not in report.stdout
    assert "Brekkestad" not in report.stdout + raw


@pytest.mark.parametrize(
    ("flags", "check"),
    [
        (("tags",), "handler and encoder names not on the list"),
        (("muxer",), "tags that a player sees"),
        (("sound encoder",), "encoder strings in the sound"),
        (("encoder messages",), "messages inside the streams"),
        # Either of the two keeps the encoder's version out of the compressor name.
        (("picture encoder", "muxer"), "handler and encoder names not on the list"),
    ],
)
def test_every_flag_is_needed(
    folder: Path, tmp_path: Path, flags: tuple[str, ...], check: str
) -> None:
    make(folder, tmp_path / "a.mp4", flags)
    assert check in failed(tmp_path / "a.mp4")


def test_the_source_fails_and_no_value_is_repeated(folder: Path) -> None:
    checks = check_container(folder / "source.mov")
    assert any(not check.passed for check in checks)
    text = " ".join(check.model_dump_json() for check in checks)
    for word in ("Ingrid", "Brekkestad", "2026", "51.5"):
        assert word not in text


@pytest.mark.parametrize(
    ("extra", "check"),
    [
        (["-metadata", f"title={NAME}"], "tags that a player sees"),
        (["-metadata", "creation_time=2026-03-02T10:11:12Z"], "times of creation and change"),
        (["-metadata:s:v", f"handler_name={NAME}"], "handler and encoder names not on the list"),
        (["-metadata:s:a", f"handler_name={NAME}"], "handler and encoder names not on the list"),
        (["-timecode", "10:11:12:00"], "streams"),
        (["-metadata", f"Custom={NAME}", "-movflags", "+use_metadata_tags"],
         "boxes and fields not on the list"),
        (["-movflags", "+frag_keyframe"], "boxes and fields not on the list"),
    ],
)  # fmt: skip
def test_what_ffmpeg_can_add_is_found(
    folder: Path, tmp_path: Path, extra: list[str], check: str
) -> None:
    make(folder, tmp_path / "a.mp4", (), *extra)
    assert check in failed(tmp_path / "a.mp4")


def test_subtitles_pictures_and_second_sound_are_found(folder: Path, tmp_path: Path) -> None:
    clean = folder / "clean.mp4"
    (tmp_path / "s.srt").write_text(f"1\n00:00:00,000 --> 00:00:01,000\n{NAME}\n")
    run("-f", "lavfi", "-i", "testsrc=s=64x64:d=0.04:r=25", tmp_path / "p.png")
    run("-i", clean, "-i", tmp_path / "s.srt", "-map", "0:v", "-map", "0:a", "-map", "1",
        "-c", "copy", "-c:s", "mov_text", "-fflags", "+bitexact", tmp_path / "sub.mp4")  # fmt: skip
    run("-i", clean, "-i", tmp_path / "p.png", "-map", "0:v", "-map", "0:a", "-map", "1", "-c",
        "copy", "-disposition:v:1", "attached_pic", "-fflags", "+bitexact",
        tmp_path / "pic.mp4")  # fmt: skip
    run("-i", clean, "-map", "0:v", "-map", "0:a", "-map", "0:a", "-c", "copy", "-fflags",
        "+bitexact", tmp_path / "two.mp4")  # fmt: skip
    assert "streams" in failed(tmp_path / "sub.mp4")
    assert failed(tmp_path / "pic.mp4") & {"boxes and fields not on the list", "streams"}
    assert "attached pictures" in failed(tmp_path / "pic.mp4")
    assert "streams" in failed(tmp_path / "two.mp4")


def test_pictures_kept_behind_an_edit_list_are_found(folder: Path, tmp_path: Path) -> None:
    """A copy that starts between key pictures holds pictures nobody is meant to see."""
    flags = [flag for key, value in CLEAN.items() if key != "encoder messages" for flag in value]
    run("-ss", "1.4", "-i", folder / "clean.mp4", "-map", "0:v", "-map", "0:a", "-c", "copy",
        "-map_chapters", "-1", *flags, tmp_path / "a.mp4")  # fmt: skip
    assert "pictures that no player shows" in failed(tmp_path / "a.mp4")


def test_no_title_may_stand_there_if_nobody_says_which(folder: Path) -> None:
    failed = {c.check for c in check_container(folder / "clean.mp4") if not c.passed}
    assert failed == {"chapter titles that nobody confirmed"}


def test_a_chapter_that_names_someone_is_found(folder: Path, tmp_path: Path) -> None:
    text = (folder / "chapters.txt").read_text().replace("After", NAME)
    (tmp_path / "chapters.txt").write_text(text)
    shutil.copy(folder / "source.mov", tmp_path)
    make(tmp_path, tmp_path / "a.mp4")
    assert failed(tmp_path / "a.mp4") == {"chapter titles that nobody confirmed"}


# Boxes put in by hand. All offsets are behind the index, so it is put last first.


def box(kind: bytes, payload: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(payload), kind) + payload


@pytest.fixture(scope="module")
def index_last(folder: Path) -> bytes:
    flags = [flag for key, value in CLEAN.items() if key != "encoder messages" for flag in value]
    run("-i", folder / "clean.mp4", "-map", "0:v", "-map", "0:a", "-c", "copy", "-brand", "isom",
        "-map_chapters", "-1", *flags, folder / "last.mp4")  # fmt: skip
    assert failed(folder / "last.mp4") == set()
    return (folder / "last.mp4").read_bytes()


def grow(data: bytes, path: list[bytes], addition: bytes) -> bytes:
    """Adds bytes at the end of the first box at `path` and corrects all lengths."""
    out, start, stop = bytearray(data), 0, len(data)
    places = []
    for kind in path:
        while out[start + 4 : start + 8] != kind:
            start += struct.unpack_from(">I", out, start)[0]
            assert start < stop
        places.append(start)
        stop = start + struct.unpack_from(">I", out, start)[0]
        start += {b"stsd": 16, b"avc1": 86, b"mp4a": 36}.get(kind, 8)
    out[stop:stop] = addition
    for place in places:
        size = struct.unpack_from(">I", out, place)[0]
        struct.pack_into(">I", out, place, size + len(addition))
    return bytes(out)


TRAK = [b"moov", b"trak"]
STBL = [*TRAK, b"mdia", b"minf", b"stbl"]


@pytest.mark.parametrize(
    "path",
    [[b"moov"], TRAK, [*TRAK, b"mdia"], [*TRAK, b"mdia", b"minf"], STBL,
     [*STBL, b"stsd", b"avc1"], [*TRAK, b"edts"], [*TRAK, b"mdia", b"minf", b"dinf"]],
)  # fmt: skip
@pytest.mark.parametrize("kind", [b"uuid", b"udta", b"meta", b"\xa9nam", b"XMP_", b"free", b"zzzz"])
def test_a_box_anywhere_is_found(
    index_last: bytes, tmp_path: Path, path: list[bytes], kind: bytes
) -> None:
    (tmp_path / "a.mp4").write_bytes(grow(index_last, path, box(kind, NAME.encode())))
    checks = check_container(tmp_path / "a.mp4")
    assert "boxes and fields not on the list" in {c.check for c in checks if not c.passed}
    assert "Brekkestad" not in str(checks)


@pytest.mark.parametrize(
    "path",
    [[b"moov", b"mvhd"], [*TRAK, b"tkhd"], [*TRAK, b"mdia", b"mdhd"], [*TRAK, b"mdia", b"hdlr"],
     [*TRAK, b"mdia", b"minf", b"vmhd"], [*STBL, b"stts"], [*STBL, b"stsz"], [*STBL, b"stco"],
     [*STBL, b"stsc"], [*STBL, b"stsd", b"avc1", b"avcC"], [*STBL, b"stsd", b"avc1", b"pasp"]],
)  # fmt: skip
def test_bytes_behind_a_known_box_are_found(
    index_last: bytes, tmp_path: Path, path: list[bytes]
) -> None:
    (tmp_path / "a.mp4").write_bytes(grow(index_last, path, b"Brekkest"))
    assert failed(tmp_path / "a.mp4")


@pytest.mark.parametrize("kind", [b"uuid", b"free", b"skip", b"moof", b"mdat", b"meta", b"wide"])
def test_a_box_at_the_end_is_found(index_last: bytes, tmp_path: Path, kind: bytes) -> None:
    (tmp_path / "a.mp4").write_bytes(index_last + box(kind, NAME.encode()))
    assert failed(tmp_path / "a.mp4")


def test_loose_bytes_in_the_media_data_are_found(index_last: bytes, tmp_path: Path) -> None:
    at = index_last.index(b"mdat") - 4
    size = struct.unpack_from(">I", index_last, at)[0]
    name = NAME.encode()
    data = bytearray(index_last)
    data[at + size : at + size] = name
    struct.pack_into(">I", data, at, size + len(name))
    (tmp_path / "a.mp4").write_bytes(data)
    assert failed(tmp_path / "a.mp4") == {"bytes that belong to no sample"}


@pytest.mark.parametrize("tail", [b"x", b"Brekkestad", bytes(7)])
def test_bytes_after_the_last_box(index_last: bytes, tmp_path: Path, tail: bytes) -> None:
    (tmp_path / "a.mp4").write_bytes(index_last + tail)
    assert failed(tmp_path / "a.mp4")


def test_every_cut_off_file_fails(index_last: bytes, tmp_path: Path) -> None:
    for share in (0.0, 0.1, 0.5, 0.9, 0.999):
        (tmp_path / "a.mp4").write_bytes(index_last[: int(len(index_last) * share)])
        assert failed(tmp_path / "a.mp4")


def leaves(data: bytes, path: str = "", base: int = 0) -> list[tuple[str, int, int]]:
    """(name, offset, length) of the content of every box that holds no boxes."""
    found, at = [], 0
    while at < len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        name, inner = kind.decode("latin-1"), data[at + 8 : at + size]
        if name in {"moov", "trak", "mdia", "minf", "stbl", "edts", "dinf", "tref", "gmhd", "udta"}:
            found += leaves(inner, f"{path}/{name}", base + at + 8)
        elif name != "mdat":
            found.append((f"{path}/{name}", base + at + 8, len(inner)))
        at += size
    return found


def test_text_in_place_of_any_number_is_found(folder: Path, tmp_path: Path) -> None:
    """Letters at every place of the index, in a file with pictures, sound and chapters."""
    clean = (folder / "clean.mp4").read_bytes()
    passed = set()
    for name, start, length in leaves(clean):
        last = length - 4
        step = 5 if name.endswith("stsd") else 29
        for at in sorted({*range(min(last, 40)), *range(40, last, step), max(0, last)}):
            data = bytearray(clean)
            data[start + at : start + min(at + 4, length)] = b"Brek"[: length - at]
            (tmp_path / "a.mp4").write_bytes(data)
            if length and not failed(tmp_path / "a.mp4"):
                passed.add((name, at))
    assert not passed


@pytest.mark.parametrize(
    "options",
    [
        ["-profile:v", "baseline"],
        ["-profile:v", "main", "-bf", "0"],
        ["-preset", "ultrafast", "-s", "162x122"],
        ["-x264-params", "nal-hrd=vbr:vbv-maxrate=500:vbv-bufsize=500"],
        ["-x264-params", "nal-hrd=cbr:vbv-maxrate=500:vbv-bufsize=500", "-b:v", "500k"],
        ["-flags:v", "+ildct+ilme+bitexact", "-x264-params", "tff=1"],
        ["-aspect", "16:9", "-color_range", "pc"],
        ["-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709"],
        ["-r", "30000/1001", "-preset", "slower"],
        ["-video_track_timescale", "90000", "-x264-params", "open-gop=1:keyint=12"],
        ["-x264-params", "aud=1"],
    ],
    ids=str,
)
def test_what_this_encoder_may_write_passes(
    folder: Path, tmp_path: Path, options: list[str]
) -> None:
    """The list is not of one encode only: x264's own parameter sets are the reference."""
    make(folder, tmp_path / "a.mp4", (), *options)
    assert failed(tmp_path / "a.mp4") == set()


def test_bytes_behind_a_parameter_set_are_found(index_last: bytes, tmp_path: Path) -> None:
    """H.264 7.3.2.11: nothing follows the trailing bits; a decoder would not look at it."""
    at = index_last.index(b"avcC") + 4
    size = struct.unpack_from(">H", index_last, at + 6)[0]
    for text in (b"B", b"Ingrid Brekkestad"):
        room = grow(index_last, [*STBL, b"stsd", b"avc1", b"avcC"], text)
        tail = room[at + 8 + size : room.index(text, at)]
        data = bytearray(room)
        data[at + 8 + size : at + 8 + size + len(text) + len(tail)] = text + tail
        struct.pack_into(">H", data, at + 6, size + len(text))
        (tmp_path / "a.mp4").write_bytes(data)
        assert "boxes and fields not on the list" in failed(tmp_path / "a.mp4")


def with_box(index_last: bytes, content: bytes, kind: bytes = b"sdtp") -> bytes:
    return grow(index_last, STBL, box(kind, content))


def test_a_table_of_dependencies_holds_bytes_that_a_muxer_writes(
    index_last: bytes, tmp_path: Path
) -> None:
    """ISO/IEC 14496-12, 8.6.4.3; 50 pictures. The first depends on none, some are not needed."""
    table = bytes([0x20]) + bytes([0x10, 0x18] * 24) + bytes([0x10])
    (tmp_path / "a.mp4").write_bytes(with_box(index_last, bytes(4) + table))
    assert failed(tmp_path / "a.mp4") == set()
    name = NAME.encode().ljust(50, b"\0")
    for content in (
        bytes(4) + name,
        bytes(4) + table[:-1],
        bytes(4) + table + b"\x10",
        b"Brek" + table,
        bytes(4) + bytes([0x30]) + table[1:],  # reserved
        bytes(4) + bytes([0x0C]) + table[1:],  # reserved
        bytes(4) + table[:-2] + b"ab",
        b"",
    ):
        (tmp_path / "a.mp4").write_bytes(with_box(index_last, content))
        assert failed(tmp_path / "a.mp4"), content


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        (b"cslg", bytes(4) + b"Ingrid Brekkestad..."),
        (b"sgpd", b"\1\0\0\0roll" + struct.pack(">II", 4, 2) + b"Brekkest"),
        (b"sgpd", b"\1\0\0\0roll" + struct.pack(">II2s", 2, 1, b"Br")),
        (b"sbgp", bytes(4) + b"roll" + struct.pack(">III", 2, 50, 0) + b"Brekkest"[:4]),
        (b"sbgp", bytes(4) + b"roll" + struct.pack(">III4s", 1, 50, 1, b"")),
        (b"sbgp", bytes(4) + b"roll" + struct.pack(">II4s", 1, 50, b"Brek")),
        (b"sbgp", bytes(4) + b"roll" + struct.pack(">I8s", 1, b"Brekkest")),
    ],
)
def test_text_in_a_box_of_groups_is_found(
    index_last: bytes, tmp_path: Path, kind: bytes, content: bytes
) -> None:
    (tmp_path / "a.mp4").write_bytes(with_box(index_last, content, kind))
    assert failed(tmp_path / "a.mp4")


@pytest.mark.parametrize("table", ["stts", "ctts"])
def test_an_entry_for_no_sample_is_found(index_last: bytes, tmp_path: Path, table: str) -> None:
    """A count of 0 and a free number behind it."""
    grown = grow(index_last, [*STBL, table.encode()], struct.pack(">I4s", 0, b"Brek"))
    at = grown.index(table.encode()) + 8
    count = struct.unpack_from(">I", grown, at)[0]
    data = bytearray(grown)
    struct.pack_into(">I", data, at, count + 1)
    (tmp_path / "a.mp4").write_bytes(data)
    assert failed(tmp_path / "a.mp4")


def test_broken_files_never_raise(index_last: bytes, tmp_path: Path) -> None:
    import random

    rng = random.Random(3)
    index = index_last.index(b"moov")
    for _ in range(60):
        data = bytearray(index_last)
        for _ in range(rng.randint(1, 6)):
            data[rng.randrange(index, len(data))] = rng.randrange(256)
        (tmp_path / "a.mp4").write_bytes(data)
        assert check_container(tmp_path / "a.mp4")


@pytest.mark.parametrize("suffix", ["mkv", "ts", "avi", "wav", "png"])
def test_other_containers_fail(folder: Path, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    limit = ["-frames:v", "1"] if suffix == "png" else []
    run("-i", folder / "source.mov", *limit, path)
    assert failed(path) == {"file is a whole MP4"}


def test_the_writer_of_this_program_passes(tmp_path: Path) -> None:
    import numpy as np

    from pipeline.media.write import PictureWriter, code_sound, finish, planes_of

    writer = PictureWriter(tmp_path / "v.mkv", 160, 120, 30.0, "bt709", preset="ultrafast")
    rng = np.random.default_rng(1)
    for index in range(30):
        frame = writer.new_frame()
        for plane in planes_of(frame):
            plane[:] = rng.integers(30, 200, plane.shape, np.uint8)
        writer.write(frame, index / 30)
    writer.close()
    rng.standard_normal((48000, 2)).astype("<f4").tofile(tmp_path / "s.f32")
    code_sound(tmp_path / "s.f32", tmp_path / "s.m4a", 2, 192)
    for sound, chapters in ((None, None), (tmp_path / "s.m4a", [(0.0, 1.0, "Left side")])):
        target = tmp_path / "out.mp4"
        finish(tmp_path / "v.mkv", sound, target, end_s=1.0, matrix="bt709", chapters=chapters,
               work=tmp_path)  # fmt: skip
        assert failed(target) == set()
