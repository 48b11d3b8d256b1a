"""Key frames by themselves are the pictures that a whole decode gives at their times."""

from __future__ import annotations

from pathlib import Path

import media_zoo
import numpy as np
import pytest

from pipeline.media.key_pictures import read_key_pictures
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe


@pytest.mark.parametrize("codec", ["libx264", "libx265", "mpeg4"])
def test_they_are_those_of_a_whole_decode(tmp_path: Path, codec: str) -> None:
    coding = media_zoo.Coding(codec=codec, options={"g": "10", "crf": "20"})
    path = media_zoo.scope_clip(tmp_path / "a.mp4", 3.0, size=(160, 120), seed=5, fps=10,
                                coding=coding).path  # fmt: skip
    recording = probe(path)
    whole = {p.time_s: p.planes() for p in read_pictures(path, recording)}
    size = (recording.width_px, recording.height_px)
    # The second moment is no key frame's.
    given = list(read_key_pictures(path, recording, [0.0, 0.5, 1.0, 2.0], size_px=size,
                                   matrix=recording.video.matrix))  # fmt: skip
    assert [p.time_s for p in given] == pytest.approx([0.0, 1.0, 2.0])
    for picture in given:
        for plane, other in zip(picture.planes(), whole[picture.time_s], strict=True):
            assert np.array_equal(plane, other)
