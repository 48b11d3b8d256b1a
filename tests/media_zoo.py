"""Small media files with known content: every kind the program must take, and kinds it must refuse.

`make(name, folder)` writes one file of `CLIPS` and returns its truth; `make_bad(name, folder)`
writes one of `BAD_FILES`. `scope_clip` is the general maker of moving tissue in a round field,
`long_sync_clip` a tiny long recording with a flash and a click at both ends.

The zoo picture: a round field on a dark surround, six patches of known colour (the upper left
one differs from its mirror images), a row of eight squares that spells the frame's number in
binary, a bar that moves, and flashes that white out the field while a click sounds.
All geometry is in pixels of the upright picture with square pixels; a pixel centre lies at +0.5.
"""

from __future__ import annotations

import json
import subprocess
import wave
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import av
import cv2
import imageio_ffmpeg
import numpy as np

AUDIO_HZ = 48000
SAMPLE = Path(__file__).resolve().parent.parent / "sample_media"
COLOURS = {  # R'G'B' levels; upper row left to right, then lower row
    "white": (235, 235, 235),
    "red": (190, 60, 50),
    "green": (60, 150, 70),
    "blue": (60, 80, 170),
    "pink": (215, 150, 130),
    "grey": (120, 120, 120),
}


@dataclass(frozen=True)
class FieldTruth:
    """A circle cut by the box [left, right) x [top, bottom)."""

    center_x_px: float
    center_y_px: float
    radius_px: float
    left_px: float
    top_px: float
    right_px: float
    bottom_px: float

    def mask(self, width_px: int, height_px: int, inset_px: float = 0.0) -> np.ndarray:
        """Lit pixels, (row, col) bool; `inset_px` keeps that far from the edge."""
        x, y = np.meshgrid(np.arange(width_px) + 0.5, np.arange(height_px) + 0.5)
        disc = np.hypot(x - self.center_x_px, y - self.center_y_px) <= self.radius_px - inset_px
        return (
            disc
            & (x >= self.left_px + inset_px)
            & (x <= self.right_px - inset_px)
            & (y >= self.top_px + inset_px)
            & (y <= self.bottom_px - inset_px)
        )


@dataclass(frozen=True)
class Patch:
    """A square of known colour: x, y, side in pixels of the upright picture."""

    name: str
    x_px: float
    y_px: float
    side_px: float
    rgb: tuple[int, int, int]


@dataclass(frozen=True)
class Clip:
    """A file and what is in it.

    pts_s: shown time of each frame, the first at 0. start_s: first time stamp in the file.
    width_px, height_px: upright, square pixels, before any rounding to even sizes.
    clicks_s: on the picture's axis. audio_start_s: of the first sample, on the picture's axis.
    contrast_loss: one value a frame, from `scope_clip`; otherwise empty. fields: (start time,
    geometry), from `scope_clip`. lettering_px: boxes x, y, width, height.
    """

    path: Path
    pts_s: tuple[float, ...]
    width_px: int
    height_px: int
    coded_width_px: int
    coded_height_px: int
    field: FieldTruth
    codec: str = "h264"
    patches: tuple[Patch, ...] = ()
    flashes_s: tuple[float, ...] = ()
    clicks_s: tuple[float, ...] = ()
    start_s: float = 0.0
    duration_s: float = 0.0
    rotation_deg: int = 0
    pixel_aspect: Fraction = Fraction(1)
    interlaced: bool = False
    top_field_first: bool = True
    matrix: str = "bt709"
    tagged: bool = True
    full_range: bool = False
    bit_depth: int = 8
    channels: int = 0
    audio_rate_hz: int = 0
    audio_start_s: float = 0.0
    variable_rate: bool = False
    contrast_loss: tuple[float, ...] = ()
    fields: tuple[tuple[float, FieldTruth], ...] = ()
    lettering_px: tuple[tuple[int, int, int, int], ...] = ()

    @property
    def frames(self) -> int:
        return len(self.pts_s)


# ---------------------------------------------------------------- the zoo picture


def scope_field(width_px: int, height_px: int, flat: float = 0.90) -> FieldTruth:
    """A field a little right of the middle, cut flat at `flat` of its radius."""
    radius = 0.47 * height_px
    cx, cy = 0.52 * width_px, 0.5 * height_px
    return FieldTruth(cx, cy, radius, 0.0, cy - flat * radius, float(width_px), cy + flat * radius)


def patches_of(geometry: FieldTruth) -> tuple[Patch, ...]:
    side = 0.30 * geometry.radius_px
    out = []
    for k, (name, rgb) in enumerate(COLOURS.items()):
        x = geometry.center_x_px + (k % 3 - 1) * 1.25 * side - side / 2
        y = geometry.center_y_px - 1.55 * side + (k // 3) * 1.25 * side
        out.append(Patch(name, x, y, side, rgb))
    return tuple(out)


def code_squares(geometry: FieldTruth) -> list[tuple[float, float, float]]:
    """x, y, side of the eight squares of the frame number, least bit first."""
    side = 0.15 * geometry.radius_px
    x = geometry.center_x_px - 4 * side
    y = geometry.center_y_px + 0.42 * geometry.radius_px
    return [(x + k * side, y, side) for k in range(8)]


@lru_cache(maxsize=64)
def _still(width_px: int, height_px: int) -> np.ndarray:
    """Background and patches, (row, col, rgb) float32; small ones are drawn 4 times as fine."""
    fine = 4 if width_px * height_px < 200_000 else 2 if width_px < 1000 else 1
    geometry = scope_field(width_px, height_px)
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(
        (np.arange(width_px * fine) + 0.5) / fine, (np.arange(height_px * fine) + 0.5) / fine
    )
    tone = cv2.resize(
        rng.standard_normal((12, 16)).astype(np.float32),
        x.shape[::-1],
        interpolation=cv2.INTER_CUBIC,
    )
    tissue = np.array([165, 85, 75]) + 14 * tone[..., None]
    lit = np.hypot(x - geometry.center_x_px, y - geometry.center_y_px) <= geometry.radius_px
    lit &= (y >= geometry.top_px) & (y < geometry.bottom_px)
    picture = np.where(lit[..., None], tissue, 9.0)
    for patch in patches_of(geometry):
        inside = (
            (x >= patch.x_px)
            & (x < patch.x_px + patch.side_px)
            & (y >= patch.y_px)
            & (y < patch.y_px + patch.side_px)
        )
        picture[inside] = patch.rgb
    return cv2.resize(
        picture.astype(np.float32), (width_px, height_px), interpolation=cv2.INTER_AREA
    )


def zoo_picture(
    width_px: int, height_px: int, number: int, phase: float, flash: bool
) -> np.ndarray:
    """One picture, (row, col, rgb) float32 levels. `phase` places the moving bar."""
    picture = _still(width_px, height_px).copy()
    geometry = scope_field(width_px, height_px)
    if flash:
        picture[geometry.mask(width_px, height_px, 1.0)] = 250
        return picture
    for bit, (x, y, side) in enumerate(code_squares(geometry)):
        level = 225.0 if number >> bit & 1 else 25.0
        picture[round(y) : round(y + side), round(x) : round(x + side)] = level
    reach = 0.6 * geometry.radius_px  # the bar stays inside the field
    x = geometry.center_x_px + reach * (2 * (phase % 1.0) - 1)
    rows = slice(
        round(geometry.center_y_px - 0.75 * geometry.radius_px),
        round(geometry.center_y_px - 0.55 * geometry.radius_px),
    )
    bar = np.abs(np.arange(width_px) + 0.5 - x) < 0.05 * geometry.radius_px
    picture[rows, bar] = (240, 240, 200)
    return picture


def read_number(luma: np.ndarray, clip: Clip) -> int | None:
    """Frame number spelled in an upright picture's luma, (row, col); None on a flash.

    The picture may have any size, as long as it shows the whole of the clip's.
    """
    scale_y, scale_x = luma.shape[0] / clip.height_px, luma.shape[1] / clip.width_px
    number, levels = 0, []
    for x, y, side in code_squares(clip.field):
        rows = slice(round((y + 0.3 * side) * scale_y), round((y + 0.7 * side) * scale_y) + 1)
        cols = slice(round((x + 0.3 * side) * scale_x), round((x + 0.7 * side) * scale_x) + 1)
        levels.append(float(luma[rows, cols].mean()))
    for bit, level in enumerate(levels):
        number |= (level > 128) << bit
    return None if min(levels) > 200 else number


# ---------------------------------------------------------------- colour and frames

# Luma weights (Kr, Kb): ITU-R BT.601-7 and BT.709-6.
WEIGHTS = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722)}
_SPACE = {"bt709": (1, 1, 1), "bt601": (6, 6, 6)}  # primaries, transfer, matrix: ITU-T H.273


