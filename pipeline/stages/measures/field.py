"""Where the scope field lies."""

from pipeline.analysis.field.track import FieldFold
from pipeline.stages.measures.measure import Measured, PictureMeasure, Scene


def _start(scene: Scene) -> FieldFold:
    return FieldFold(scene.width_px, scene.height_px)


def _result(fold: FieldFold, duration_s: float) -> Measured:
    return Measured(survey={"field": fold.finish(duration_s)})


MEASURE = PictureMeasure(
    name="field",
    version="8",
    rate_hz=FieldFold.SAMPLE_RATE_HZ,
    rows_px=FieldFold.SAMPLE_MAX_ROWS_PX,
    start=_start,
    result=_result,
    finds_field=True,
)
