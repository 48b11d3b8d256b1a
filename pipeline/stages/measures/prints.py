"""Fingerprints of the pictures: by them a copy of withdrawn material is recognised."""

from pipeline.analysis.identity.fingerprint import PrintFold
from pipeline.analysis.lens.fold import LensFold
from pipeline.stages.measures.measure import Measured, PictureMeasure, Scene


def _start(scene: Scene) -> PrintFold:
    return PrintFold(scene.fields, scene.width_px, scene.height_px)


def _result(fold: PrintFold, duration_s: float) -> Measured:
    time_s, prints = fold.finish()
    return Measured(series={"print_time_s": time_s, "prints": prints})


MEASURE = PictureMeasure(
    name="prints",
    version="1",
    rate_hz=LensFold.SAMPLE_RATE_HZ,
    rows_px=LensFold.SAMPLE_MAX_ROWS_PX,
    start=_start,
    result=_result,
)
