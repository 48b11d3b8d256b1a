"""What a source file is, as probed. Header facts and measured facts have different names."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.model.document import Document, Part


class VideoStream(Part):
    """Facts of the picture stream. Sizes are of the coded picture."""

    codec: str
    coded_width_px: int
    coded_height_px: int
    pixel_format: str
    bit_depth: int
    average_rate_hz: float | None
    time_base: str = Field(description="rational seconds per tick, 'num/den'")
    start_s: float = Field(description="first time stamp on the container's axis")
    duration_s: float | None = Field(
        default=None, description="of these pictures, where the file says so"
    )
    variable_rate: bool | None = Field(default=None, description="None until frames were counted")
    interlaced: bool = False
    top_field_first: bool = True
    rotation_deg: Literal[0, 90, 180, 270] = Field(
        default=0, description="clockwise turn that makes the picture upright"
    )
    mirrored: bool = False
    pixel_aspect: str = "1/1"
    matrix: Literal["bt709", "bt601", "bt2020"] = "bt709"
    matrix_assumed: bool = False
    full_range: bool = False


class AudioStream(Part):
    codec: str
    rate_hz: int
    channels: int
    layout: str
    start_s: float
    duration_s: float | None


class FoundMetadata(Part):
    """One piece of metadata that could identify someone: where it lies, never its value."""

    where: str = Field(description="container, video stream, attached picture, ...")
    key: str
    kind: Literal["text", "time", "place", "device", "picture", "data", "subtitle", "chapter"]


class TimeJump(Part):
    """A place where the time stamps of a file jump, and how reading goes on there.

    at_s: the first picture after it, on the recording's axis. shift_s: from there on
    added to a time stamp (less the first one of the file) to give the recording's axis.
    """

    at_s: float
    shift_s: float


class Recording(Document):
    """One source file.

    width_px and height_px are of the working picture: upright, square pixels,
    even sizes. All positions in pixels of a survey are on that picture.
    Time 0 is the first shown frame.
    """

    schema_: Literal["fieldstop.recording/1"] = Field(
        default="fieldstop.recording/1", alias="schema"
    )
    sha256: str
    size_bytes: int
    container: str
    duration_s: float = Field(description="from the header until the file was decoded")
    frame_rate_hz: float
    width_px: int
    height_px: int
    video: VideoStream
    audio: list[AudioStream] = []
    chapters: int = 0
    identifying: list[FoundMetadata] = []
    jumps: list[TimeJump] = Field(
        default=[], description="jumps of the time stamps, known once the file was read"
    )
    warnings: list[str] = []
