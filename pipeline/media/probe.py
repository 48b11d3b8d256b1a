"""What a source file is, read from its headers and its first pictures."""

from __future__ import annotations

import hashlib
import math
import os
import stat
from collections.abc import Callable
from contextlib import closing
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from pipeline.errors import InputError
from pipeline.media.labels import label
from pipeline.model.recording import AudioStream, FoundMetadata, Recording, VideoStream

# Containers that recorders, phones and editors write, and plain sound files.
# Playlists, concat scripts and network formats are not on the list.
DEMUXERS = (
    "mov,mp4,m4a,3gp,3g2,mj2", "matroska,webm", "avi", "mpegts", "mpeg", "dv", "mpegvideo",
    "h264", "hevc", "m4v", "mjpeg", "mxf", "asf", "wav", "w64", "flac", "ogg", "mp3", "aac",
    "aiff", "caf",
)  # fmt: skip
_ALLOWED = ",".join(DEMUXERS)
# Photographs are read only from files that say so by their name: not dressed as videos.
STILL_DEMUXERS = {
    ".png": "png_pipe", ".jpg": "jpeg_pipe", ".jpeg": "jpeg_pipe", ".bmp": "bmp_pipe",
    ".tif": "tiff_pipe", ".tiff": "tiff_pipe", ".webp": "webp_pipe",
}  # fmt: skip
PICTURE_LIMIT_PX = 8192
# 8192 x 4608: no picture is taken apart that would need more memory than this.
PICTURE_AREA_LIMIT_PX = 8192 * 4608
# A photograph's working picture fits into this (width, height), the largest picture that the
# default settings put out: all that follows costs as much as one picture of a video.
PHOTOGRAPH_PX = (3840, 2160)
LISTED_LIMIT = 200
# A picture must come out within this many packets: minutes of any real recording.
FIRST_PACKETS = 5000
_PLAIN_KEYS = {
    "major_brand", "minor_version", "compatible_brands", "encoder", "language", "vendor_id",
    "duration", "bps", "number_of_frames", "number_of_bytes",
}  # fmt: skip
_PLAIN_HANDLERS = {
    "videohandler", "soundhandler", "subtitlehandler", "datahandler", "iso media file",
    "core media video", "core media audio", "",
}  # fmt: skip


def open_media(path: Path) -> Any:
    """A PyAV input container that reaches one local file, with an allow-list of formats.

    Raises InputError with a sentence for anything that is not a readable media file.
    """
    import av

    check_plain_file(path)
    still = STILL_DEMUXERS.get(path.suffix.lower())
    try:
        container = av.open(
            f"file:{path}",
            "r",
            format=still,
            options={
                "protocol_whitelist": "file",
                "format_whitelist": still or _ALLOWED,
                "max_pixels": str(PICTURE_AREA_LIMIT_PX),
            },
            metadata_errors="replace",
        )
    except (av.error.FFmpegError, ValueError, OSError, OverflowError, MemoryError) as error:
        raise InputError(
            "A file is not a recording that can be read",
            f"{label(path)} ({type(error).__name__})",
            "give an MP4, MOV, MKV, AVI or MPEG-TS file; playlists are not followed",
        ) from None
    for stream in container.streams.video:
        if stream.codec_context is not None:
            # The decoder refuses larger pictures before it takes memory for them.
            stream.codec_context.options = {"max_pixels": str(PICTURE_AREA_LIMIT_PX)}
    return container


def check_plain_file(path: Path) -> None:
    """Raises InputError unless `path` is a readable regular file with content."""
    try:
        status = path.stat()
    except FileNotFoundError:
        raise InputError("A file was not found", label(path), "check the path") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or type(error).__name__
        raise InputError(
            "A file cannot be read", f"{label(path)}: {reason}", "check its name and permissions"
        ) from None
    if not stat.S_ISREG(status.st_mode):
        raise InputError("A file was expected", f"{label(path)} is not a file", "give a recording")
    if status.st_size == 0:
        raise InputError("A file is empty", label(path), "copy it again from the recorder")
    if not os.access(path, os.R_OK):
        raise InputError("A file cannot be read", label(path), "check its permissions")


def file_sha256(path: Path) -> str:
    """SHA-256 of the content, hexadecimal. Raises InputError if it cannot be read."""
    check_plain_file(path)
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(
            "A file cannot be read",
            f"{label(path)}: {error.strerror}",
            "check its permissions and the disk it lies on",
        ) from None


def probe(path: Path, *, sha256: str | None = None) -> Recording:
    """What the file is. Raises InputError if it holds no picture or is cut short."""
    _refuse_cut_short(path)
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
        identifying = _identifying(container)
        frame, interlaced, first_s = _first_pictures(container, stream, path)
        video, aspect = _video_facts(stream, frame, interlaced, first_s, warnings)
        width_px, height_px = working_size(video, aspect)
        if photograph:
            width_px, height_px = _within(width_px, height_px)
        rate = stream.average_rate or stream.guessed_rate or Fraction(25)
        duration_s = _duration_s(container, stream)
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


def attached(stream: Any) -> bool:
    return bool(int(stream.disposition) & 0x400)  # AV_DISPOSITION_ATTACHED_PIC


