"""Pictures of a file in order of time, each with its own time stamp, as working pictures.

Damaged packets are left out and counted; a file that never ends is given up.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from threading import get_ident
from time import monotonic
from typing import Any

from pipeline.errors import InputError
from pipeline.media import nal
from pipeline.media.avi_chunks import Chunks, demuxed
from pipeline.media.complaints import Heard, Watch, listening
from pipeline.media.container import attached, open_media
from pipeline.media.frame import Picture, plane_view
from pipeline.media.prefetch import beats
from pipeline.media.time_stamps import (
    JUMP_S,
    LONG_GAP_S,
    LONGEST_S,
    ReadReport,
    endless_file,
    known_jump,
    on_file_axis,
    seconds,
    seekable,
    shift_at,
)
from pipeline.media.working import WorkingPictures
from pipeline.model.recording import Recording, TimeJump
from pipeline.model.time import Span

MISSING = "bytes are missing"
REPEATED = 4  # packets may hold this many times the bytes of the file


def read_pictures(
    path: Path,
    recording: Recording,
    *,
    report: ReadReport | None = None,
    start_s: float = 0.0,
    stop_s: float = float("inf"),
    size_px: tuple[int, int] | None = None,
    matrix: str | None = None,
    double_rate: bool = False,
    skip_unreferenced: bool = False,
    whole: Sequence[Span] = (),
    from_key: bool = False,
    threads: int = 0,
) -> Iterator[Picture]:
    """Pictures in [start_s, stop_s) in order of time.

    A damaged packet is skipped and counted in `report`; a jump of the time stamps
    backwards, or forwards by more than 10 s, is closed and noted as a gap.
    from_key: begin at the key frame at or before start_s instead (nothing is decoded in vain).
    skip_unreferenced: leave out pictures that no other depends on, but for those in `whole`,
    spans in order that do not overlap.
    size_px: (width, height) to scale to, up or down; None keeps that of the working picture.
    matrix: colour matrix to convert to; None keeps the file's own.
    threads: of the decoder; 0 is one, see `prefetched`.
    Raises InputError when the file cannot be opened.
    """
    note = report if report is not None else ReadReport()
    if (from_key or start_s > 2.0 + 1e-9) and seekable(recording):
        # Where a file has no usable index, a seek can land too late or at the end.
        for back_s in (0.0 if from_key else 0.5, 4.0, 15.0):
            sought = _pictures(
                path, recording, note, start_s, stop_s, size_px, matrix, double_rate,
                skip_unreferenced, threads, back_s, from_key, whole,
            )  # fmt: skip
            first = next(sought, None)
            if first is not None:
                yield first
                yield from sought
                return
    yield from _pictures(path, recording, note, start_s, stop_s, size_px, matrix,
                         double_rate, skip_unreferenced, threads, None, False,
                         whole)  # fmt: skip


def _pictures(
    path: Path,
    recording: Recording,
    note: ReadReport,
    start_s: float,
    stop_s: float,
    size_px: tuple[int, int] | None,
    matrix: str | None,
    double_rate: bool,
    skip_unreferenced: bool,
    threads: int,
    back_s: float | None,
    from_key: bool,
    whole: Sequence[Span],
) -> Iterator[Picture]:
    """As `read_pictures`; nothing at all where a seek did not land at or before start_s.

    back_s: seek that long before start_s; None reads from the start of the file.
    """
    wanted_s, seek = start_s, back_s is not None
    origin_s = recording.video.start_s
    with closing(open_media(path)) as container:
        stream = next(s for s in container.streams.video if not attached(s))
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = threads or 1
        if skip_unreferenced:
            stream.codec_context.skip_frame = "NONREF"
        if back_s is not None:
            at_s = max(0.0, start_s - back_s)
            if not _seek(container, stream, origin_s + on_file_axis(recording.jumps, at_s)):
                return
        if from_key:
            start_s = 0.0
        work = WorkingPictures(recording, stream, size_px, double_rate, matrix)
        usual_s = 1 / recording.frame_rate_hz if recording.frame_rate_hz else 0.04
        shift_s, previous_s = 0.0, None
        jumped = note.jumped
        whole = whole if skip_unreferenced else ()
        for frame in _frames(path, container, stream, note, origin_s, recording.size_bytes, whole):
            for shown in work.push(frame, note):
                if shown.pts is None:
                    time_s = (previous_s + usual_s) if previous_s is not None else 0.0
                else:
                    raw_s = seconds(shown.pts, shown.time_base) - origin_s
                    if previous_s is None and seek:
                        shift_s = shift_at(recording.jumps, raw_s)
                    time_s = raw_s + shift_s
                if previous_s is None and seek and time_s > wanted_s + 1e-6:
                    return
                if previous_s is not None:
                    step_s = time_s - previous_s
                    jump = note.undated or note.jumped > jumped
                    if step_s <= 0 and not jump:
                        # Out of turn in a damaged part: the time stamps themselves are whole.
                        note.add_damage(raw_s if shown.pts is not None else None)
                        continue
                    if (step_s <= 0 or step_s > JUMP_S) and jump:
                        jumped += 1
                        # Wrapped or broken time stamps: go on as the table of jumps says,
                        # without one a usual step later.
                        note.gaps.append((round(previous_s, 6), round(step_s, 6)))
                        shift_s += usual_s - step_s
                        time_s = previous_s + usual_s
                        known = known_jump(recording.jumps, time_s)
                        if known is not None and shown.pts is not None:
                            again_s = raw_s + known.shift_s
                            if 0 < again_s - previous_s <= JUMP_S:
                                shift_s, time_s = known.shift_s, again_s
                        note.jumps.append(TimeJump(at_s=time_s, shift_s=shift_s))
                    else:
                        if step_s > LONG_GAP_S:
                            note.gaps.append((round(previous_s, 6), round(step_s, 6)))
                        note.shortest_s = min(note.shortest_s, step_s)
                        note.longest_s = max(note.longest_s, step_s)
                previous_s = time_s
                note.last_s = time_s
                if time_s > LONGEST_S:
                    raise endless_file(path, "more than a day of pictures")
                time_s = round(time_s, 6)
                if time_s >= stop_s:
                    return
                if time_s >= start_s - 1e-9:
                    note.frames += 1
                    yield Picture(max(0.0, time_s), shown)
        for shown in work.flush():
            if shown.pts is None:
                continue
            time_s = round(seconds(shown.pts, shown.time_base) - origin_s + shift_s, 6)
            if start_s - 1e-9 <= time_s < stop_s and (previous_s is None or time_s > previous_s):
                note.frames += 1
                previous_s = note.last_s = time_s
                yield Picture(max(0.0, time_s), shown)


def _seek(container: Any, stream: Any, time_s: float) -> bool:
    """To the key frame before `time_s`, else to the start; False where neither can be done."""
    import av

    try:
        container.seek(max(0, int(time_s / stream.time_base)), stream=stream, backward=True)
        return True
    except (av.error.FFmpegError, OSError, OverflowError):
        pass
    try:
        container.seek(0)
        return True
    except (av.error.FFmpegError, OSError):
        return False


def _frames(
    path: Path,
    container: Any,
    stream: Any,
    note: ReadReport,
    origin_s: float,
    size_bytes: int,
    whole: Sequence[Span] = (),
) -> Iterator[Any]:
    """Decoded frames; damaged packets are counted and left out."""
    import av

    packets = demuxed(container, stream, path)
    read = broken = 0
    last: int | None = None
    me = get_ident()
    watcher = _Watcher(stream, note.watch, origin_s) if note.watch is not None else None
    with ExitStack() as stack:
        if watcher is not None:
            stack.enter_context(listening())
            if container.format.name == "avi":
                file = stack.enter_context(path.open("rb"))
                watcher.chunks = Chunks(file, path.stat().st_size)
        while True:
            try:
                packet = watcher.heard(next, packets) if watcher else next(packets)
            except StopIteration:
                return
            except av.error.InvalidDataError:
                note.add_damage(None)
                broken += 1
                if watcher is not None:
                    watcher.lost()
                if broken > 1000:
                    return
                packets = demuxed(container, stream, path)
                continue
            except (av.error.FFmpegError, OSError):
                note.add_damage(None)
                if watcher is not None:
                    watcher.lost()
                return
            if me in beats:
                beats[me] = monotonic()
            read += max(1, packet.size)
            if read > REPEATED * size_bytes + 1_000_000:
                raise InputError(
                    "A file does not come to an end",
                    f"{read} bytes of pictures in a file of {size_bytes}",
                    "copy it again, or convert it",
                )
            if packet.pts is not None and packet.size and not packet.is_discard:
                note.packets.append(packet.pts)
                # Without a decoding time nothing is said about a jump; Matroska leaves out
                # the first ones.
                dts = packet.dts if packet.dts is not None else last
                note.undated = dts is None
                if dts is not None and last is None:
                    note.decoding = array("q", [dts] * len(note.decoding))
                elif dts is not None and last is not None:
                    note.jumped += not 0 <= seconds(dts - last, packet.time_base) <= JUMP_S
                last = dts
                note.decoding.append(dts or 0)
            at_s = None if packet.pts is None else seconds(packet.pts, packet.time_base) - origin_s
            if whole and at_s is not None:
                begun = bisect_right(whole, (at_s, float("inf")))
                inside = begun > 0 and at_s < whole[begun - 1].stop_s
                stream.codec_context.skip_frame = "DEFAULT" if inside else "NONREF"
            failed = False
            frames: list[Any] = []
            try:
                frames = watcher.heard(packet.decode) if watcher else packet.decode()
            except av.error.EOFError:
                return
            except (av.error.FFmpegError, ValueError, MemoryError):
                note.add_damage(at_s)
                failed = True
            if watcher is not None:
                watcher.packet(packet, failed)
            for frame in frames:
                if frame.is_corrupt:
                    stamp = frame.pts
                    note.add_damage(
                        at_s if stamp is None else seconds(stamp, frame.time_base) - origin_s
                    )
                if watcher is not None:
                    watcher.picture(frame)
                yield frame


class _Watcher:
    """Tells a `Watch` of packets and pictures, in time stamps less the first one of the file."""

    def __init__(self, stream: Any, watch: Watch, origin_s: float) -> None:
        self.heard = Heard(stream.codec_context.codec.name)
        self._watch, self._origin_s = watch, origin_s
        self._codec = stream.codec_context.codec.name
        self._size = nal.length_size(self._codec, stream.codec_context.extradata)
        self.chunks: Chunks | None = None  # of an AVI

    def lost(self) -> None:
        self._watch.packet(None, None, False, MISSING)

    def packet(self, packet: Any, failed: bool) -> None:
        """After it was decoded: `failed`, or what was heard of it meanwhile."""
        complained = self.heard.complained
        self.heard.clear()
        sign = ""
        if failed:
            sign = "cannot be decoded"
        elif packet.is_corrupt or self._gap(packet):
            sign = MISSING
        elif complained:
            sign = "decoded with errors"
        if not packet.size:
            self._watch.packet(None, None, False, sign)  # the end: pictures held back come out
            return
        look = nal.look(bytes(packet), self._codec, self._size)
        key = packet.is_keyframe if look.key is None else look.key
        stamp = packet.pts if packet.pts is not None else packet.dts
        step = packet.dts
        base = packet.time_base
        self._watch.packet(
            None if stamp is None else seconds(stamp, base) - self._origin_s,
            None if step is None else seconds(step, base) - self._origin_s,
            bool(key),
            sign or look.broken,
        )

    def _gap(self, packet: Any) -> bool:
        """True if something was lost before the packet, or behind the last one."""
        if self.chunks is None:
            return False
        if not packet.size:
            return packet.pts is None and self.chunks.lost_after()
        return self.chunks.lost_before(packet.pos, packet.size)

    def picture(self, frame: Any) -> None:
        stamp = frame.pts if frame.pts is not None else frame.dts
        if stamp is None:
            return
        bits = frame.format.components[0].bits if frame.format.is_planar else 0
        luma = plane_view(frame.planes[0]) if bits == 8 and not frame.format.is_rgb else None
        at_s = seconds(stamp, frame.time_base) - self._origin_s
        self._watch.picture(at_s, bool(frame.is_corrupt), luma)
