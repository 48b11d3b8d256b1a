"""Pictures of a report are those of the moments asked for, however few are decoded on the way."""

from typing import Any

import av
import numpy as np
import pytest

from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.stages import pictures
from pipeline.stages.rendering.given import SourceMedia


@pytest.fixture(scope="module")
def media(tmp_path_factory: pytest.TempPathFactory) -> SourceMedia:
    """8 s with one key frame in 5 s and pictures between that no other depends on."""
    path = tmp_path_factory.mktemp("seen") / "seen.mp4"
    noise = np.random.default_rng(1).integers(0, 255, (96, 240, 3), dtype=np.uint8)
    with av.open(str(path), "w") as box:
        stream: Any = box.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 128, 96, "yuv420p"
        stream.options = {"g": "125", "bf": "3", "preset": "veryfast", "sc_threshold": "0"}
        for n in range(200):
            shown = np.ascontiguousarray(noise[:, n % 80 : n % 80 + 128])
            for packet in stream.encode(av.VideoFrame.from_ndarray(shown, "rgb24")):
                box.mux(packet)
        for packet in stream.encode():
            box.mux(packet)
    return SourceMedia(path, probe(path), False)


@pytest.mark.parametrize(
    "times_s",
    [[4.02], [3.0, 3.0, 3.5, 4.7], [0.0, 2.6, 7.9], [6.0, 1.1, 1.13], [7.5, 9.0], []],
)
def test_each_is_the_first_from_its_moment_on(media: SourceMedia, times_s: list[float]) -> None:
    alone = [
        next(read_pictures(media.path, media.recording, start_s=t), None) for t in times_s
    ]  # the reading of one moment at a time, with every picture on the way
    seen = list(pictures._pictures_at(media, times_s))
    wanted = [p for p in alone if p is not None]
    assert [p.time_s for p in seen] == [p.time_s for p in wanted]
    for one, other in zip(seen, wanted, strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(one.planes(), other.planes(), strict=True))


def test_moments_near_each_other_are_one_reading(
    media: SourceMedia, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[float] = []

    def told(*given: Any, **named: Any) -> Any:
        begun.append(named["start_s"])
        return read_pictures(*given, **named)

    monkeypatch.setattr(pictures, "read_pictures", told)
    list(pictures._pictures_at(media, [1.0, 2.0, 3.5, 7.8, 0.5]))
    assert begun == [1.0, 7.8, 0.5]
