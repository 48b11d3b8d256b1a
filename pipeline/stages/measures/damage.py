"""Where a recording was not read as it was written."""

from collections.abc import Callable

from pipeline.analysis.damage import DamageFold, on_axis
from pipeline.model.survey import Damage
from pipeline.stages.measures.measure import Measured, PacketMeasure


def _result(fold: DamageFold, shift_s: Callable[[float], float], duration_s: float) -> Measured:
    harmed = [
        Damage(what="picture", start_s=d.start_s, stop_s=d.stop_s, sign=d.sign)
        for d in on_axis(fold.finish(), shift_s, duration_s)
    ]
    return Measured(survey={"damage": harmed})


MEASURE = PacketMeasure(name="damage", version="6", start=DamageFold, result=_result)
