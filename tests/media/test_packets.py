"""Hashes of coded packets: the same in every container, and in a part cut without coding anew."""

from __future__ import annotations

import subprocess
from pathlib import Path

import imageio_ffmpeg
import media_zoo
import pytest

from pipeline.media.guard import packets_apart
from pipeline.media.packets import coded_packets, nal_units

CODERS = {
    "h264": ("mp4", ["-c:v", "libx264", "-g", "25", "-bf", "2"], ("mkv", "ts", "avi", "mov")),
    "hevc": ("mp4", ["-c:v", "libx265", "-g", "25", "-x265-params", "log-level=0"], ("mkv", "ts")),
    "mpeg2": ("ts", ["-c:v", "mpeg2video", "-q:v", "4", "-g", "12"], ("mp4", "avi")),
    "mpeg4": ("avi", ["-c:v", "mpeg4", "-q:v", "4", "-g", "25"], ("mp4", "mkv")),
    "mjpeg": ("mov", ["-c:v", "mjpeg", "-q:v", "4"], ("avi", "mkv")),
}


def ffmpeg(*arguments: str | Path) -> None:
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", *map(str, arguments)]
    subprocess.run(command, check=True)


@pytest.fixture(scope="module")
def tissue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("packets") / "tissue.mp4"
    return media_zoo.scope_clip(path, 6.0, seed=5, audio="noise").path


@pytest.mark.parametrize("name", CODERS)
def test_another_container_and_a_part_are_recognised(
    tissue: Path, tmp_path: Path, name: str
) -> None:
    """Muxers of ffmpeg are the outside reference: start codes, lengths, ADTS, headers moved."""
    suffix, coder, others = CODERS[name]
    sound = "mp2" if name in ("mpeg2", "mpeg4") else "aac"
    source = tmp_path / f"source.{suffix}"
    ffmpeg("-i", tissue, *coder, "-c:a", sound, source)
    whole = coded_packets(source, "x")
    assert len(whole.pictures) >= 5 and len(whole.sounds) >= 5
    for other in others:
        copy, part = tmp_path / f"copy.{other}", tmp_path / f"part.{other}"
        ffmpeg("-i", source, "-map", "0", "-c", "copy", copy)
        found = coded_packets(copy, "y")
        assert (found.pictures, found.sounds) == (whole.pictures, whole.sounds), other
        ffmpeg("-i", copy, "-ss", "2", "-t", "3", "-c", "copy", part)
        cut = coded_packets(part, "z")
        assert set(cut.pictures) & set(whole.pictures), other
        assert len(set(cut.sounds) & set(whole.sounds)) >= 3, other


def test_the_process_apart_finds_the_same(tissue: Path) -> None:
    assert packets_apart(tissue, "x") == coded_packets(tissue, "x")


def test_other_recordings_share_nothing(tissue: Path, tmp_path: Path) -> None:
    other = media_zoo.scope_clip(tmp_path / "o.mp4", 6.0, seed=6, audio="noise").path
    again = tmp_path / "again.mp4"
    ffmpeg("-i", tissue, "-c:v", "libx264", "-crf", "30", "-an", again)
    one, two, coded = (coded_packets(p, "x") for p in (tissue, other, again))
    assert not set(one.pictures) & set(two.pictures)
    assert not set(one.pictures) & set(coded.pictures)


@pytest.mark.parametrize("picture", ["color=black", "color=blue", "smptehdbars"])
def test_what_every_recording_may_begin_with_says_nothing(
    tmp_path: Path, picture: str
) -> None:
    """Black, blue and test bars before the scope is plugged in; silence."""
    path = tmp_path / "empty.mkv"
    joint = "=" if "=" not in picture else ":"
    ffmpeg("-f", "lavfi", "-i", f"{picture}{joint}s=640x360:r=25:d=3", "-f", "lavfi", "-i",
           "anullsrc", "-shortest", "-c:v", "libx264", "-g", "25", "-c:a", "aac", path)  # fmt: skip
    found = coded_packets(path, "x")
    assert found.pictures == [] and found.sounds == []


def test_units_of_a_packet() -> None:
    """ITU-T H.264 Annex B start codes of three and four bytes, and lengths of four."""
    units = [b"\x67\x01\x02", b"\x65\x88\x84\x01"]
    annex_b = b"\x00\x00\x00\x01" + units[0] + b"\x00\x00\x01" + units[1] + b"\x00\x00"
    lengths = b"".join(len(u).to_bytes(4, "big") + u for u in units)
    assert list(nal_units(annex_b, 0)) == list(nal_units(lengths, 4)) == units
    assert list(nal_units(annex_b, 4)) == units  # start codes under a header that says lengths
