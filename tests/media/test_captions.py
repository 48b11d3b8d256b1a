"""Captions: WebVTT as the W3C recommendation writes it, SubRip by common practice, no source."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.media.captions import captions_vtt, read_captions


def test_both_kinds_give_the_same_cues(tmp_path: Path) -> None:
    vtt, srt = tmp_path / "a.vtt", tmp_path / "a.srt"
    vtt.write_text("WEBVTT\n\nNOTE x\n\n00:01.500 --> 00:02.250 line:0\n<v Ann>Crust & pus\n")
    srt.write_text("1\n00:00:01,500 --> 00:00:02,250\nCrust & pus\n")
    assert read_captions(vtt) == read_captions(srt) == [(1.5, 2.25, "Crust & pus")]


def test_written_captions_are_read_back(tmp_path: Path) -> None:
    cues = [(0.0, 1.001, "two\nlines"), (3599.5, 3601.25, "1 < 2 --> 3")]
    path = tmp_path / "b.vtt"
    path.write_text(captions_vtt(cues))
    back = read_captions(path)
    assert [(a, b) for a, b, _ in back] == [(0.0, 1.001), (3599.5, 3601.25)]
    assert back[0][2] == "two\nlines"


def test_markup_and_entities_are_undone_once(tmp_path: Path) -> None:
    path = tmp_path / "c.vtt"
    path.write_text("WEBVTT\n\n00:01.000 --> 00:02.000\n<v Ann Lee>Fog &amp; <i>blood</i>\n")
    assert read_captions(path)[0][2] == "Fog & blood"
    assert "Fog &amp; blood" in captions_vtt(read_captions(path))


@pytest.mark.parametrize(
    ("name", "data"),
    [("a.txt", b"WEBVTT\n"), ("a.vtt", b"no header"), ("a.srt", b"\xff\xfe\x00"),
     ("a.vtt", b"WEBVTT\n\n" + b"x" * 2_000_001),
     ("a.vtt", b"WEBVTT\n\n00:01.000 --> 00:03.000\n" + b"crust " * 200)],
)  # fmt: skip
def test_what_is_no_caption_file_is_refused(tmp_path: Path, name: str, data: bytes) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(InputError):
        read_captions(tmp_path / name)
