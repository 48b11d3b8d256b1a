"""Where in the field something happens: the mark keeps away from it."""

from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.mark.activity import ActivityFold
from pipeline.stages.measures.measure import Measured, PictureMeasure, Scene


def _start(scene: Scene) -> ActivityFold:
    return ActivityFold(list(scene.fields), scene.width_px, scene.height_px)


def _result(fold: ActivityFold, duration_s: float) -> Measured:
    return Measured(series={f"activity_{name}": grid for name, grid in fold.finish().items()})


MEASURE = PictureMeasure(
    name="activity",
    version="1",
    rate_hz=ActivityFold.SAMPLE_RATE_HZ,
    rows_px=LensFold.SAMPLE_MAX_ROWS_PX,
    start=_start,
    result=_result,
)
