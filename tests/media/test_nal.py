"""Packets of H.264 and HEVC: what they say of themselves."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import av
import damages
import pytest

from pipeline.media.nal import length_size, look


@pytest.mark.parametrize("name", ["h264.mp4", "h264.ts", "open.mkv", "hevc.mp4"])
def test_whole_packets_are_right_and_keys_as_the_container_has_them(
    name: str, tmp_path: Path
) -> None:
    path = damages.clean(tmp_path, name, 2.0)
    with closing(av.open(str(path))) as container:
        stream = container.streams.video[0]
        codec = stream.codec_context.codec.name
        size = length_size(codec, stream.codec_context.extradata)
        assert (size == 0) == name.endswith(".ts")
        packets = [(bytes(p), p.is_keyframe) for p in container.demux(stream) if p.size]
    for data, key in packets:
        found = look(data, codec, size)
        assert found.broken == "" and found.key == key
    # Zeros inside a NAL unit cannot be (ITU-T H.264 7.4.1, H.265 7.4.2.1).
    data = max((d for d, _ in packets), key=len)
    half = len(data) // 2
    spoiled = data[:half] + bytes(16) + data[half + 16 :]
    assert look(spoiled, codec, size).broken
    if size:
        assert look(data[:-3], codec, size).broken == "lengths do not add up"


def test_other_codecs_say_nothing() -> None:
    assert look(b"\x00\x00\x00\x01", "mjpeg", 0).key is None
