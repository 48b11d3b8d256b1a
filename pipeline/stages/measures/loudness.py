"""Loudness of the file's own sound."""

import numpy as np

from pipeline.analysis.sound.loudness import LoudnessFold
from pipeline.stages.measures.measure import Measured, SoundMeasure


def _start() -> LoudnessFold:
    return LoudnessFold(2)


def _result(fold: LoudnessFold) -> Measured:
    found = fold.finish()
    power = np.asarray(found.hop_power, np.float32)
    return Measured({"sound_hop_power": power}, {"loudness": found.track()})


MEASURE = SoundMeasure(name="loudness", version="3", start=_start, result=_result)
