"""The finished file: H.264 pictures with their own time stamps, AAC sound, one MP4.

Pictures are encoded in this process (libx264 through PyAV: it takes a time stamp
with every frame, so variable rates survive). `finish` lets the ffmpeg program
encode the sound, set the tags, drop every message an encoder leaves in the
stream, and put the index first.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import OutputError
from pipeline.media.captions import captions_vtt
from pipeline.media.frame import plane_view
from pipeline.media.programs import EncoderAborted, local_input, run_graph
from pipeline.model.script import Cue

TICKS_HZ = 90_000
_TICKS = {"video_track_timescale": str(TICKS_HZ), "movie_timescale": str(TICKS_HZ)}
# Codes of ITU-T H.273 for primaries, transfer and matrix.
_COLOUR_CODES = {"bt709": (1, 1, 1), "bt601": (6, 6, 6), "bt2020": (9, 14, 9)}
_COLOUR_NAMES = {
    "bt709": ("bt709", "bt709", "bt709"),
    "bt601": ("smpte170m", "smpte170m", "smpte170m"),
    "bt2020": ("bt2020", "bt2020-10", "bt2020nc"),
}
Matrix = Literal["bt709", "bt601", "bt2020"]


class PictureWriter:
    """Encodes pictures to a temporary file (MP4, picture only).

    Use `new_frame` for a fresh yuv420p frame to fill, then `write`. Times are in
    seconds and must rise. Raises OutputError when the disk is full.
    """

    def __init__(
        self,
        path: Path,
        width_px: int,
        height_px: int,
        rate_hz: float,
        matrix: Matrix,
        *,
        crf: int = 20,
        preset: str = "veryfast",
        threads: int = 0,
    ) -> None:
        import av

        self.width_px, self.height_px = width_px, height_px
        self._matrix = matrix
        self._ticks: list[int] = []  # of every picture, as it is shown
        try:
            self._container = av.open(f"file:{path}", "w", format="mp4", options=_TICKS)
        except OSError as error:
            raise OutputError(
                "The output cannot be written", error.strerror or "", "choose another --out"
            ) from None
        rate = Fraction(rate_hz).limit_denominator(1001)
        # Every picture counts alike: x264 takes bits from one that is shown briefly, as the last
        # before a cut is. So it is told even times, and packets get those of their pictures.
        self._step = max(1, round(TICKS_HZ / rate))
        stream: Any = self._container.add_stream("libx264", rate=rate)
        context = stream.codec_context
        context.width, context.height = width_px, height_px
        context.pix_fmt = "yuv420p"
        context.time_base = Fraction(1, TICKS_HZ)
        context.framerate = rate
        context.thread_count = threads
        context.thread_type = "FRAME"  # slices would cost 10 % of time and some bits
        primaries, transfer, space = _COLOUR_CODES[matrix]
        context.color_primaries = primaries
        context.color_trc = transfer
        context.colorspace = space
        context.color_range = 1
        context.options = {"crf": str(crf), "preset": preset}
        self._stream = stream

    def new_frame(self) -> Any:
        """A yuv420p frame with undefined content, to be filled through `planes_of`."""
        import av

        return av.VideoFrame(self.width_px, self.height_px, "yuv420p")

    def write(self, frame: Any, time_s: float, key: bool = False) -> None:
        """Encode `frame` at `time_s`. A time not later than the last is moved one tick on.

        key: as a picture that a decoder can begin with.
        """
        before = self._ticks[-1] if self._ticks else -1
        frame.pts = self.frames * self._step
        frame.time_base = Fraction(1, TICKS_HZ)
        frame.pict_type = 1 if key else 0  # av.video.frame.PictureType: I, or as x264 likes
        self._ticks.append(max(round(time_s * TICKS_HZ), before + 1))
        self._mux(frame)

    @property
    def frames(self) -> int:
        """Pictures written so far."""
        return len(self._ticks)

    def close(self) -> None:
        """Finish the file. Raises OutputError when no picture was written."""
        if not self.frames:
            self.abandon()
            raise OutputError("No picture was written", "", "check the kept parts of the case")
        self._mux(None)
        self._close()

    def abandon(self) -> None:
        """Close without finishing; the temporary file is the caller's to delete."""
        with contextlib.suppress(Exception):
            self._container.close()

    def _mux(self, frame: Any) -> None:
        import av

        try:
            for packet in self._stream.encode(frame):
                self._stamp(packet)
                self._container.mux(packet)
        except (av.error.FFmpegError, OSError) as error:
            raise _disk(error) from None

    def _stamp(self, packet: Any) -> None:
        """The time its picture is shown, and one of decoding that rises and is not later."""
        index = packet.dts // self._step  # below 0 by as many as wait for later pictures
        packet.pts = self._ticks[packet.pts // self._step]
        packet.dts = self._ticks[index] if index >= 0 else self._ticks[0] + index * self._step

    def _close(self) -> None:
        import av

        try:
            self._container.close()
        except (av.error.FFmpegError, OSError) as error:
            raise _disk(error) from None


def _disk(error: Exception) -> OutputError:
    number = getattr(error, "errno", None)
    if number == 28:
        return OutputError("The disk is full", "", "free some space and run again")
    return OutputError("The output cannot be written", type(error).__name__, "look at the disk")


def planes_of(
    frame: Any,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    """Writable views (row, col) of the planes of a frame from `PictureWriter.new_frame`."""
    y, u, v = (plane_view(p) for p in frame.planes[:3])
    return y, u, v


_TRIES: Sequence[tuple[float, dict[str, Any]]] = (
    (0.0, {}),
    (-0.01, {}),
    (-0.03, {}),
    (0.0, {"aac_ms": 0, "aac_is": 0, "aac_pns": 0}),
)
"""Gain, dB, and options of the encoder. With some quiet hisses two scale factors that follow each
other come to differ by more than can be written (`encode_scale_factors`, libavcodec/aacenc.c), and
it ends itself. That hangs on the last digits of the samples, so a gain that nothing hears is tried
first; down, so that no peak rises. Last, without what changes scale factors after the search that
keeps them together: middle and side, one channel or noise in the place of another."""


def code_sound(sound: Path, target: Path, channels: int, kbps: int) -> int:
    """Code raw sound (32-bit float, 48 kHz, interleaved) as AAC, alone in an MP4.

    `finish` takes it over as it is: what was measured in it holds for the finished file.
    Returns how often the encoder ended itself over it (see `_TRIES`); as a rule 0. Raises
    EncoderAborted where it did every time.
    """
    last = len(_TRIES) - 1
    for number, (gain_db, tools) in enumerate(_TRIES[:last]):
        with contextlib.suppress(EncoderAborted):
            _code_sound(sound, target, channels, kbps, gain_db, tools)
            return number
    _code_sound(sound, target, channels, kbps, *_TRIES[last])
    return last


def _code_sound(
    sound: Path, target: Path, channels: int, kbps: int, gain_db: float, tools: dict[str, Any]
) -> None:
    import ffmpeg

    layout = {1: "mono", 2: "stereo"}[channels]
    raw = local_input(sound, f="f32le", ar=48000, ch_layout=layout)["a"]
    if gain_db:
        raw = raw.filter("volume", f"{gain_db}dB", precision="float")
    options: dict[str, Any] = {
        "c:a": "aac",
        "b:a": f"{kbps}k",
        "ar": 48000,
        "map_metadata": -1,
        "fflags": "+bitexact",
        "flags:a": "+bitexact",
        "f": "mp4",
        **tools,
    }
    run_graph(ffmpeg.output(raw, f"file:{target}", **options))


def finish(
    pictures: Path,
    sound: Path | None,
    target: Path,
    *,
    end_s: float,
    matrix: Matrix,
    chapters: list[tuple[float, float, str]] | None = None,
    captions: Sequence[Cue] = (),
    work: Path,
) -> None:
    """Join pictures and sound (as `code_sound` made it) to an MP4.

    target: written in place; the caller gives a temporary name and renames.
    end_s: when the last picture stops being shown.
    chapters: (start_s, stop_s, title). captions: (start_s, stop_s, text) of a text track, one
    after the other (`captions.one_at_a_time`). work: folder for the lists of both.
    Only one picture stream, one sound stream, captions and chapters are in the file:
    no metadata is copied, encoder messages (SEI user data) are removed.
    """
    import ffmpeg

    streams = [local_input(pictures)["v"]]
    primaries, transfer, space = _COLOUR_NAMES[matrix]
    options: dict[str, Any] = {
        "c:v": "copy",
        "bsf:v": "filter_units=remove_types=6,"
        f"setts=pts=PTS:dts=DTS:duration={_until(end_s, pictures)}",
        "map_metadata:g": -1,
        "map_metadata:s": -1,
        "map_chapters": -1,
        "fflags": "+bitexact",
        "flags:v": "+bitexact",
        "flags:a": "+bitexact",
        "movflags": "+faststart",
        "brand": "isom",
        "video_track_timescale": TICKS_HZ,
        "movie_timescale": 1000,
        "color_primaries": primaries,
        "color_trc": transfer,
        "colorspace": space,
        "color_range": "tv",
        "max_muxing_queue_size": 9999,
        "f": "mp4",
    }
    if sound is not None:
        streams.append(local_input(sound)["a"])
        options["c:a"] = "copy"
    if captions:
        cues = work / "captions.vtt"
        cues.write_text(captions_vtt(captions), encoding="utf-8")
        streams.append(local_input(cues, f="webvtt")["s"])
        options |= {"c:s": "mov_text", "disposition:s": 0}
    if chapters:
        listing = work / "chapters.txt"
        listing.write_text(_chapter_list(chapters), encoding="utf-8")
        # "v?" maps nothing of the list itself; ffmpeg-python must map every input somehow.
        streams.append(local_input(listing, f="ffmetadata")["v?"])
        options["map_chapters"] = len(streams) - 1
    run_graph(ffmpeg.output(*streams, f"file:{target}", **options))


def _until(end_s: float, pictures: Path) -> str:
    """How long a picture is shown, for the filter: the last one until `end_s`, none for longer.

    A file tells only when the next one is decoded, which may be another moment: with a gap
    behind it, a picture would end long after the clip. What is decoded last makes decoding
    as long as the clip (what a header of MP4 tells as the length of its media).
    """
    import av

    with av.open(f"file:{pictures}") as file:
        last = max(p.pts * p.time_base for p in file.demux(video=0) if p.pts is not None)
    left = f"max(1\\,{end_s:.6f}/TB-PTS)"
    media = f"max(1\\,{end_s:.6f}/TB-DTS+STARTDTS)"
    return f"if(gt(PTS*TB\\,{float(last) - 1e-6:.7f})\\,{left}\\,min({left}\\,{media}))"


def chapter_text(title: str) -> str:
    """A chapter's title as it is written into the file."""
    return "".join(c for c in title if c.isprintable())


def _chapter_list(chapters: list[tuple[float, float, str]]) -> str:
    lines = [";FFMETADATA1"]
    for start_s, stop_s, title in chapters:
        clean = "".join("\\" + c if c in "=;#\\" else c for c in chapter_text(title))
        lines += [
            "[CHAPTER]",
            "TIMEBASE=1/1000",
            f"START={round(start_s * 1000)}",
            f"END={round(stop_s * 1000)}",
            f"title={clean}",
        ]
    return "\n".join(lines) + "\n"
