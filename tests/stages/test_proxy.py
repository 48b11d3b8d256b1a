"""The survey's small copy shows what a release may show, and its time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from test_plan import source, with_survey

from pipeline.media.frame import Picture
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.survey import Face, Lettering
from pipeline.stages.proxy import CoarseProxy, proxy_size

BRIGHT = 200


def frame(width: int, height: int) -> Any:
    """All of it bright and coloured: what is dark in the copy was made dark."""
    made = av.VideoFrame.from_ndarray(np.full((height, width, 3), BRIGHT, np.uint8), format="rgb24")
    return made.reformat(format="yuv420p")


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1920, 1080), (720, 576), (1364, 768)])
def test_surround_lettering_and_faces_are_covered_in_the_copy(
    tmp_path: Path, width: int, height: int
) -> None:
    given = source(length_s=10.0)
    size = {"width_px": width, "height_px": height}
    recording = given.recording.model_copy(update=size)
    radius = 0.45 * height
    fields = [
        FieldSpan(
            start_s=0, stop_s=10, shape="circle", center_x_px=width / 2, center_y_px=height / 2,
            radius_px=radius, left_px=0, top_px=0, right_px=width, bottom_px=height,
            confidence=0.97,
        )
    ]  # fmt: skip
    box = (width // 2, height // 2, round(0.2 * height), round(0.1 * height))
    other = (width // 2 - round(0.3 * height), height // 2, round(0.1 * height), box[3])
    lettering = [
        Lettering(start_s=2, stop_s=4, box_px=box, where="field", confidence=1),
        Lettering(start_s=0, stop_s=10, box_px=other, where="surround", confidence=1),
    ]
    given = with_survey(
        given, recording=given.survey.recording.model_copy(update=size), field=fields,
        lettering=lettering, faces=[Face(start_s=6, stop_s=8, box_px=other, confidence=0.9)],
    )  # fmt: skip
    coarse = CoarseProxy(tmp_path, recording)
    times = np.arange(0.0, 10.0, 0.4)
    for time_s in times:
        coarse.step(Picture(float(time_s), frame(width, height)))
    (tmp_path / "kept.mp4").write_bytes(coarse.finish(given.survey, False, Options()))
    assert [p.name for p in tmp_path.iterdir()] == ["kept.mp4"]  # the open copy is gone

    with av.open(str(tmp_path / "kept.mp4")) as container:
        shown = [(f.time, f.to_ndarray(format="gray")) for f in container.decode(video=0)]
    np.testing.assert_allclose([t for t, _ in shown], times, atol=2e-3)
    cols, rows = proxy_size(recording)
    assert shown[0][1].shape == (rows, cols) and rows <= 270
    y, x = (np.mgrid[:rows, :cols] + 0.5) * height / rows
    from_centre = np.hypot(x - width / 2, y - height / 2)
    inside = from_centre < radius - 0.05 * height

    def within(b: tuple[int, int, int, int], edge_px: float) -> np.ndarray:
        return (
            (x > b[0] + edge_px) & (x < b[0] + b[2] - edge_px)
            & (y > b[1] + edge_px) & (y < b[1] + b[3] - edge_px)
        )  # fmt: skip

    step = 8 * height / rows  # coding spreads an edge over a block
    for time_s, picture in shown:
        assert picture[from_centre > radius + 2 * step].max() <= 24
        for cover, on in ((box, 1.75 <= time_s < 4.25), (other, 5.75 <= time_s < 8.25)):
            values = picture[inside & within(cover, step / 2)]
            assert values.max() <= 40 if on else values.min() > 150


def test_a_copy_that_cannot_be_written_does_not_stop_the_survey(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = source(length_s=2.0)

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    coarse = CoarseProxy(tmp_path, given.recording)
    coarse.step(Picture(0.0, frame(1280, 720)))
    monkeypatch.setattr("pipeline.stages.proxy.SmallVideo.add", full)
    coarse.step(Picture(0.4, frame(1280, 720)))
    coarse.step(Picture(0.8, frame(1280, 720)))
    assert coarse.finish(given.survey, False, Options()) == b""
    assert not list(tmp_path.iterdir())


def test_a_single_picture_is_a_copy_too(tmp_path: Path) -> None:
    given = source(length_s=1.0)
    coarse = CoarseProxy(tmp_path, given.recording)
    coarse.step(Picture(0.0, frame(1280, 720)))
    (tmp_path / "kept.mp4").write_bytes(coarse.finish(given.survey, True, Options()))
    with av.open(str(tmp_path / "kept.mp4")) as container:
        assert sum(1 for _ in container.decode(video=0)) == 1
