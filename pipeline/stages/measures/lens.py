"""Contrast loss and its companions, picture by picture."""

from pipeline.analysis.lens.fold import LensFold
from pipeline.stages.measures.measure import Measured, PictureMeasure, Scene


def _start(scene: Scene) -> LensFold:
    return LensFold(list(scene.fields), scene.width_px, scene.height_px)


def _result(fold: LensFold, duration_s: float) -> Measured:
    return Measured(series=dict(fold.finish().series()))


MEASURE = PictureMeasure(
    name="lens",
    version="11",
    rate_hz=LensFold.SAMPLE_RATE_HZ,
    rows_px=LensFold.SAMPLE_MAX_ROWS_PX,
    start=_start,
    result=_result,
)
