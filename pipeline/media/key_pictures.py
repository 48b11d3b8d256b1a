"""Key frames of a file by themselves: nothing else of it is decoded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path

from pipeline.media.container import attached, open_media
from pipeline.media.frame import Picture
from pipeline.media.time_stamps import ReadReport, seconds
from pipeline.media.working import WorkingPictures
from pipeline.model.recording import Recording

_TICK_S = 1e-3


def read_key_pictures(
    path: Path,
    recording: Recording,
    at_s: Sequence[float],
    *,
    size_px: tuple[int, int],
    matrix: str,
) -> Iterator[Picture]:
    """The key frames shown at `at_s`, rising, as `read_pictures` gives them.

    For progressive files whose times do not jump. One that cannot be decoded is left out. Raises
    InputError when the file cannot be opened.
    """
    import av

    if not at_s:
        return
    origin_s = recording.video.start_s
    with closing(open_media(path)) as container:
        stream = next(s for s in container.streams.video if not attached(s))
        base = stream.time_base
        stream.codec_context.thread_count = 1
        work = WorkingPictures(recording, stream, size_px, False, matrix)
        for moment_s in at_s:
            with suppress(av.error.FFmpegError):
                at = round((moment_s + origin_s) / base)
                container.seek(at, stream=stream, backward=True)
                packet = next(container.demux(stream), None)
                if packet is None or packet.pts is None or not packet.is_keyframe:
                    continue
                if abs(seconds(packet.pts, base) - origin_s - moment_s) > _TICK_S:
                    continue
                for frame in [*packet.decode(), *stream.codec_context.decode(None)]:
                    if frame.pts == packet.pts and not frame.is_corrupt:
                        for shown in work.push(frame, ReadReport()):
                            yield Picture(round(moment_s, 6), shown)