def _duration_s(container: Any, stream: Any) -> float:
    if stream.duration:
        return float(stream.duration * stream.time_base)
    if container.duration:
        length = container.duration
        if "matroska" in container.format.name:  # counts from 0, not from the first picture
            length = max(0, length - max(0, container.start_time or 0))
        return float(length) / 1_000_000
    return 0.0


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
    rotation, mirrored = _orientation(frame)
    matrix, assumed = _matrix(frame, height)
    if assumed:
        warnings.append(f"no colour matrix in the file: {matrix} assumed from the picture height")
    name = frame.format.name
    full = int(getattr(frame, "color_range", 0) or 0) == 2 or name.startswith("yuvj")
    if _is_rgb(frame):
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


def _is_rgb(frame: Any) -> bool:
    return bool(getattr(frame.format, "is_rgb", False))


def _matrix(frame: Any, height: int) -> tuple[Literal["bt709", "bt601", "bt2020"], bool]:
    """Colour matrix by the codes of ITU-T H.273: 1 BT.709; 5, 6 BT.601; 9, 10 BT.2020."""
    code = int(getattr(frame, "colorspace", 2) or 2)
    if code == 1:
        return "bt709", False
    if code in (4, 5, 6, 7):
        return "bt601", False
    if code in (9, 10):
        return "bt2020", False
    if _is_rgb(frame):
        return "bt709", False
    # Common practice, no source: untagged standard definition is BT.601, the rest BT.709.
    return ("bt601" if height < 720 else "bt709"), True


def _orientation(frame: Any) -> tuple[Literal[0, 90, 180, 270], bool]:
    """Clockwise turn that makes the picture upright, and mirroring, from the display matrix."""
    values = display_matrix(frame)
    if values is None:
        return 0, False
    a, b, c, d = values[0], values[1], values[3], values[4]
    mirrored = a * d - b * c < 0
    if mirrored:
        a, c = -a, -c
    turn = round(math.degrees(math.atan2(b, a)) / 90) * 90 % 360
    return {0: 0, 90: 90, 180: 180, 270: 270}[turn], mirrored  # type: ignore[return-value]


def display_matrix(frame: Any) -> tuple[int, ...] | None:
    """The nine numbers of the display matrix (ISO/IEC 14496-12, 8.3.2), if there is one."""
    import struct

    try:
        data = _side_data(frame, lambda kind: "DISPLAYMATRIX" in kind)
    except ValueError:
        # The frame carries a kind that PyAV has no name for: then it lists none of them.
        turn = -math.radians(frame.rotation)
        a, b = round(math.cos(turn) * 65536), round(math.sin(turn) * 65536)
        return (a, b, 0, -b, a, 0, 0, 0, 1 << 30) if turn else None
    if data is None or len(data) < 36:
        return None
    return struct.unpack("=9i", data[:36])


def _side_data(frame: Any, wanted: Callable[[str], bool]) -> bytes | None:
    for item in frame.side_data:
        if wanted(str(item.type).upper()):
            return bytes(item)
    return None


def _identifying(container: Any) -> list[FoundMetadata]:
    """Every tag and stream that is not needed to show picture and sound."""
    found: list[FoundMetadata] = []

    def tags(where: str, metadata: dict[str, str]) -> None:
        for key, value in metadata.items():
            low = key.lower()
            if low in _PLAIN_KEYS:
                continue
            if low == "handler_name" and value.strip("\x00 ").lower() in _PLAIN_HANDLERS:
                continue
            kind: Literal["text", "time", "place", "device"] = "text"
            if "time" in low or "date" in low:
                kind = "time"
            elif "location" in low or "gps" in low:
                kind = "place"
            elif any(word in low for word in ("make", "model", "device", "serial", "handler")):
                kind = "device"
            shown = "".join(c for c in key[:60] if c.isprintable())
            found.append(FoundMetadata(where=where, key=shown, kind=kind))

    tags("container", dict(container.metadata))
    for number, stream in enumerate(container.streams):
        where = f"stream {number}"
        tags(where, dict(stream.metadata))
        if stream.type == "video" and attached(stream):
            found.append(FoundMetadata(where=where, key="attached picture", kind="picture"))
        elif stream.type == "subtitle":
            found.append(FoundMetadata(where=where, key="subtitles", kind="subtitle"))
        elif stream.type not in ("video", "audio"):
            found.append(FoundMetadata(where=where, key=f"{stream.type} stream", kind="data"))
    for number, _ in enumerate(container.chapters()):
        found.append(FoundMetadata(where=f"chapter {number + 1}", key="title", kind="chapter"))
    if len(found) > LISTED_LIMIT:
        more = len(found) - LISTED_LIMIT
        found[LISTED_LIMIT:] = [FoundMetadata(where="file", key=f"{more} more", kind="data")]
    return found


def _refuse_cut_short(path: Path) -> None:
    """Raises InputError for an MP4 or MOV whose boxes reach past the end of the file.

    Walks the top-level boxes of ISO/IEC 14496-12 clause 4.2 only.
    """
    check_plain_file(path)
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if len(head) < 12 or head[4:8] not in (
            b"ftyp",
            b"moov",
            b"mdat",
            b"wide",
            b"free",
            b"skip",
        ):
            return
        at, movie = 0, False
        while at + 8 <= size:
            file.seek(at)
            box = file.read(16)
            length = int.from_bytes(box[:4], "big")
            if length == 1 and len(box) == 16:
                length = int.from_bytes(box[8:16], "big")
            elif length == 0:
                length = size - at
            movie |= box[4:8] in (b"moov", b"moof")
            if length < 8:
                break
            if at + length > size or (at + length == size and not movie):
                raise InputError(
                    "A file is cut short",
                    f"{label(path)}: a part of {length} bytes does not fit",
                    "copy it again from the recorder",
                )
            at += length
