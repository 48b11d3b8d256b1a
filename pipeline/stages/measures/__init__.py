"""The measures of a survey, each declared in a module of its own (`measure`).

A new measure is one module and one line here; the survey runs it and keeps what it finds.
"""

from pipeline.stages.measures import (
    activity,
    damage,
    field,
    heard,
    lens,
    loudness,
    prints,
    tiles,
    voices,
)
from pipeline.stages.measures.measure import PacketMeasure, PictureMeasure, SoundMeasure

READING: PacketMeasure = damage.MEASURE
PICTURES: tuple[PictureMeasure, ...] = (
    field.MEASURE,
    lens.MEASURE,
    prints.MEASURE,
    activity.MEASURE,
    tiles.MEASURE,
)
SOUNDS: tuple[SoundMeasure, ...] = (loudness.MEASURE, voices.MEASURE, heard.MEASURE)


def versions() -> dict[str, str]:
    """Name -> version of every measure."""
    every: list[PacketMeasure | PictureMeasure | SoundMeasure] = [READING, *PICTURES, *SOUNDS]
    return {m.name: m.version for m in every}
