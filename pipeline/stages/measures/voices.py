"""Scores of voice activity in the file's own sound; spans are decided from them later."""

from pipeline.analysis.sound.speech import SpeechFold
from pipeline.analysis.sound.voice_activity import room_detectors
from pipeline.stages.measures.measure import Measured, SoundMeasure


def _start() -> SpeechFold:
    return SpeechFold(2, detectors=room_detectors())


def _result(fold: SpeechFold) -> Measured:
    return Measured(series=fold.finish().arrays())


MEASURE = SoundMeasure(name="voices", version="6", start=_start, result=_result)
