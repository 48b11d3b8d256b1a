"""Small pictures on disk have one size, whichever way they were reduced."""

from __future__ import annotations

from pathlib import Path

import av
import media_zoo
import numpy as np
import pytest

from pipeline.analysis.field import track as field
from pipeline.analysis.lens import fold as lens
from pipeline.media.container import file_sha256
from pipeline.media.frame import reduce_rgb
from pipeline.media.probe import probe
from pipeline.stages.intake import SourceFile
from pipeline.stages.spool import Spool, shrink
from pipeline.stages.survey import load_series, survey_file


@pytest.mark.parametrize("size", [(720, 576), (1280, 1024), (1920, 1080), (4096, 2160)])
def test_both_ways_of_reducing_end_in_one_size(tmp_path: Path, size: tuple[int, int]) -> None:
    frame = av.VideoFrame(*size, "yuv420p")
    small = lens.LensFold.SAMPLE_MAX_ROWS_PX
    large = max(field.FieldFold.SAMPLE_MAX_ROWS_PX, small)
    spool = Spool(tmp_path)
    spool.add(0.0, shrink(reduce_rgb(frame, large, "bt709"), small))
    spool.add(0.2, reduce_rgb(frame, small, "bt709"))
    kept = list(spool.samples())
    spool.close()
    assert [t for t, _ in kept] == [0.0, 0.2]
    assert len({rgb.shape for _, rgb in kept}) == 1 and kept[0][1].dtype == np.uint8


def test_a_recording_of_576_rows_is_surveyed(tmp_path: Path) -> None:
    """576 rows (Recommendation ITU-R BT.601) come to 115 or 120 rows, by the way taken."""
    path = tmp_path / "a.mp4"
    media_zoo.scope_clip(path, 3.0, size=(720, 576), seed=2)
    source = SourceFile(0, path, 0, False, file_sha256(path))
    surveyed = survey_file(source, probe(path), tmp_path)
    assert len(surveyed.series["time_s"]) >= 14
    assert surveyed.survey.field[0].shape in ("circle", "circle-clipped")


def test_series_of_an_earlier_version_are_read_under_the_names_of_today(tmp_path: Path) -> None:
    values = np.linspace(0, 1, 5, dtype=np.float32)
    path = tmp_path / "series.npz"
    np.savez_compressed(path, time_s=values, veil_level=values)
    series = load_series(path)
    assert sorted(series) == ["time_s", "veiling_luminance"]
    np.testing.assert_array_equal(series["veiling_luminance"], values)
