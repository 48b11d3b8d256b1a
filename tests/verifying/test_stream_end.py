"""When the last picture ends: a muxer that lets it stand for longer is not believed."""

from __future__ import annotations

import subprocess
from pathlib import Path

import imageio_ffmpeg
import media_zoo
import pytest

from pipeline.media.container import open_media
from pipeline.stages.verifying.container import _end_s


@pytest.mark.parametrize(("longer_s", "ends_s"), [(0.0, 2.0), (1.5, 3.5)])
def test_a_last_picture_that_stands_is_counted(
    tmp_path: Path, longer_s: float, ends_s: float
) -> None:
    media_zoo.scope_clip(tmp_path / "a.mp4", 2.0, size=(320, 240), seed=3, audio="none")
    late = f"setts=duration=DURATION+eq(N\\,49)*{longer_s}/TB"
    subprocess.run([imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", tmp_path / "a.mp4",
                    "-c", "copy", "-bsf:v", late, tmp_path / "b.mp4"], check=True)  # fmt: skip
    container = open_media(tmp_path / "b.mp4")
    assert _end_s(container, container.streams.video[0]) == pytest.approx(ends_s, abs=0.03)
    container.close()