def to_yuv(rgb: np.ndarray, matrix: str, full_range: bool, bits: int) -> tuple[np.ndarray, ...]:
    """Y, Cb, Cr (row, col) float at full size from R'G'B' levels 0..255 (ITU-R BT.601, BT.709)."""
    kr, kb = WEIGHTS[matrix]
    r, g, b = (rgb[..., k] / 255 for k in range(3))
    y = kr * r + (1 - kr - kb) * g + kb * b
    cb, cr = (b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))
    one = 2 ** (bits - 8)
    if full_range:
        top = 2**bits - 1
        return y * top, cb * top + 128 * one, cr * top + 128 * one
    return (16 + 219 * y) * one, (128 + 224 * cb) * one, (128 + 224 * cr) * one


def luma_of(rgb: Sequence[float], matrix: str = "bt709", full_range: bool = False) -> float:
    """8-bit luma level of an R'G'B' colour."""
    return float(to_yuv(np.array(rgb, float)[None, None], matrix, full_range, 8)[0][0, 0])


def _planes(rgb: np.ndarray, pix_fmt: str, matrix: str, full_range: bool) -> list[np.ndarray]:
    bits = 10 if "10" in pix_fmt else 8
    y, cb, cr = to_yuv(rgb, matrix, full_range, bits)
    shrink = {"420": (2, 2), "422": (2, 1), "444": (1, 1), "411": (4, 1)}
    across, down = next(v for k, v in shrink.items() if k in pix_fmt)
    width, height = -(-y.shape[1] // across), -(-y.shape[0] // down)

    def small(plane: np.ndarray) -> np.ndarray:
        pad = ((0, height * down - plane.shape[0]), (0, width * across - plane.shape[1]))
        plane = np.pad(plane, pad, "edge")
        return plane.reshape(height, down, width, across).mean(axis=(1, 3))

    kind = np.uint16 if bits > 8 else np.uint8
    return [np.clip(np.rint(p), 0, 2**bits - 1).astype(kind) for p in (y, small(cb), small(cr))]


def to_frame(
    rgb: np.ndarray, pix_fmt: str, matrix: str = "bt709", full_range: bool = False
) -> av.VideoFrame:
    """A frame whose planes were computed here, so that no library's default colour is in it."""
    frame = av.VideoFrame(rgb.shape[1], rgb.shape[0], pix_fmt)
    for plane, data in zip(frame.planes, _planes(rgb, pix_fmt, matrix, full_range), strict=True):
        room = np.zeros((plane.height, plane.line_size // data.itemsize), data.dtype)
        room[:, : data.shape[1]] = data
        plane.update(room.tobytes())
    return frame


# ---------------------------------------------------------------- sound


def sound_with_clicks(
    seconds: float, rate_hz: int, channels: int, clicks_s: Sequence[float], seed: int = 3
) -> np.ndarray:
    """Soft noise (-60 dBFS) with 4 ms clicks that start at their times, (channel, sample) float32.

    Channel k carries a steady tone of 300 + 200 k Hz at -40 dBFS, so channels can be told apart.
    """
    n = round(seconds * rate_hz)
    rng = np.random.default_rng(seed)
    sound = 0.001 * rng.standard_normal((channels, n))
    time = np.arange(n) / rate_hz
    for k in range(channels):
        sound[k] += 0.01 * np.sin(2 * np.pi * (300 + 200 * k) * time)
    burst = 0.7 * np.sin(2 * np.pi * 2000 * np.arange(round(0.004 * rate_hz)) / rate_hz + np.pi / 2)
    for at_s in clicks_s:
        start = round(at_s * rate_hz)
        stop = min(n, start + len(burst))
        sound[:, start:stop] += burst[: stop - start]
    return np.clip(sound, -0.99, 0.99).astype(np.float32)


def suction_sound(
    seconds: float, rate_hz: int, spans_s: Sequence[tuple[float, float]], seed: int = 4
) -> np.ndarray:
    """Room noise with a suction hiss in the spans, (1, sample) float32."""
    n = round(seconds * rate_hz)
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    hz = np.fft.rfftfreq(n, 1 / rate_hz)
    hiss = np.fft.irfft(spectrum * (hz > 400) / (1 + (hz / 3000) ** 2), n)
    hiss *= 0.03 / max(float(np.sqrt(np.mean(hiss**2))), 1e-9)
    time = np.arange(n) / rate_hz
    gate = np.zeros(n)
    for start, stop in spans_s:
        gate = np.maximum(
            gate, np.clip((time - start) / 0.05, 0, 1) * np.clip((stop - time) / 0.1, 0, 1)
        )
    return (0.0007 * rng.standard_normal(n) + hiss * gate)[None].astype(np.float32)


# ---------------------------------------------------------------- writing


@dataclass(frozen=True)
class Coding:
    """How a picture stream is written."""

    codec: str = "libx264"
    pix_fmt: str = "yuv420p"
    matrix: str = "bt709"
    full_range: bool = False
    tagged: bool = True
    options: dict[str, str] = field(default_factory=lambda: {"preset": "ultrafast", "crf": "12"})
    pixel_aspect: Fraction = Fraction(1)
    bit_rate: int = 0


def write(
    path: Path,
    frames: Iterator[np.ndarray] | Sequence[np.ndarray],
    pts_s: Sequence[float | Fraction],
    coding: Coding,
    sound: np.ndarray | None = None,
    *,
    rate_hz: int = AUDIO_HZ,
    audio_codec: str = "aac",
    frame_rate: Fraction = Fraction(25),
    time_base: Fraction | None = None,
    audio_pieces: Sequence[tuple[float, int, int]] | None = None,
    metadata: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
) -> None:
    """Write pictures (row, col, rgb) at their times and sound (channel, sample).

    time_base: of the picture stream; that of the frame rate if None. audio_pieces: (time in
    seconds, first sample, stop sample); the whole sound at 0 if None.
    """
    pts_s = list(pts_s)
    time_base = time_base or 1 / frame_rate
    pieces = [] if sound is None else list(audio_pieces or [(0.0, 0, sound.shape[1])])
    with av.open(str(path), "w", container_options=container_options or {}) as out:
        out.metadata.update(metadata or {})
        video = out.add_stream(coding.codec, rate=frame_rate, options=dict(coding.options))
        voice = None
        if sound is not None:
            layout = {1: "mono", 2: "stereo", 6: "5.1"}[sound.shape[0]]
            voice = out.add_stream(audio_codec, rate=rate_hz, layout=layout)
        queue = list(_audio_frames(sound, pieces, rate_hz)) if sound is not None else []
        for k, rgb in enumerate(frames):
            if k == 0:
                video.height, video.width = rgb.shape[:2]
                video.pix_fmt = coding.pix_fmt
                context = video.codec_context
                context.time_base = time_base
                context.thread_count = 1
                if coding.bit_rate:
                    context.bit_rate = coding.bit_rate
                if coding.tagged:
                    context.color_primaries, context.color_trc, context.colorspace = _SPACE[
                        coding.matrix
                    ]
                context.color_range = 2 if coding.full_range else 1
                context.sample_aspect_ratio = coding.pixel_aspect
            frame = to_frame(rgb, coding.pix_fmt, coding.matrix, coding.full_range)
            frame.color_range = 2 if coding.full_range else 1
            if coding.tagged:
                frame.colorspace = _SPACE[coding.matrix][2]
            frame.time_base = time_base
            frame.pts = round(Fraction(pts_s[k]) / time_base)
            out.mux(video.encode(frame))
            while voice is not None and queue and queue[0].pts / rate_hz <= pts_s[k] + 0.5:
                out.mux(voice.encode(queue.pop(0)))
        out.mux(video.encode(None))
        if voice is not None:
            for piece in queue:
                out.mux(voice.encode(piece))
            out.mux(voice.encode(None))


def _audio_frames(
    sound: np.ndarray, pieces: Sequence[tuple[float, int, int]], rate_hz: int
) -> Iterator[av.AudioFrame]:
    layout = {1: "mono", 2: "stereo", 6: "5.1"}[sound.shape[0]]
    for at_s, first, stop in pieces:
        for start in range(first, stop, 1024):
            block = np.ascontiguousarray(sound[:, start : min(start + 1024, stop)])
            frame = av.AudioFrame.from_ndarray(
                block.astype(np.float32), format="fltp", layout=layout
            )
            frame.sample_rate = rate_hz
            frame.time_base = Fraction(1, rate_hz)
            frame.pts = round(at_s * rate_hz) + start - first
            yield frame


def run_ffmpeg(*arguments: str | Path, stdin: Iterator[bytes] | None = None) -> None:
    """The ffmpeg program of imageio-ffmpeg; raises CalledProcessError with its last words."""
    command = [
        imageio_ffmpeg.get_ffmpeg_exe(),
        "-v",
        "error",
        "-nostdin",
        "-y",
        *map(str, arguments),
    ]
    if stdin is not None:
        command.remove("-nostdin")
    data = b"".join(stdin) if stdin is not None else None
    done = subprocess.run(command, input=data, capture_output=True, check=False)
    if done.returncode:
        raise subprocess.CalledProcessError(done.returncode, command, stderr=done.stderr[-2000:])


# ---------------------------------------------------------------- makers of the zoo


def zoo_clip(
    path: Path,
    coding: Coding | None = None,
    *,
    width_px: int = 320,
    height_px: int = 240,
    seconds: float = 2.0,
    frame_rate: Fraction = Fraction(25),
    pts_s: Sequence[float | Fraction] | None = None,
    start_s: float = 0.0,
    flash_frames: Sequence[int] = (10,),
    channels: int = 2,
    rate_hz: int = AUDIO_HZ,
    audio_codec: str = "aac",
    audio_start_s: float = 0.0,
    time_base: Fraction | None = None,
    first_number: int = 0,
    sound: np.ndarray | None = None,
    **more: Any,
) -> Clip:
    """One zoo file. `width_px`, `height_px` are coded; the picture is drawn for square pixels.

    sound: (channel, sample) float at `rate_hz`; made with a click at each flash if None.
    """
    coding = coding or Coding()
    times = (
        list(pts_s)
        if pts_s is not None
        else [k / frame_rate for k in range(round(seconds * frame_rate))]
    )
    tick = time_base or 1 / frame_rate
    shown = [float(round(Fraction(t) / tick) * tick) for t in times]
    shown = [t - shown[0] for t in shown]
    upright = round(width_px * coding.pixel_aspect)
    flashes = tuple(shown[k] for k in flash_frames)
    step = shown[-1] - shown[-2]
    length_s = shown[-1] + step

    def pictures() -> Iterator[np.ndarray]:
        for k, t in enumerate(shown):
            picture = zoo_picture(upright, height_px, first_number + k, t / 2, k in flash_frames)
            if upright != width_px:
                picture = cv2.resize(picture, (width_px, height_px), interpolation=cv2.INTER_AREA)
            yield picture

    if channels and sound is None:
        sound = sound_with_clicks(
            length_s - audio_start_s, rate_hz, channels, [t - audio_start_s for t in flashes]
        )
    pieces = more.pop("audio_pieces", None)
    if sound is not None and pieces is None:
        pieces = [(start_s + audio_start_s, 0, sound.shape[1])]
    write(
        path,
        pictures(),
        [Fraction(t) + Fraction(start_s) for t in times],
        coding,
        sound,
        rate_hz=rate_hz,
        audio_codec=audio_codec,
        frame_rate=frame_rate,
        time_base=time_base,
        audio_pieces=pieces,
        **more,
    )
    geometry = scope_field(upright, height_px)
    steps = np.diff(shown)
    return Clip(
        path=path,
        pts_s=tuple(shown),
        width_px=upright,
        height_px=height_px,
        coded_width_px=width_px,
        coded_height_px=height_px,
        field=geometry,
        codec={"libx264": "h264", "libx265": "hevc"}.get(coding.codec, coding.codec),
        patches=patches_of(geometry),
        flashes_s=flashes,
        clicks_s=flashes if channels else (),
        start_s=start_s,
        duration_s=length_s,
        pixel_aspect=coding.pixel_aspect,
        matrix=coding.matrix,
        tagged=coding.tagged,
        full_range=coding.full_range,
        bit_depth=10 if "10" in coding.pix_fmt else 8,
        channels=channels,
        audio_rate_hz=rate_hz if channels else 0,
        audio_start_s=audio_start_s,
        variable_rate=bool(steps.max() - steps.min() > 0.002),
    )


X265 = {
    "preset": "ultrafast",
    "crf": "12",
    "x265-params": "log-level=none:pools=none:frame-threads=1",
}


def _variable_times(seed: int = 11, seconds: float = 2.0) -> list[Fraction]:
    """Times as phones write them: 30 a second in good light, 15 to 24 in bad, on a 1/600 clock."""
    rng = np.random.default_rng(seed)
    ticks, now = [], 0
    while now < seconds * 600:
        ticks.append(now)
        now += int(rng.choice([20, 20, 20, 24, 25, 40])) + int(rng.integers(-1, 2))
    return [Fraction(t, 600) for t in ticks]


def interlaced_clip(
    path: Path,
    codec: str,
    width_px: int,
    height_px: int,
    *,
    pixel_aspect: Fraction = Fraction(1),
    frame_rate: Fraction = Fraction(25),
    frames: int = 12,
    top_first: bool = True,
    matrix: str = "bt709",
    options: Sequence[str] = (),
    audio_codec: str = "mp2",
) -> Clip:
    """Fields of two moments woven into each frame: the bar moves by field, the number by frame.

    `path`'s folder also holds the sound as a WAV file while this runs.
    """
    upright = round(width_px * pixel_aspect / 2) * 2
    flash, times = 4, [float(k / frame_rate) for k in range(frames)]
    wav = path.with_suffix(".sound.wav")
    sound = sound_with_clicks(float(frames / frame_rate), AUDIO_HZ, 2, [times[flash]])
    write_wav(wav, sound, AUDIO_HZ)

    def raw() -> Iterator[bytes]:
        for k in range(frames):
            both = []
            for half in range(2):
                phase = (k + half / 2) / 12
                picture = zoo_picture(upright, height_px, k, phase, k == flash)
                if upright != width_px:
                    picture = cv2.resize(
                        picture, (width_px, height_px), interpolation=cv2.INTER_AREA
                    )
                both.append(picture)
            woven = both[0].copy()
            woven[(1 if top_first else 0) :: 2] = both[1][(1 if top_first else 0) :: 2]
            # 4:2:0 chroma of interlaced pictures is subsampled field by field.
            y, cb, cr = to_yuv(woven, matrix, False, 8)
            yield np.rint(y).astype(np.uint8).tobytes()
            for plane in (cb, cr):
                rows = plane.reshape(height_px, width_px // 2, 2).mean(axis=2)
                fields = rows.reshape(height_px // 4, 2, 2, width_px // 2).mean(axis=1)
                yield (
                    np.clip(np.rint(fields.reshape(height_px // 2, -1)), 0, 255)
                    .astype(np.uint8)
                    .tobytes()
                )

    standard = "bt709" if matrix == "bt709" else "smpte170m"
    order = "tff" if top_first else "bff"
    run_ffmpeg(
        "-f",
        "rawvideo",
        "-pix_fmt",
        "yuv420p",
        "-s",
        f"{width_px}x{height_px}",
        "-r",
        str(frame_rate),
        "-i",
        "-",
        "-i",
        wav,
        "-map",
        "0:v",
        "-map",
        "1:a",
        "-vf",
        # Said by a filter: the encoder's own colour options make ffmpeg convert unmarked input.
        f"setparams=field_mode={order}:range=tv:colorspace={standard}:color_primaries={standard}"
        f":color_trc={standard},setsar={pixel_aspect.numerator}/{pixel_aspect.denominator}",
        "-c:v",
        codec,
        *options,
        "-flags:v",
        "+ilme+ildct",
        "-field_order",
        {"tff": "tt", "bff": "bb"}[order],
        "-threads",
        "1",
        "-c:a",
        audio_codec,
        path,
        stdin=raw(),
    )
    wav.unlink()
    geometry = scope_field(upright, height_px)
    return Clip(
        path=path,
        pts_s=tuple(times),
        width_px=upright,
        height_px=height_px,
        coded_width_px=width_px,
        coded_height_px=height_px,
        field=geometry,
        codec={"libx264": "h264"}.get(codec, codec),
        patches=patches_of(geometry),
        flashes_s=(times[flash],),
        clicks_s=(times[flash],),
        duration_s=float(frames / frame_rate),
        pixel_aspect=pixel_aspect,
        interlaced=True,
        top_field_first=top_first,
        matrix=matrix,
        channels=2,
        audio_rate_hz=AUDIO_HZ,
    )


def rotated_clip(path: Path, clockwise_deg: int) -> Clip:
    """A phone held upright: pictures stored turned, and a display matrix that turns them back."""
    plain = path.with_suffix(".plain.mp4")
    coded_w, coded_h = 320, 240
    turned = clockwise_deg in (90, 270)
    width, height = (coded_h, coded_w) if turned else (coded_w, coded_h)
    times = [k / 25 for k in range(40)]
    back = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}
    pictures = (
        cv2.rotate(zoo_picture(width, height, k, t / 2, k == 10), back[clockwise_deg])
        for k, t in enumerate(times)
    )
    write(plain, pictures, times, Coding(), sound_with_clicks(1.6, AUDIO_HZ, 2, [times[10]]))
    # ffmpeg's option counts anticlockwise.
    run_ffmpeg(
        "-display_rotation", str(-clockwise_deg % 360), "-i", plain, "-map", "0", "-c", "copy", path
    )
    plain.unlink()
    geometry = scope_field(width, height)
    return Clip(
        path=path,
        pts_s=tuple(times),
        width_px=width,
        height_px=height,
        coded_width_px=coded_w,
        coded_height_px=coded_h,
        field=geometry,
        patches=patches_of(geometry),
        flashes_s=(times[10],),
        clicks_s=(times[10],),
        duration_s=1.6,
        rotation_deg=clockwise_deg,
        channels=2,
        audio_rate_hz=AUDIO_HZ,
    )


def split_recording(
    folder: Path, frames: Sequence[int] = (33, 28), ending: str = "mp4"
) -> list[Clip]:
    """One recording in parts, as recorders split it: numbers and sound run on without a gap.

    The borders lie on no border of an audio packet. Each part flashes and clicks at its frame 10.
    """
    total, first, parts = sum(frames), 0, []
    starts = [sum(frames[:k]) for k in range(len(frames))]
    whole = sound_with_clicks(total / 25, AUDIO_HZ, 2, [(k + 10) / 25 for k in starts])
    for number, count in enumerate(frames, 1):
        a, b = (round(k * AUDIO_HZ / 25) for k in (first, first + count))
        parts.append(
            zoo_clip(
                folder / f"part_{number}.{ending}",
                pts_s=[Fraction(k, 25) for k in range(count)],
                first_number=first,
                sound=whole[:, a:b],
            )
        )
        first += count
    return parts


def gap_clip(path: Path, gap_s: float = 2.0) -> Clip:
    """One second of picture and sound, nothing for `gap_s`, one second more."""
    times = [k / 25 for k in range(25)] + [1 + gap_s + k / 25 for k in range(25)]
    clip = zoo_clip(
        path,
        pts_s=[Fraction(round(t * 1000), 1000) for t in times],
        time_base=Fraction(1, 1000),
        flash_frames=(10, 35),
        audio_codec="pcm_s16le",
        audio_pieces=[
            (0.0, 0, AUDIO_HZ),
            (1 + gap_s, round((1 + gap_s) * AUDIO_HZ), round((2 + gap_s) * AUDIO_HZ)),
        ],
    )
    return replace(clip, variable_rate=True)


def write_wav(path: Path, sound: np.ndarray, rate_hz: int) -> None:
    """16-bit WAV from (channel, sample) float."""
    with wave.open(str(path), "wb") as out:
        out.setnchannels(sound.shape[0])
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes(np.rint(sound.T * 32767).astype("<i2").tobytes())


_PAL, _NTSC = Fraction(16, 15), Fraction(8, 9)  # pixel aspects DV encoders write for 4:3

Maker = Callable[[Path], Clip]
CLIPS: dict[str, tuple[str, Maker]] = {
    # containers and codecs
    "h264_mp4": ("mp4", lambda p: zoo_clip(p)),
    "h264_mov_pcm": ("mov", lambda p: zoo_clip(p, audio_codec="pcm_s16le")),
    "h264_mkv": ("mkv", lambda p: zoo_clip(p, frame_rate=Fraction(30000, 1001))),
    "h264_ts": ("ts", lambda p: zoo_clip(p, start_s=1.4, time_base=Fraction(1, 90000))),
    "h264_bframes": (
        "mp4",
        lambda p: zoo_clip(p, Coding(options={"preset": "veryfast", "crf": "14", "bf": "3"})),
    ),
    "hevc_mp4": ("mp4", lambda p: zoo_clip(p, Coding("libx265", options=X265))),
    "mjpeg_avi": (
        "avi",
        lambda p: zoo_clip(
            p,
            Coding("mjpeg", "yuvj420p", "bt601", True, False, {"q": "2", "qmin": "1", "qmax": "2"}),
            audio_codec="pcm_s16le",
        ),
    ),
    "mpeg2_ts": (
        "ts",
        lambda p: zoo_clip(
            p,
            Coding("mpeg2video", options={"qmin": "1", "qmax": "2"}, bit_rate=4_000_000),
            audio_codec="mp2",
            start_s=1.4,
            time_base=Fraction(1, 25),
        ),
    ),
    "dv_avi": (
        "avi",
        lambda p: interlaced_clip(
            p,
            "dvvideo",
            720,
            576,
            pixel_aspect=_PAL,
            top_first=False,
            matrix="bt601",
            frames=10,
            audio_codec="pcm_s16le",
        ),
    ),
    # time
    "vfr_mp4": ("mp4", lambda p: zoo_clip(p, pts_s=_variable_times(), time_base=Fraction(1, 600))),
    "vfr_mkv": (
        "mkv",
        lambda p: zoo_clip(
            p,
            pts_s=[Fraction(round(t * 1000), 1000) for t in _variable_times(12)],
            time_base=Fraction(1, 1000),
        ),
    ),
    "late_start_mkv": ("mkv", lambda p: zoo_clip(p, start_s=5.0, time_base=Fraction(1, 1000))),
    "late_start_mp4": ("mp4", lambda p: zoo_clip(p, start_s=3.0)),
    "late_sound_mkv": (
        "mkv",
        lambda p: zoo_clip(
            p, audio_start_s=0.3, time_base=Fraction(1, 1000), audio_codec="pcm_s16le"
        ),
    ),
    "gap_mkv": ("mkv", lambda p: gap_clip(p)),
    # interlaced
    "interlaced_576i": (
        "ts",
        lambda p: interlaced_clip(
            p,
            "mpeg2video",
            720,
            576,
            pixel_aspect=_PAL,
            matrix="bt601",
            frames=10,
            options=("-q:v", "2", "-dc", "10"),
        ),
    ),
    "interlaced_576i_bff": (
        "mkv",
        lambda p: interlaced_clip(
            p,
            "mpeg2video",
            352,
            576,
            pixel_aspect=Fraction(24, 11),
            matrix="bt601",
            frames=10,
            top_first=False,
            options=(
                "-q:v",
                "2",
            ),
        ),
    ),
    "interlaced_1080i": (
        "mp4",
        lambda p: interlaced_clip(
            p,
            "libx264",
            1920,
            1080,
            frames=6,
            audio_codec="aac",
            options=("-preset", "ultrafast", "-crf", "18", "-x264-params", "tff=1"),
        ),
    ),
    # shape
    "anamorphic": ("mp4", lambda p: zoo_clip(p, Coding(pixel_aspect=Fraction(4, 3)), width_px=240)),
    "narrow_pixels": ("mkv", lambda p: zoo_clip(p, Coding(pixel_aspect=_NTSC), width_px=360)),
    "rotated_90": ("mp4", lambda p: rotated_clip(p, 90)),
    "rotated_180": ("mp4", lambda p: rotated_clip(p, 180)),
    "rotated_270": ("mov", lambda p: rotated_clip(p, 270)),
    "odd_444": (
        "mp4",
        lambda p: zoo_clip(p, Coding(pix_fmt="yuv444p"), width_px=319, height_px=241),
    ),
    "odd_mjpeg": (
        "mov",
        lambda p: zoo_clip(
            p,
            Coding("mjpeg", "yuvj420p", "bt601", True, False, {"q": "2", "qmin": "1", "qmax": "2"}),
            width_px=321,
            height_px=239,
        ),
    ),
    # colour
    "ten_bit_hevc": ("mp4", lambda p: zoo_clip(p, Coding("libx265", "yuv420p10le", options=X265))),
    "ten_bit_422": ("mov", lambda p: zoo_clip(p, Coding(pix_fmt="yuv422p10le"))),
    "full_range": ("mp4", lambda p: zoo_clip(p, Coding(full_range=True))),
    "bt601": ("mp4", lambda p: zoo_clip(p, Coding(matrix="bt601"))),
    "bt601_untagged": ("mp4", lambda p: zoo_clip(p, Coding(matrix="bt601", tagged=False))),
    "bt709_untagged_hd": (
        "mp4",
        lambda p: zoo_clip(p, Coding(tagged=False), width_px=1280, height_px=720, seconds=0.6),
    ),
    # sound
    "no_audio": ("mp4", lambda p: zoo_clip(p, channels=0)),
    "mono_44k": ("mp4", lambda p: zoo_clip(p, channels=1, rate_hz=44100)),
    "stereo_44k": ("mov", lambda p: zoo_clip(p, rate_hz=44100)),
    "surround_51": ("mp4", lambda p: zoo_clip(p, channels=6)),
}


def make(name: str, folder: Path) -> Clip:
    """Write the zoo file `name` of CLIPS into `folder` and return its truth."""
    ending, maker = CLIPS[name]
    return maker(folder / f"{name}.{ending}")


# ---------------------------------------------------------------- files to refuse


def _bad_missing(folder: Path) -> Path:
    return folder / "missing.mp4"


def _bad_empty(folder: Path) -> Path:
    path = folder / "empty.mp4"
    path.write_bytes(b"")
    return path


def _bad_cut(folder: Path, name: str, options: dict[str, str]) -> Path:
    whole = folder / f"{name}.whole.mp4"
    zoo_clip(whole, container_options=options)
    data = whole.read_bytes()
    whole.unlink()
    path = folder / f"{name}.mp4"
    path.write_bytes(data[: len(data) // 2])
    return path


def _bad_text(folder: Path) -> Path:
    path = folder / "text.mp4"
    path.write_text("This is a letter, not a recording.\n" * 40)
    return path


def _bad_noise(folder: Path) -> Path:
    path = folder / "noise.mp4"
    path.write_bytes(np.random.default_rng(1).integers(0, 256, 20_000, dtype=np.uint8).tobytes())
    return path


def _bad_audio_only(folder: Path) -> Path:
    path = folder / "audio_only.mp4"
    wav = folder / "audio_only.wav"
    write_wav(wav, sound_with_clicks(1.0, AUDIO_HZ, 1, [0.5]), AUDIO_HZ)
    run_ffmpeg("-i", wav, "-c:a", "aac", path)
    return path


def _bad_cover_only(folder: Path) -> Path:
    """Sound with a cover picture: its only picture stream is an attached one."""
    path, wav, cover = folder / "cover_only.mp4", folder / "cover.wav", folder / "cover.png"
    write_wav(wav, sound_with_clicks(1.0, AUDIO_HZ, 1, [0.5]), AUDIO_HZ)
    cv2.imwrite(str(cover), zoo_picture(160, 120, 1, 0.0, False)[..., ::-1])
    run_ffmpeg(
        "-i",
        wav,
        "-i",
        cover,
        "-map",
        "0",
        "-map",
        "1",
        "-c:a",
        "aac",
        "-c:v",
        "mjpeg",
        "-disposition:v",
        "attached_pic",
        path,
    )
    return path


def _target(folder: Path) -> Path:
    path = folder / "target.ts"
    if not path.exists():
        zoo_clip(path, start_s=1.4, time_base=Fraction(1, 90000), seconds=1.0)
    return path


def _bad_playlist(folder: Path) -> Path:
    path = folder / "playlist.mp4"
    name = _target(folder).name
    path.write_text(
        f"#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:2\n#EXTINF:1.0,\n{name}\n#EXT-X-ENDLIST\n"
    )
    return path


def _bad_concat(folder: Path) -> Path:
    path = folder / "concat.mp4"
    name = _target(folder).name
    path.write_text(f"ffconcat version 1.0\nfile {name}\nfile {name}\n")
    return path


def _bad_dash(folder: Path) -> Path:
    path = folder / "dash.mp4"
    name = _target(folder).name
    path.write_text(
        '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" type="static" '
        'mediaPresentationDuration="PT1S" profiles="urn:mpeg:dash:profile:isoff-main:2011"><Period>'
        '<AdaptationSet mimeType="video/mp2t"><Representation id="1" bandwidth="1000">'
        f"<BaseURL>{name}</BaseURL></Representation></AdaptationSet></Period></MPD>"
    )
    return path


def _bad_sdp(folder: Path) -> Path:
    path = folder / "session.mp4"
    path.write_text(
        "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\n"
        "m=video 50000 RTP/AVP 96\na=rtpmap:96 H264/90000\n"
    )
    return path


BAD_FILES: dict[str, Callable[[Path], Path]] = {
    "missing": _bad_missing,
    "empty": _bad_empty,
    "truncated": lambda f: _bad_cut(f, "truncated", {}),  # the index at the end is lost
    "truncated_data": lambda f: _bad_cut(f, "truncated_data", {"movflags": "faststart"}),
    "text": _bad_text,
    "noise": _bad_noise,
    "audio_only": _bad_audio_only,
    "cover_only": _bad_cover_only,
    "playlist": _bad_playlist,
    "concat": _bad_concat,
    "dash": _bad_dash,
    "sdp": _bad_sdp,
}


def make_bad(name: str, folder: Path) -> Path:
    """Write the file `name` of BAD_FILES into `folder` and return its path."""
    return BAD_FILES[name](folder)


# ---------------------------------------------------------------- moving tissue


@lru_cache(maxsize=8)
def _tissue(seed: int, size_px: int) -> np.ndarray:
    """Tissue-like texture, (size_px, size_px, rgb) linear light float32."""
    rng = np.random.default_rng(seed)

    def cloud(cells: int, octaves: int, keep: float = 0.6) -> np.ndarray:
        total, weight = np.zeros((size_px, size_px), np.float32), 1.0
        for k in range(octaves):
            grid = rng.standard_normal((cells * 2**k + 3,) * 2).astype(np.float32)
            total += weight * cv2.resize(grid, (size_px, size_px), interpolation=cv2.INTER_CUBIC)
            weight *= keep
        return total

    light = np.exp(0.55 * cloud(4, 3))[..., None]
    mix = np.clip(0.5 + 0.35 * cloud(8, 4), 0, 1)[..., None]
    base = np.array([0.34, 0.10, 0.07]) * (1 - mix) + np.array([0.52, 0.25, 0.18]) * mix
    lines = np.zeros((size_px, size_px), np.uint8)
    for _ in range(size_px // 6):
        at, angle, points = rng.uniform(0, size_px, 2), rng.uniform(0, 6.3), []
        for _ in range(30):
            angle += rng.normal(0, 0.3)
            at = at + size_px / 160 * np.array([np.cos(angle), np.sin(angle)])
            points.append(at)
        cv2.polylines(
            lines, [np.array(points, np.int32)], False, int(rng.uniform(90, 255)), 1, cv2.LINE_AA
        )
    vessel = lines[..., None] / 255 * np.array([0.4, 0.85, 0.8])
    shine = np.clip(cloud(24, 2) - 2.1, 0, 1)[..., None]
    return (base * light * (1 - vessel) + shine).astype(np.float32)


@dataclass(frozen=True)
class FogTruth:
    """Koschmieder fog: loss rises to `peak_loss` in `rise_s`, holds, and decays with `clear_s`."""

    start_s: float
    rise_s: float = 0.5
    peak_loss: float = 0.5
    hold_s: float = 0.5
    clear_s: float = 1.0

    def loss(self, time_s: float) -> float:
        x = time_s - self.start_s
        if x <= 0:
            return 0.0
        if x < self.rise_s:
            return self.peak_loss * x / self.rise_s
        return self.peak_loss * float(
            np.exp(-max(0.0, x - self.rise_s - self.hold_s) / self.clear_s)
        )


def to_srgb(linear: np.ndarray) -> np.ndarray:
    """Linear light 0..1 to levels 0..255 (IEC 61966-2-1)."""
    x = np.clip(linear, 0, 1)
    return 255 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(x, 1 / 2.4) - 0.055)


def scope_frames(
    count: int,
    frame_rate: Fraction = Fraction(25),
    size_px: tuple[int, int] = (320, 240),
    *,
    seed: int = 0,
    fields: Sequence[tuple[float, FieldTruth]] | None = None,
    fog: FogTruth | None = None,
    airlight: tuple[float, float, float] = (0.42, 0.41, 0.40),
    surround: float = 8.0,
    noise_levels: float = 1.0,
    speed_px_s: float = 12.0,
    gain: float = 1.0,
    rim: float = 0.4,
) -> Iterator[np.ndarray]:
    """Tissue that drifts under a scope field, (row, col, rgb) float32 levels, one at a time.

    size_px: (width, height). fields: (start time, geometry), in order. airlight: linear R, G, B.
    rim: how much light the edge of the field lacks, 0 to 1.
    """
    width, height = size_px
    fields = list(fields or [(0.0, scope_field(width, height))])
    world = _tissue(seed, max(256, int(1.6 * max(size_px))))
    rng = np.random.default_rng(seed + 1)
    heading = rng.uniform(0, 2 * np.pi)
    x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    prepared = []
    for start_s, f in fields:
        r = np.hypot(x - f.center_x_px, y - f.center_y_px)
        cover = np.clip(f.radius_px - r + 0.5, 0, 1)
        cover *= np.clip(y - f.top_px + 0.5, 0, 1) * np.clip(f.bottom_px - y + 0.5, 0, 1)
        cover *= np.clip(x - f.left_px + 0.5, 0, 1) * np.clip(f.right_px - x + 0.5, 0, 1)
        shade = 1 - rim * np.clip(r / f.radius_px, 0, 1) ** 2
        prepared.append(
            (
                start_s,
                cover[..., None].astype(np.float32),
                (gain * shade[..., None]).astype(np.float32),
            )
        )
    air = np.array(airlight, np.float32)
    for k in range(count):
        t = float(k / frame_rate)
        _, cover, shade = [p for p in prepared if p[0] <= t + 1e-9][-1]
        way = speed_px_s * t
        turn = 0.06 * np.sin(0.9 * t + seed)
        c, s = np.cos(turn), np.sin(turn)
        dx = world.shape[1] / 2 + way * np.cos(heading) + 3 * np.sin(2.3 * t)
        dy = world.shape[0] / 2 + way * np.sin(heading) + 3 * np.sin(1.9 * t + 1)
        move = np.array(
            [
                [c, -s, dx - c * width / 2 + s * height / 2],
                [s, c, dy - s * width / 2 - c * height / 2],
            ],
            np.float32,
        )
        view = cv2.warpAffine(
            world,
            move,
            (width, height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT,
        )
        linear = np.clip(view * shade, 0, 1)
        loss = fog.loss(t) if fog else 0.0
        linear = linear * (1 - loss) + air * loss
        levels = to_srgb(linear).astype(np.float32)
        levels = levels * cover + surround * (1 - cover)
        if noise_levels:
            levels += noise_levels * rng.standard_normal(levels.shape, np.float32)
        yield levels


def burned_in(
    letters: Sequence[tuple[str, int, int, int]], size: tuple[int, int]
) -> tuple[np.ndarray, tuple[tuple[int, int, int, int], ...]]:
    """Cover of lettering, (row, col, 1) float32 0..1, and the box x, y, width, height of each."""
    sheet = np.zeros((size[1], size[0]), np.uint8)
    boxes = []
    for words, x, y, height in letters:
        alone = np.zeros_like(sheet)
        scale = height / 21.0  # capitals of this font are 21 pixels high at scale 1
        at = (x, y + height)
        thick = max(1, round(scale * 2))
        cv2.putText(alone, words, at, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, thick, cv2.LINE_AA)
        rows, cols = np.nonzero(alone)
        if not len(rows):
            raise ValueError(f"letters outside the picture: {words!r}")
        left, top = int(cols.min()), int(rows.min())
        boxes.append((left, top, int(cols.max()) + 1 - left, int(rows.max()) + 1 - top))
        sheet = np.maximum(sheet, alone)
    return (sheet[..., None] / np.float32(255)).astype(np.float32), tuple(boxes)


def scope_clip(
    path: Path,
    seconds: float = 4.0,
    fps: float | Fraction = 25,
    size: tuple[int, int] = (320, 240),
    *,
    seed: int = 0,
    field: FieldTruth | None = None,
    fields: Sequence[tuple[float, FieldTruth]] | None = None,
    fog: FogTruth | None = None,
    audio: str = "noise",
    sound: np.ndarray | None = None,
    suction_s: Sequence[tuple[float, float]] = (),
    coding: Coding | None = None,
    metadata: dict[str, str] | None = None,
    letters: Sequence[tuple[str, int, int, int]] = (),
    letters_s: tuple[float, float] = (0.0, np.inf),
    **picture: Any,
) -> Clip:
    """A recording of moving tissue in a round field.

    size: (width, height) in pixels. field: geometry, or fields: (start time, geometry) in order.
    audio: 'none', 'noise' (room and, in `suction_s`, suction), 'clicks' (one a second from 0.5 s)
    or 'silence'; `sound`, (channel, sample) float at 48 kHz, replaces it. letters: (words, x, y,
    height in pixels) burned in, x and y the upper left corner, from and until letters_s; the answer
    has their boxes. The rest goes to `scope_frames`. contrast_loss of the answer is the true one,
    frame by frame.
    """
    rate = Fraction(fps).limit_denominator(1001)
    count = round(seconds * rate)
    geometry = list(fields or [(0.0, field or scope_field(*size))])
    clicks: tuple[float, ...] = ()
    if sound is None and audio != "none":
        if audio == "noise":
            sound = suction_sound(seconds, AUDIO_HZ, suction_s, seed + 2)
        elif audio == "clicks":
            clicks = tuple(0.5 + k for k in range(int(seconds - 0.5) + 1) if 0.5 + k < seconds)
            sound = sound_with_clicks(seconds, AUDIO_HZ, 2, clicks, seed + 2)
        elif audio == "silence":
            sound = np.zeros((1, round(seconds * AUDIO_HZ)), np.float32)
        else:
            raise ValueError(f"audio: {audio!r}")
    coding = coding or Coding(options={"preset": "ultrafast", "crf": "16"})
    frames = scope_frames(count, rate, size, seed=seed, fields=geometry, fog=fog, **picture)
    cover, boxes = burned_in(letters, size)
    if boxes:
        frames = (
            f + (225 - f) * cover if letters_s[0] <= k / rate < letters_s[1] else f
            for k, f in enumerate(frames)
        )
    times = [k / rate for k in range(count)]
    write(
        path,
        frames,
        times,
        coding,
        sound,
        frame_rate=rate,
        metadata=metadata,
        audio_codec="pcm_s16le" if path.suffix in (".mov", ".mkv", ".avi") else "aac",
    )
    return Clip(
        path=path,
        pts_s=tuple(float(t) for t in times),
        width_px=size[0],
        height_px=size[1],
        coded_width_px=size[0],
        coded_height_px=size[1],
        field=geometry[0][1],
        duration_s=float(count / rate),
        clicks_s=clicks,
        channels=0 if sound is None else sound.shape[0],
        audio_rate_hz=0 if sound is None else AUDIO_HZ,
        matrix=coding.matrix,
        fields=tuple(geometry),
        contrast_loss=tuple(fog.loss(float(t)) for t in times) if fog else (0.0,) * count,
        lettering_px=boxes,
    )


def long_sync_clip(
    path: Path,
    minutes: float = 30.0,
    fps: float | Fraction = 5,
    size: tuple[int, int] = (160, 120),
    *,
    rate_hz: int = AUDIO_HZ,
    audio_codec: str = "aac",
) -> Clip:
    """A tiny long recording: a flash and a click about 2 s after the start and 2 s before the end.

    The sound is silent but for the clicks; the picture changes only at the flashes.
    """
    rate = Fraction(fps).limit_denominator(1001)
    count = round(Fraction(minutes) * 60 * rate)
    flashes = (round(2 * rate), count - round(2 * rate))
    plain = zoo_picture(*size, 0, 0.0, False)
    bright = zoo_picture(*size, 0, 0.0, True)
    still = {True: to_frame(bright, "yuv420p"), False: to_frame(plain, "yuv420p")}
    samples = round(count / rate * rate_hz)
    click = sound_with_clicks(0.01, rate_hz, 1, [0.0])
    starts = [round(k / rate * rate_hz) for k in flashes]
    silence = np.zeros((1, 1024), np.float32)
    with av.open(str(path), "w") as out:
        video = out.add_stream(
            "libx264", rate=rate, options={"preset": "ultrafast", "crf": "18", "g": "250"}
        )
        video.width, video.height, video.pix_fmt = *size, "yuv420p"
        video.codec_context.thread_count = 1
        video.codec_context.colorspace = 1
        voice = out.add_stream(audio_codec, rate=rate_hz, layout="mono")
        done = 0
        for k in range(count):
            frame = still[k in flashes]
            frame.pts, frame.time_base = k, 1 / rate
            out.mux(video.encode(frame))
            while done < min(samples, (k + 1) / rate * rate_hz):
                n = min(1024, samples - done)
                block = silence[:, :n]
                for start in starts:
                    if start - n < done < start + click.shape[1]:
                        block = block.copy()
                        a, b = max(start, done), min(start + click.shape[1], done + n)
                        if b > a:
                            block[:, a - done : b - done] = click[:, a - start : b - start]
                piece = av.AudioFrame.from_ndarray(
                    np.ascontiguousarray(block), format="fltp", layout="mono"
                )
                piece.sample_rate, piece.pts, piece.time_base = rate_hz, done, Fraction(1, rate_hz)
                out.mux(voice.encode(piece))
                done += n
        out.mux(video.encode(None))
        out.mux(voice.encode(None))
    times = tuple(float(k / rate) for k in range(count))
    return Clip(
        path=path,
        pts_s=times,
        width_px=size[0],
        height_px=size[1],
        coded_width_px=size[0],
        coded_height_px=size[1],
        field=scope_field(*size),
        flashes_s=tuple(times[k] for k in flashes),
        clicks_s=tuple(times[k] for k in flashes),
        duration_s=float(count / rate),
        channels=1,
        audio_rate_hz=rate_hz,
    )


# ---------------------------------------------------------------- narration and cases


@lru_cache(maxsize=1)
def spoken_sentences() -> tuple[np.ndarray, ...]:
    """Sentences of the sample narration, each (sample,) float at 48 kHz."""
    truth = json.loads((SAMPLE / "truth.json").read_text())["narration"]
    with av.open(str(SAMPLE / truth["file"])) as file:
        blocks = [f.to_ndarray()[0] for f in file.decode(audio=0)]
    sound = np.concatenate(blocks) / 32768.0
    spans = [(round(a * AUDIO_HZ), round(b * AUDIO_HZ)) for a, b in truth["speech_s"]]
    return tuple(sound[a:b].astype(np.float32) for a, b in spans)


def narration_file(
    path: Path, seconds: float, starts_s: Sequence[float], level_dbfs: float = -26.0
) -> list[tuple[float, float]]:
    """A 48 kHz mono WAV with a spoken sentence at each start (3 to 4 s each); its speech spans."""
    sound = 1e-4 * np.random.default_rng(9).standard_normal(round(seconds * AUDIO_HZ))
    spans = []
    for k, at_s in enumerate(starts_s):
        voice = spoken_sentences()[k % len(spoken_sentences())]
        voice = voice * 10 ** (level_dbfs / 20) / np.sqrt(np.mean(voice**2))
        a = round(at_s * AUDIO_HZ)
        b = min(a + len(voice), len(sound))
        sound[a:b] += voice[: b - a]
        spans.append((at_s, b / AUDIO_HZ))
    write_wav(path, np.clip(sound, -0.99, 0.99)[None], AUDIO_HZ)
    return spans


def write_case(
    folder: Path,
    recordings: Sequence[Sequence[Path] | Path],
    *,
    case: str = "ZZ-0001",
    narration: str | None = None,
    scope: str = "public",
    more: str = "",
) -> Path:
    """Write `case.toml` for files that lie in `folder`; `more` is TOML put at its end."""
    lines = [f'case = "{case}"', 'title = "Made for a test"']
    for files in recordings:
        names = [p.name for p in ([files] if isinstance(files, Path) else files)]
        lines += ["", "[[recording]]", f"files = {json.dumps(names)}"]
    if narration:
        lines += ["", "[narration]", f"file = {json.dumps(narration)}"]
    lines += [
        "",
        "[consent]",
        f'scope = "{scope}"',
        *([] if scope == "none" else ["given_on = 2026-03-02"]),  # with a date it is a refusal
        'reference = "form 1"',
    ]
    path = folder / "case.toml"
    path.write_text("\n".join(lines) + "\n" + more)
    return path
