"""What a source file is, read from its headers and its first pictures."""

from __future__ import annotations

import math
from contextlib import closing, suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.media.carried import found_metadata
from pipeline.media.container import (
    PICTURE_AREA_LIMIT_PX,
    STILL_DEMUXERS,
    attached,
    file_sha256,
    open_media,
    refuse_cut_short,
)
from pipeline.media.labels import label
from pipeline.media.orientation import colour_matrix, holds_rgb, orientation
from pipeline.model.recording import AudioStream, Recording, VideoStream

PICTURE_LIMIT_PX = 8192
# A photograph's working picture fits into this (width, height), the largest picture that the
# default settings put out: all that follows costs as much as one picture of a video.
PHOTOGRAPH_PX = (3840, 2160)
# A picture must come out within this many packets: minutes of any real recording.
FIRST_PACKETS = 5000


def probe(path: Path, *, sha256: str | None = None) -> Recording:
    """What the file is. Raises InputError if it holds no picture or is cut short."""
    refuse_cut_short(path)
    warnings: list[str] = []
    photograph = path.suffix.lower() in STILL_DEMUXERS
    with closing(open_media(path)) as container:
        pictures = [s for s in container.streams.video if not attached(s)]
        if not pictures:
            raise InputError(
                "A file holds no picture", label(path), "give a video; sound goes to --narration"
            )
        stream = pictures[0]
        if stream.codec_context is None:
            raise InputError(
                "The picture of a file is coded in a way that is not known", label(path),
                "convert it to H.264",
            )  # fmt: skip
        _check_size(stream.codec_context.width, stream.codec_context.height, told=True)
        stream.codec_context.thread_count = 1
        if len(pictures) > 1:
            warnings.append("more than one picture stream: only the first is used")
        identifying = found_metadata(container)
        frame, interlaced, first_s = _first_pictures(container, stream, path)
        video, aspect = _video_facts(stream, frame, interlaced, first_s, warnings)
        video.duration_s = _told_s(container, stream)
        width_px, height_px = working_size(video, aspect)
        if photograph:
            width_px, height_px = _within(width_px, height_px)
        rate = stream.average_rate or stream.guessed_rate or Fraction(25)
        duration_s = video.duration_s or _whole_s(container)
        audio = [
            AudioStream(
                codec=s.codec_context.name,
                rate_hz=s.codec_context.sample_rate or 0,
                channels=s.codec_context.channels or 0,
                layout=getattr(s.codec_context.layout, "name", "") or "",
                start_s=float((s.start_time or 0) * s.time_base),
                duration_s=float(s.duration * s.time_base) if s.duration else None,
            )
            for s in container.streams.audio
            if s.codec_context is not None
        ]
        chapters = len(container.chapters())
        name = container.format.name
    return Recording(
        sha256=sha256 or file_sha256(path),
        size_bytes=path.stat().st_size,
        container=name,
        duration_s=round(duration_s, 6),
        frame_rate_hz=round(float(rate), 6),
        width_px=width_px,
        height_px=height_px,
        video=video,
        audio=audio,
        chapters=chapters,
        identifying=identifying,
        warnings=warnings,
    )


def working_size(video: VideoStream, aspect: Fraction) -> tuple[int, int]:
    """Upright, square pixels, even: the size of the working picture (width, height).

    The rows stay as they are, the columns take up the pixel aspect: 720x480 at 8:9
    becomes 640x480.
    """
    width, height = video.coded_width_px * float(aspect), float(video.coded_height_px)
    if video.rotation_deg in (90, 270):
        width, height = height, width
    return max(2, math.floor(width / 2 + 0.25) * 2), max(2, math.floor(height / 2 + 0.25) * 2)


def _within(width_px: int, height_px: int) -> tuple[int, int]:
    """The even size of a photograph's working picture: its own, or what fits `PHOTOGRAPH_PX`."""
    most_width, most_height = PHOTOGRAPH_PX
    ratio = min(1.0, most_width / width_px, most_height / height_px)
    if ratio == 1.0:
        return width_px, height_px
    return max(2, round(width_px * ratio / 2) * 2), max(2, round(height_px * ratio / 2) * 2)


def on_working_picture(numbers: list[float], recording: Recording) -> list[float]:
    """Numbers in pixels of the upright file, as a person reads them off, in those of the
    working picture: less where a photograph was scaled down."""
    whole, _ = working_size(recording.video, Fraction(recording.video.pixel_aspect))
    return [n * recording.width_px / whole for n in numbers]


