"""What a measure says of itself: the survey runs whatever is registered.

A measure is a streaming accumulator, called a fold: `start` makes one, `step` takes the next
picture or block, and `result` reads it off at the end. It keeps scores; it decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

from pipeline.model.field import FieldSpan


@dataclass(frozen=True)
class Scene:
    """The working picture of a file. fields: empty until the field is known."""

    width_px: int
    height_px: int
    fields: Sequence[FieldSpan] = ()


@dataclass(frozen=True)
class Measured:
    """What came of a measure: arrays of `series.npz`, and fields of `survey.json`."""

    series: dict[str, NDArray[Any]] = field(default_factory=dict)
    survey: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class PictureMeasure:
    """A measure of pictures; its fold has `step(time_s, rgb)`, rgb uint8 (row, col, 3).

    version: raise it when its numbers change, so that what is kept lapses. rate_hz: how often
    it looks. rows_px: most rows of a picture that it takes. start: makes the fold. result: of
    the fold, for a file of duration_s. finds_field: it looks while the file is decoded, and the
    others wait for its `field`.
    """

    name: str
    version: str
    rate_hz: float
    rows_px: int
    start: Callable[[Scene], Any]
    result: Callable[[Any, float], Measured]
    finds_field: bool = False


@dataclass(frozen=True)
class SoundMeasure:
    """A measure of the file's own sound; its fold has `step(block)`, (2, n) at 48 kHz."""

    name: str
    version: str
    start: Callable[[], Any]
    result: Callable[[Any], Measured]


@dataclass(frozen=True)
class PacketMeasure:
    """A measure that watches the reading itself, packet by packet (`ReadReport.watch`).

    result: of the fold, with the function from the file's time to its axis, and the duration.
    """

    name: str
    version: str
    start: Callable[[], Any]
    result: Callable[[Any, Callable[[float], float], float], Measured]
