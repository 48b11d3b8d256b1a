"""Fingerprint of the sound: by it withdrawn sound is recognised, whatever it was put into."""

from pipeline.analysis.sound.sound_print import SoundPrintFold
from pipeline.stages.measures.measure import Measured, SoundMeasure


def _result(fold: SoundPrintFold) -> Measured:
    return Measured(series={"heard": fold.finish()})


MEASURE = SoundMeasure(name="heard", version="1", start=SoundPrintFold, result=_result)