def _told_s(container: Any, stream: Any) -> float | None:
    """How long the pictures last by what the file says of them alone."""
    if stream.duration:
        return round(float(stream.duration * stream.time_base), 6)
    # Matroska has a tag of the stream, 00:00:02.040000000: where its last picture ends.
    with suppress(KeyError, ValueError):
        hours, minutes, seconds = (float(n) for n in stream.metadata["DURATION"].split(":"))
        stop_s = hours * 3600 + minutes * 60 + seconds
        length_s = stop_s - max(0.0, float((stream.start_time or 0) * stream.time_base))
        if 0 < length_s <= _whole_s(container):
            return round(length_s, 6)
    return None


def _whole_s(container: Any) -> float:
    """How long the file is by its own words, 0 if it has none."""
    length = container.duration or 0
    if "matroska" in container.format.name:  # counts from 0, not from the first picture
        length = max(0, length - max(0, container.start_time or 0))
    return float(length) / 1_000_000


def _first_pictures(container: Any, stream: Any, path: Path) -> tuple[Any, bool, float]:
    """The first decodable picture, whether the first ones are interlaced, its time stamp."""
    import av

    first = None
    flagged = count = read = 0
    try:
        for packet in container.demux(stream):
            read += 1
            if first is None and read > FIRST_PACKETS:
                break
            try:
                frames = packet.decode()
            except av.error.FFmpegError:
                continue
            for frame in frames:
                if first is None:
                    first = frame
                count += 1
                flagged += bool(frame.interlaced_frame)
            if count >= 6:
                break
    except (av.error.FFmpegError, OSError, MemoryError):
        pass
    if first is None and path.suffix.lower() in STILL_DEMUXERS:
        # The decoder takes no larger one apart, and then does not say how large it is.
        raise InputError(
            "A photograph is damaged, or larger than 8192x4608 pixels",
            label(path),
            "copy it again, or scale it down first",
        )
    if first is None:
        raise InputError(
            "The picture of a file cannot be decoded", label(path), "copy it again, or convert it"
        )
    time_s = float(first.pts * first.time_base) if first.pts is not None else 0.0
    return first, flagged * 2 > count, time_s


def _video_facts(
    stream: Any, frame: Any, interlaced: bool, first_s: float, warnings: list[str]
) -> tuple[VideoStream, Fraction]:
    context = stream.codec_context
    width, height = frame.width, frame.height
    _check_size(width, height)
    aspect = Fraction(1)
    for source in (stream.sample_aspect_ratio, context.sample_aspect_ratio):
        if source and source > 0:
            aspect = Fraction(source)
            break
    if not Fraction(1, 8) <= aspect <= 8:
        warnings.append("an impossible pixel aspect was ignored")
        aspect = Fraction(1)
    rotation, mirrored = orientation(frame)
    matrix, assumed = colour_matrix(frame, height)
    if assumed:
        warnings.append(f"no colour matrix in the file: {matrix} assumed from the picture height")
    name = frame.format.name
    full = int(getattr(frame, "color_range", 0) or 0) == 2 or name.startswith("yuvj")
    if holds_rgb(frame):
        full = False
    depth = max((c.bits for c in frame.format.components), default=8)
    if depth > 8:
        warnings.append(f"{depth}-bit picture: the clip is made in 8 bits")
    if int(getattr(frame, "color_trc", 0) or 0) in (16, 18):
        warnings.append("high-dynamic-range picture: brightness may not look as recorded")
    order = str(getattr(context, "field_order", "") or "").lower()
    rate = stream.average_rate
    return (
        VideoStream(
            codec=context.name,
            coded_width_px=width,
            coded_height_px=height,
            pixel_format=name,
            bit_depth=depth,
            average_rate_hz=round(float(rate), 6) if rate else None,
            time_base=f"{stream.time_base.numerator}/{stream.time_base.denominator}",
            start_s=round(first_s, 6),
            interlaced=interlaced,
            top_field_first=not ("bb" in order or "bottom" in order),
            rotation_deg=rotation,
            mirrored=mirrored,
            pixel_aspect=f"{aspect.numerator}/{aspect.denominator}",
            matrix=matrix,
            matrix_assumed=assumed,
            full_range=full,
        ),
        aspect,
    )


def _check_size(width: int, height: int, *, told: bool = False) -> None:
    """Raises InputError for a size out of range. told: by a header, where 0 is 'not said'."""
    least = 0 if told else 16
    good = least <= width <= PICTURE_LIMIT_PX and least <= height <= PICTURE_LIMIT_PX
    if not good or width * height > PICTURE_AREA_LIMIT_PX:
        raise InputError(
            "The picture size is out of range",
            f"{width}x{height}",
            f"give a picture of 16 to {PICTURE_LIMIT_PX} pixels on each side,"
            " and no larger than 8192x4608",
        )
