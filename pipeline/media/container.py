"""A source file opened: only what is on the list of containers, and never a playlist or a pipe."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.media.labels import label

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
# 8192 x 4608: no picture is taken apart that would need more memory than this.
PICTURE_AREA_LIMIT_PX = 8192 * 4608
# Sums of its own that a file carries (Ogg pages, FLAC and AC-3 frames, HEVC picture hashes) are
# held against what was read; libav does so only when asked.
CHECKED = {"err_detect": "crccheck"}


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
                **CHECKED,
            },
            metadata_errors="replace",
        )
    except (av.error.FFmpegError, ValueError, OSError, OverflowError, MemoryError) as error:
        refuse_cut_short(path)
        raise InputError(
            "A file is not a recording that can be read",
            f"{label(path)} ({type(error).__name__})",
            "give an MP4, MOV, MKV, AVI or MPEG-TS file; playlists are not followed",
        ) from None
    for stream in (*container.streams.video, *container.streams.audio):
        if stream.codec_context is not None:
            # The decoder refuses larger pictures before it takes memory for them.
            stream.codec_context.options = {"max_pixels": str(PICTURE_AREA_LIMIT_PX), **CHECKED}
    for stream in container.streams.audio:
        if stream.codec_context is not None:
            _plain_layout(stream.codec_context)
    return container


def refuse_cut_short(path: Path) -> None:
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


def _plain_layout(context: Any) -> None:
    """Give a decoder of sound an order of channels that is no list of its own.

    PyAV hands out a layout without copying such a list, and every one that was handed out frees
    it: the program crashed on 7.1 in MOV and CAF, whose order libav keeps as a list. The channels
    stay where they are; only what they are called is then the usual for their number.
    """
    given = context.layout  # owns the list alone once the decoder has another
    if given.nb_channels > 0:
        listed = "channels (" in given.name
        context.layout = f"{given.nb_channels}c" if listed else given.name


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


def attached(stream: Any) -> bool:
    return bool(int(stream.disposition) & 0x400)  # AV_DISPOSITION_ATTACHED_PIC
