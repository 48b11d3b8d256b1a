"""Pictures with their own time stamps, and sound on the time axis of the pictures.

Time 0 is the first shown frame. Pictures come as 8-bit yuv420p in limited
range, upright, with square pixels and even sizes (the working picture); a
source that is all that already is passed on untouched.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from queue import Empty, Full, Queue
from threading import Event, Thread, get_ident
from time import monotonic
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.media import nal
from pipeline.media.complaints import Heard, Watch, listening
from pipeline.media.labels import label
from pipeline.media.probe import attached, open_media
from pipeline.model.recording import Recording, TimeJump

RATE_HZ = 48_000
JUMP_S = 10.0
LONG_GAP_S = 1.0
# Limits for files that would never end: nothing real comes near them.
LONGEST_S = 24 * 3600.0
STALL_S = 120.0
SOUND_REACH_S = 0.15  # packets of sound last 20 to 100 ms, and overlap the next one
REPEATED = 4  # packets may hold this many times the bytes of the file
_beats: dict[int, float] = {}  # when each reading thread last got a packet


@dataclass(frozen=True)
class Picture:
    """One shown frame: `time_s` on the source's axis, `frame` a PyAV yuv420p frame."""

    time_s: float
    frame: Any

    def planes(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
        """Views (row, col) of the Y, U and V planes, without copying. Do not write to them."""
        y, u, v = (plane_view(p) for p in self.frame.planes[:3])
        return y, u, v


@dataclass
class ReadReport:
    """What was met while reading: counts of frames, damaged packets, and gaps in time.

    damaged_s: time stamps of damaged packets, less the first one of the file (the first
    10,000). jumped: jumps of the decoding times met; undated: no packet had one so far.
    lost_start_s: length before the first picture that can be decoded. jumps: where
    the time stamps jump. watch: is told of all packets and pictures as they are read.
    """

    frames: int = 0
    damaged: int = 0
    damaged_s: list[float] = field(default_factory=list)
    lost_start_s: float = 0.0
    gaps: list[tuple[float, float]] = field(default_factory=list)
    jumps: list[TimeJump] = field(default_factory=list)
    last_s: float = 0.0
    shortest_s: float = float("inf")
    longest_s: float = 0.0
    jumped: int = 0
    undated: bool = False
    packets: array[int] = field(default_factory=lambda: array("q"))
    decoding: array[int] = field(default_factory=lambda: array("q"))
    watch: Watch | None = None

    def add_damage(self, time_s: float | None) -> None:
        self.damaged += 1
        if time_s is not None and len(self.damaged_s) < 10_000:
            self.damaged_s.append(time_s)

    def damaged_spans(self, jumps: Sequence[TimeJump] = ()) -> list[tuple[float, float]]:
        """Where packets were damaged, on the recording's axis; at most a second apart is one."""
        spans: list[tuple[float, float]] = []
        for raw_s in sorted(self.damaged_s):
            at_s = max(0.0, raw_s + shift_at(jumps, raw_s))
            if spans and at_s - spans[-1][1] <= 1.0:
                spans[-1] = (spans[-1][0], at_s)
            else:
                spans.append((at_s, at_s))
        return spans

    def count_packets(self, time_base: Fraction, origin_s: float) -> None:
        """Measure frames and times from the packets' time stamps.

        For a reading that left out unreferenced pictures: one packet is one picture.
        Between jumps of the decoding times the stamps are sorted.
        """
        if not self.packets:
            return
        raw = np.frombuffer(self.packets, np.int64) * float(time_base) - origin_s
        decoding = np.frombuffer(self.decoding, np.int64).astype(np.float64)
        ahead_s = np.diff(decoding * float(time_base))
        cuts = np.flatnonzero((ahead_s < 0) | (ahead_s > JUMP_S)) + 1
        parts = [np.unique(part) for part in np.split(raw, cuts)]
        times: NDArray[np.float64] = np.concatenate(parts)
        self.lost_start_s = round(max(0.0, -float(parts[0].min(initial=0.0))), 6)
        first = int(np.argmax(times > -1e-4)) if times.size else 0
        times = times[first:]
        if times.size < 2:
            return
        steps = np.diff(times)
        inside = steps[(steps > 0) & (steps <= JUMP_S)]
        usual_s = float(np.median(inside)) if inside.size else 0.04
        broken = (steps <= 0) | (steps > JUMP_S)
        kept = np.where(broken, usual_s, steps)
        shown = np.concatenate([[times[0]], times[0] + np.cumsum(kept)])
        self.jumps = [
            TimeJump(
                at_s=round(float(shown[k + 1]), 6),
                shift_s=round(float(shown[k + 1] - times[k + 1]), 9),
            )
            for k in np.flatnonzero(broken)[:10_000]
        ]
        self.frames = int(times.size)
        self.last_s = float(kept.sum())
        good = kept[~broken] if (~broken).any() else kept
        self.shortest_s, self.longest_s = float(good.min()), float(good.max())
        self.gaps = [
            (round(float(kept[:k].sum()), 6), round(float(steps[k]), 6))
            for k in np.flatnonzero(broken | (kept > LONG_GAP_S))
        ]

    @property
    def variable_rate(self) -> bool:
        """True if frame distances differ by more than a fifth and 2 ms."""
        spread = self.longest_s - self.shortest_s
        return self.frames > 2 and spread > max(0.002, 0.2 * self.shortest_s)


def plane_view(plane: Any) -> NDArray[np.uint8]:
    """(row, col) uint8 view of a PyAV plane, its padding cut off."""
    rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
    return rows[:, : plane.width]


def read_pictures(
    path: Path,
    recording: Recording,
    *,
    report: ReadReport | None = None,
    start_s: float = 0.0,
    stop_s: float = float("inf"),
    max_height_px: int | None = None,
    matrix: str | None = None,
    double_rate: bool = False,
    skip_unreferenced: bool = False,
    from_key: bool = False,
    threads: int = 0,
) -> Iterator[Picture]:
    """Pictures in [start_s, stop_s) in order of time.

    A damaged packet is skipped and counted in `report`; a jump of the time stamps
    backwards, or forwards by more than 10 s, is closed and noted as a gap.
    from_key: begin at the key frame at or before start_s instead (nothing is decoded in vain).
    matrix: colour matrix to convert to; None keeps the file's own.
    threads: of the decoder; 0 is one, see `ahead`.
    Raises InputError when the file cannot be opened.
    """
    note = report if report is not None else ReadReport()
    if (from_key or start_s > 2.0 + 1e-9) and seekable(recording):
        # Where a file has no usable index, a seek can land too late or at the end.
        for back_s in (0.0 if from_key else 0.5, 4.0, 15.0):
            sought = _pictures(
                path, recording, note, start_s, stop_s, max_height_px, matrix, double_rate,
                skip_unreferenced, threads, back_s, from_key,
            )  # fmt: skip
            first = next(sought, None)
            if first is not None:
                yield first
                yield from sought
                return
    yield from _pictures(path, recording, note, start_s, stop_s, max_height_px, matrix,
                         double_rate, skip_unreferenced, threads, None, False)  # fmt: skip


def seekable(recording: Recording) -> bool:
    """False where the time stamps jump back, so that one of them stands for two moments.

    Such a file is read from its start.
    """
    before = 0.0
    for jump in recording.jumps:
        if jump.shift_s > before + 1e-3:
            return False
        before = jump.shift_s
    return True


def shift_at(jumps: Sequence[TimeJump], raw_s: float) -> float:
    """The shift that holds at a time stamp (less the first one of the file)."""
    shift_s = 0.0
    for jump in jumps:
        if raw_s < jump.at_s - jump.shift_s - 1e-6:
            break
        shift_s = jump.shift_s
    return shift_s


def _on_file_axis(jumps: Sequence[TimeJump], time_s: float) -> float:
    """The time stamp, less the first one of the file, of a moment of the recording."""
    shift_s = 0.0
    for jump in jumps:
        if time_s < jump.at_s - 1e-6:
            break
        shift_s = jump.shift_s
    return time_s - shift_s


def _pictures(
    path: Path,
    recording: Recording,
    note: ReadReport,
    start_s: float,
    stop_s: float,
    max_height_px: int | None,
    matrix: str | None,
    double_rate: bool,
    skip_unreferenced: bool,
    threads: int,
    back_s: float | None,
    from_key: bool,
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
            if not _seek(container, stream, origin_s + _on_file_axis(recording.jumps, at_s)):
                return
        if from_key:
            start_s = 0.0
        work = _Work(recording, stream, max_height_px, double_rate, matrix)
        usual_s = 1 / recording.frame_rate_hz if recording.frame_rate_hz else 0.04
        shift_s, previous_s = 0.0, None
        jumped = note.jumped
        for frame in _frames(container, stream, note, origin_s, recording.size_bytes):
            for shown in work.push(frame, note):
                if shown.pts is None:
                    time_s = (previous_s + usual_s) if previous_s is not None else 0.0
                else:
                    raw_s = float(shown.pts * shown.time_base) - origin_s
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
                        known = _known_jump(recording.jumps, time_s)
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
                    raise _endless(path, "more than a day of pictures")
                time_s = round(time_s, 6)
                if time_s >= stop_s:
                    return
                if time_s >= start_s - 1e-9:
                    note.frames += 1
                    yield Picture(max(0.0, time_s), shown)
        for shown in work.flush():
            if shown.pts is None:
                continue
            time_s = round(float(shown.pts * shown.time_base) - origin_s + shift_s, 6)
            if start_s - 1e-9 <= time_s < stop_s and (previous_s is None or time_s > previous_s):
                note.frames += 1
                previous_s = note.last_s = time_s
                yield Picture(max(0.0, time_s), shown)


def _known_jump(jumps: Sequence[TimeJump], time_s: float) -> TimeJump | None:
    """The jump of the table near `time_s`: pictures left out move it by a little."""
    near = min(jumps, key=lambda j: abs(j.at_s - time_s), default=None)
    return near if near is not None and abs(near.at_s - time_s) < 1.0 else None


def _endless(path: Path, got: str) -> InputError:
    return InputError(
        "A file does not come to an end", f"{label(path)}: {got}", "copy it again, or convert it"
    )


def ahead(pictures: Iterator[Picture], depth: int = 4) -> Iterator[Picture]:
    """The same pictures, decoded in a thread of its own up to `depth` ahead of the consumer.

    One decoding thread beside the work costs less processor time than the decoder's own
    threads, and takes no longer. An error of the reading comes out here. A decoder that
    gets no further for `STALL_S` is given up: InputError.
    """
    queue: Queue[Picture | BaseException | None] = Queue(depth)
    stopped = Event()

    def put(item: Picture | BaseException | None) -> bool:
        while not stopped.is_set():
            try:
                queue.put(item, timeout=0.2)
                return True
            except Full:
                continue
        return False

    def read() -> None:
        _beats[get_ident()] = monotonic()
        try:
            for picture in pictures:
                if not put(picture):
                    return
            put(None)
        except BaseException as error:  # handed to the consumer
            put(error)
        finally:
            _beats.pop(get_ident(), None)

    thread = Thread(target=read, daemon=True)
    thread.start()
    try:
        while True:
            try:
                item = queue.get(timeout=STALL_S / 4)
            except Empty:
                last = _beats.get(thread.ident or 0)
                if last is not None and monotonic() - last > STALL_S and queue.empty():
                    raise InputError(
                        "A file cannot be decoded: its decoder got stuck",
                        f"no progress for {STALL_S:.0f} s",
                        "copy it again from the recorder, or convert it",
                    ) from None
                continue
            if item is None:
                return
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        stopped.set()
        thread.join(timeout=5)


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
    container: Any, stream: Any, note: ReadReport, origin_s: float, size_bytes: int
) -> Iterator[Any]:
    """Decoded frames; damaged packets are counted and left out."""
    import av

    packets = container.demux(stream)
    read = broken = 0
    last: int | None = None
    me = get_ident()
    watcher = _Watcher(stream, note.watch, origin_s) if note.watch is not None else None
    with ExitStack() as stack:
        if watcher is not None:
            stack.enter_context(listening())
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
                packets = container.demux(stream)
                continue
            except (av.error.FFmpegError, OSError):
                note.add_damage(None)
                if watcher is not None:
                    watcher.lost()
                return
            if me in _beats:
                _beats[me] = monotonic()
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
                    note.jumped += not 0 <= (dts - last) * packet.time_base <= JUMP_S
                last = dts
                note.decoding.append(dts or 0)
            at_s = None if packet.pts is None else float(packet.pts * packet.time_base) - origin_s
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
                        at_s if stamp is None else float(stamp * frame.time_base) - origin_s
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

    def lost(self) -> None:
        self._watch.packet(None, None, False, "bytes are missing")

    def packet(self, packet: Any, failed: bool) -> None:
        """After it was decoded: `failed`, or what was heard of it meanwhile."""
        complained = self.heard.complained
        self.heard.clear()
        sign = ""
        if failed:
            sign = "cannot be decoded"
        elif packet.is_corrupt:
            sign = "bytes are missing"
        elif complained:
            sign = "decoded with errors"
        if not packet.size:
            self._watch.packet(None, None, False, sign)  # the end: pictures held back come out
            return
        look = nal.PacketLook(None)
        if self._codec in ("h264", "hevc"):
            look = nal.look(bytes(packet), self._codec, self._size)
        key = packet.is_keyframe if look.key is None else look.key
        stamp = packet.pts if packet.pts is not None else packet.dts
        step = packet.dts
        self._watch.packet(
            None if stamp is None else float(stamp * packet.time_base) - self._origin_s,
            None if step is None else float(step * packet.time_base) - self._origin_s,
            bool(key),
            sign or look.broken,
        )

    def picture(self, frame: Any) -> None:
        stamp = frame.pts if frame.pts is not None else frame.dts
        if stamp is None:
            return
        bits = frame.format.components[0].bits if frame.format.is_planar else 0
        luma = plane_view(frame.planes[0]) if bits == 8 and not frame.format.is_rgb else None
        at_s = float(stamp * frame.time_base) - self._origin_s
        self._watch.picture(at_s, bool(frame.is_corrupt), luma)


class _Work:
    """Brings decoded frames to the working picture through an ffmpeg filter graph."""

    def __init__(
        self,
        recording: Recording,
        stream: Any,
        max_height_px: int | None,
        double_rate: bool,
        matrix: str | None,
    ) -> None:
        self._recording = recording
        self._stream = stream
        self._limit = max_height_px
        self._double = double_rate
        self._matrix = matrix or recording.video.matrix
        self._graph: Any = None
        self._made_for: tuple[int, int, str] | None = None

    def push(self, frame: Any, note: ReadReport) -> Iterator[Any]:
        import av

        try:
            yield from self._push(frame)
        except (av.error.FFmpegError, ValueError, MemoryError):
            # A damaged picture that no filter takes, for example one of another size.
            note.add_damage(None)
            self._graph = self._made_for = None

    def _push(self, frame: Any) -> Iterator[Any]:
        key = (frame.width, frame.height, frame.format.name)
        if key != self._made_for:
            if self._graph is not None:
                yield from self.flush()
            self._made_for = key
            self._graph = self._make(frame)
        if self._graph is None:
            yield frame
            return
        self._graph.vpush(frame)
        yield from self._drain()

    def flush(self) -> Iterator[Any]:
        if self._graph is not None:
            self._graph.vpush(None)
            yield from self._drain()
            self._graph = None

    def _drain(self) -> Iterator[Any]:
        import av

        while True:
            try:
                yield self._graph.vpull()
            except (av.error.BlockingIOError, av.error.EOFError):
                return

    def steps(self, frame: Any) -> list[tuple[str, str]]:
        """Filters (name, arguments) that this frame needs; empty if it needs none."""
        video = self._recording.video
        steps: list[tuple[str, str]] = []
        if video.interlaced:
            mode = "send_field" if self._double else "send_frame"
            steps.append(("bwdif", f"mode={mode}:parity=auto:deint=interlaced"))
        turn = {90: "clock", 270: "cclock"}.get(video.rotation_deg)
        if turn:
            steps.append(("transpose", f"dir={turn}"))
        elif video.rotation_deg == 180:
            steps += [("hflip", ""), ("vflip", "")]
        if video.mirrored:
            steps.append(("hflip", ""))
        width, height = output_size(self._recording, self._limit)
        upright = (frame.width, frame.height)
        turned = video.rotation_deg in (90, 270)
        if turned:
            upright = upright[::-1]
        convert = frame.format.name != "yuv420p" or video.full_range or self._matrix != video.matrix
        if upright != (width, height) or convert:
            source = "full" if video.full_range else "limited"
            colour = f"out_color_matrix={self._matrix}:out_range=limited"
            if not getattr(frame.format, "is_rgb", False):
                colour += f":in_color_matrix={video.matrix}:in_range={source}"
            # A photograph is many times larger than what is handed on: it is scaled at once.
            first = self._recording.container.endswith("_pipe")
            w, h = (height, width) if first and turned else (width, height)
            scale = ("scale", f"w={w}:h={h}:flags=bicubic+accurate_rnd:{colour}")
            steps[0:0] = [scale, ("format", "pix_fmts=yuv420p")] if first else []
            steps += [] if first else [scale]
        if steps:
            steps.append(("format", "pix_fmts=yuv420p"))
        return steps

    def _make(self, frame: Any) -> Any:
        import av

        steps = self.steps(frame)
        if not steps:
            return None
        graph = av.filter.Graph()
        graph.threads = 1
        last = graph.add_buffer(
            width=frame.width,
            height=frame.height,
            format=frame.format.name,
            time_base=self._stream.time_base,
        )
        for name, arguments in steps:
            node = graph.add(name, arguments) if arguments else graph.add(name)
            last.link_to(node)
            last = node
        sink = graph.add("buffersink")
        last.link_to(sink)
        graph.configure()
        return graph


def output_size(recording: Recording, max_height_px: int | None) -> tuple[int, int]:
    """Size (width, height) of the pictures given out: the working size, or scaled down."""
    width, height = recording.width_px, recording.height_px
    if max_height_px is None or height <= max_height_px:
        return width, height
    scaled = Fraction(max_height_px, height)
    return max(2, round(width * scaled / 2) * 2), max(2, max_height_px // 2 * 2)


def read_sound(
    path: Path,
    *,
    stream_index: int = 0,
    origin_s: float = 0.0,
    channels: int | None = 2,
    note: list[str] | None = None,
    jumps: Sequence[TimeJump] = (),
    damage: list[tuple[float, float]] | None = None,
) -> Iterator[NDArray[np.float32]]:
    """Blocks (channel, sample) of float32 at 48 kHz, starting at `origin_s` of the file's axis.

    channels: 1 or 2 mixes down (or copies mono to both); None keeps the file's own.
    jumps: those of the pictures, which the sound then follows. damage: gets the spans of the
    samples given out, in seconds, whose packets could not be decoded without a complaint.
    Gaps of the time stamps are filled with silence, overlaps are cut, so that the
    sample number is the time. Raises InputError if the sound cannot be opened.
    """
    waiting: list[NDArray[np.float32]] = []
    count = 0
    # Decoders give some 20 ms at a time; what filters and listens is cheaper in larger pieces.
    for block in _sound_blocks(path, stream_index, origin_s, channels, note, jumps, damage):
        waiting.append(block)
        count += block.shape[1]
        if count >= RATE_HZ // 2:
            yield np.concatenate(waiting, axis=1)
            waiting, count = [], 0
    if waiting:
        yield np.concatenate(waiting, axis=1)


def _sound_blocks(
    path: Path,
    stream_index: int,
    origin_s: float,
    channels: int | None,
    note: list[str] | None,
    jumps: Sequence[TimeJump],
    damage: list[tuple[float, float]] | None,
) -> Iterator[NDArray[np.float32]]:
    """As `read_sound`, block by block as they are decoded."""
    import av

    with ExitStack() as stack:
        container = stack.enter_context(closing(open_media(path)))
        if damage is not None:
            stack.enter_context(listening())
        streams = container.streams.audio
        if stream_index >= len(streams):
            raise InputError("A file holds no sound", label(path), "give one with sound")
        stream = streams[stream_index]
        stream.thread_type = "AUTO"
        layout = {1: "mono", 2: "stereo"}.get(channels or 0)
        if layout is None:
            layout = stream.codec_context.layout.name
        resampler = av.AudioResampler(format="fltp", layout=layout, rate=RATE_HZ)
        written = 0  # samples given out; their time is written / RATE_HZ after origin_s
        damaged = 0
        first = True
        base = 0
        shift_s = 0.0  # from the file's axis to that of the samples given out
        left = list(jumps)

        def blocks(frame: Any) -> Iterator[NDArray[np.float32]]:
            for piece in resampler.resample(frame):
                yield piece.to_ndarray().astype(np.float32, copy=False)

        heard = Heard(stream.codec_context.codec.name)

        def frames() -> Iterator[Any]:
            nonlocal damaged
            packets = container.demux(stream)
            while True:
                try:
                    packet = heard(next, packets)
                    decoded = heard(packet.decode)
                except (StopIteration, av.error.EOFError):
                    return
                except (av.error.FFmpegError, ValueError, OSError, MemoryError):
                    damaged += 1
                    if damage is not None:
                        damage.append(_around(written))
                    if damaged > 100_000:
                        return
                    continue
                if damage is not None and (heard.complained or packet.is_corrupt):
                    damage.append(_around(written))
                heard.clear()
                yield from decoded

        source_rate = stream.codec_context.sample_rate or RATE_HZ
        expected: float | None = None
        for frame in frames():
            time_s = float(frame.pts * frame.time_base) if frame.pts is not None else expected
            if time_s is None:
                time_s = origin_s
            if first:
                base = round((time_s - origin_s) * RATE_HZ)
                first = False
                if base > 0:
                    base = min(base, 3600 * RATE_HZ)
                    yield from _silence(base, channels_of(resampler, channels, stream))
                    written += base
                    base = 0
                # base < 0: that many samples are dropped below
            elif expected is not None:
                gap_s = time_s - expected
                known = None
                if left and abs(gap_s) > 0.02:
                    known = _jump_of_sound(left, time_s - origin_s, expected - origin_s + shift_s)
                if known is not None:
                    del left[: left.index(known) + 1]
                    gap_s += known.shift_s - shift_s  # what is left after the jump
                    shift_s = known.shift_s
                if 0.02 < gap_s <= JUMP_S:
                    fill = round(gap_s * RATE_HZ)
                    yield from _silence(fill, channels_of(resampler, channels, stream))
                    written += fill
                elif gap_s < -0.02 and gap_s >= -JUMP_S:
                    base -= round(-gap_s * RATE_HZ)
                elif abs(gap_s) > JUMP_S:
                    shift_s -= gap_s
                if abs(gap_s) > 0.02 and note is not None:
                    note.append(f"sound: time stamps jump by {gap_s:.3f} s")
            expected = time_s + frame.samples / source_rate
            for block in blocks(frame):
                if base < 0:
                    cut = min(-base, block.shape[1])
                    block = block[:, cut:]
                    base += cut
                if block.shape[1]:
                    written += block.shape[1]
                    yield block
            if written > LONGEST_S * RATE_HZ:
                raise _endless(path, "more than a day of sound")
        for block in blocks(None):
            written += block.shape[1]
            yield block
        if damaged and note is not None:
            note.append(f"sound: {damaged} damaged packets left out")


def _around(written: int) -> tuple[float, float]:
    """The stretch of sound that a damaged packet at that sample may reach."""
    return max(0.0, written / RATE_HZ - SOUND_REACH_S), written / RATE_HZ + SOUND_REACH_S


def _jump_of_sound(jumps: Sequence[TimeJump], raw_s: float, expected_s: float) -> TimeJump | None:
    """The jump of the pictures after which sound at `raw_s` goes on about where it was."""
    near = min(jumps, key=lambda j: abs(raw_s + j.shift_s - expected_s))
    return near if abs(raw_s + near.shift_s - expected_s) < 2.0 else None


def channels_of(resampler: Any, channels: int | None, stream: Any) -> int:
    return channels or int(stream.codec_context.channels)


def _silence(samples: int, channels: int) -> Iterator[NDArray[np.float32]]:
    while samples > 0:
        size = min(samples, RATE_HZ)
        yield np.zeros((channels, size), np.float32)
        samples -= size


def reduce_rgb(frame: Any, rows_px: int, matrix: str) -> NDArray[np.uint8]:
    """The working picture as RGB uint8 (row, col, 3), averaged to at most `rows_px` rows.

    Gamma-coded; converted by the file's own matrix (swscale). Blocks of a whole number
    of pixels are averaged, so that 1080 rows become 360 for a limit of 480.
    """
    import av
    import cv2
    from av.video.reformatter import ColorRange, Colorspace

    y, u, v = (plane_view(p) for p in frame.planes[:3])
    rows, cols = y.shape
    step = max(1, -(-rows // rows_px))
    space = {"bt709": Colorspace.ITU709, "bt601": Colorspace.ITU601}.get(matrix)
    colour: dict[str, Any] = {
        "format": "rgb24",
        "src_colorspace": space or Colorspace.ITU709,
        "src_color_range": ColorRange.MPEG,
    }
    if step == 1:
        return np.asarray(frame.reformat(**colour).to_ndarray(), dtype=np.uint8)
    size = (cols // step, rows // step)
    small = av.VideoFrame(size[0], size[1], "yuv444p")
    whole = y[: size[1] * step, : size[0] * step]
    for plane, source in zip(small.planes, (whole, u, v), strict=True):
        area = source.shape[0] >= size[1]
        mode = cv2.INTER_AREA if area else cv2.INTER_LINEAR
        plane_view(plane)[:] = cv2.resize(source, size, interpolation=mode)
    return np.asarray(small.reformat(**colour).to_ndarray(), dtype=np.uint8)


def without_channel(
    path: Path,
    origin_s: float,
    channel: int,
    jumps: Sequence[TimeJump] = (),
    damage: list[tuple[float, float]] | None = None,
) -> Iterator[NDArray[np.float32]]:
    """Stereo of all channels but `channel` (from 1), each at equal weight."""
    for block in read_sound(path, origin_s=origin_s, channels=None, jumps=jumps, damage=damage):
        rest = np.delete(block, channel - 1, axis=0) if block.shape[0] >= channel else block
        one = rest.mean(axis=0) if rest.shape[0] else np.zeros(block.shape[1], np.float32)
        yield np.stack([one, one]).astype(np.float32)


def only_channel(
    path: Path, origin_s: float, channel: int, jumps: Sequence[TimeJump] = ()
) -> Iterator[NDArray[np.float32]]:
    """One channel (from 1) as mono; silence if the file has fewer."""
    for block in read_sound(path, origin_s=origin_s, channels=None, jumps=jumps):
        if block.shape[0] >= channel:
            yield np.ascontiguousarray(block[channel - 1 : channel])
        else:
            yield np.zeros((1, block.shape[1]), np.float32)


def narration_sound(path: Path) -> Iterator[NDArray[np.float32]]:
    """A narration file as mono blocks, starting at its first sample."""
    with closing(open_media(path)) as container:
        streams = container.streams.audio
        start = streams[0].start_time if streams and streams[0].start_time else 0
        origin_s = float(start * streams[0].time_base) if streams else 0.0
    yield from read_sound(path, origin_s=origin_s, channels=1)


def jpeg(frame: object, rows_px: int, matrix: str, quality: int = 82) -> bytes:
    """A yuv420p frame as a JPEG without any tags."""
    import cv2

    rgb = reduce_rgb(frame, rows_px, matrix)
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return data.tobytes()
