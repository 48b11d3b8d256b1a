"""The working picture: 8-bit yuv420p in limited range, upright, square pixels, even sizes.

A frame that is all that already is passed on untouched.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pipeline.media.time_stamps import ReadReport
from pipeline.model.recording import Recording


class WorkingPictures:
    """Brings decoded frames to the working picture through an ffmpeg filter graph."""

    def __init__(
        self,
        recording: Recording,
        stream: Any,
        size_px: tuple[int, int] | None,
        double_rate: bool,
        matrix: str | None,
    ) -> None:
        self._recording = recording
        self._stream = stream
        self._size_px = size_px or (recording.width_px, recording.height_px)
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
        width, height = self._size_px
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
