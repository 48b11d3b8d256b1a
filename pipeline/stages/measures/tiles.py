"""Coarse pictures: verify holds the whole finished clip against them."""

from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.tiles import TilesFold
from pipeline.stages.measures.measure import Measured, PictureMeasure, Scene


def _start(scene: Scene) -> TilesFold:
    return TilesFold()


def _result(fold: TilesFold, duration_s: float) -> Measured:
    time_s, tiles = fold.finish()
    return Measured(series={"tiles_time_s": time_s, "tiles": tiles})


MEASURE = PictureMeasure(
    name="tiles",
    version="1",
    rate_hz=LensFold.SAMPLE_RATE_HZ,
    rows_px=LensFold.SAMPLE_MAX_ROWS_PX,
    start=_start,
    result=_result,
)
