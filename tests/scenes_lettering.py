"""Burned-in lettering over moving tissue: made films whose every written pixel is known.

`film(seed)` draws what a film is (size, rate, coder, movement, lettering), `pictures` makes its
pictures with the truth, `write` codes them. Tissue comes from photographs handed over, or
from scikit-image's retina. Fonts are those of the machine (Noto, DejaVu, where installed), else
the one that Pillow brings; nothing is shipped.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import av
import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Rgb = NDArray[np.uint8]
FONTS = Path("/usr/share/fonts")
LEAST_CHANGE = 5.0  # luma levels by which ink changes the picture on average; else it is not seen
WORDS = {  # script: font file patterns, lines (names, dates and numbers, all invented)
    "latin": (
        ("NotoSans-Regular", "NotoSerif-Bold", "DejaVuSansMono", "DejaVuSans-Bold", "NotoSans-Bold",
         "DejaVuSerif"),
        ("Ingrid Brekkestad", "MRN 00481516", "DOB 12.03.1967", "2026-03-02 10:11", "ID A4471902",
         "BREKKESTAD, I.", "Room 7", "Tove Almqvist f 1981", "HN48213"),
    ),
    "greek": (("NotoSans-Regular", "DejaVuSans"), ("Ελένη Παπαδάκη", "ΓΕΩΡΓΙΟΣ 1958")),
    "cyrillic": (("NotoSans-Bold", "DejaVuSans"), ("Ирина Воронцова", "Палата 12")),
    "chinese": (("NotoSansCJK-Regular", "NotoSansCJK-Bold"), ("王小明 1967", "李秀英", "张伟")),
    "korean": (("NotoSansCJK-Regular",), ("김민수 환자", "박지영")),
    "japanese": (("NotoSansCJK-Regular", "NotoSerifCJK-Regular"), ("山田太郎 様", "さとう はなこ")),
    "arabic": (("NotoNaskhArabic-Regular", "NotoSansArabic-Bold"), ("محمد الأحمد", "فاطمة حسن")),
    "hebrew": (("NotoSansHebrew-Regular", "NotoSansHebrew-Bold"), ("יוסף כהן", "שרה לוי 1972")),
    "devanagari": (("NotoSansDevanagari-Regular",), ("राम शर्मा", "सुनीता देवी")),
    "thai": (("NotoSansThai-Regular", "NotoSansThai-Bold"), ("สมชาย ใจดี", "คนไข้ ๑๒")),
}  # fmt: skip
INKS = [(255, 255, 255), (255, 255, 0), (0, 255, 0), (0, 255, 255), (20, 20, 20), (255, 0, 255),
        (255, 160, 0), (60, 90, 255)]  # fmt: skip


@lru_cache(maxsize=1)
def _font_files() -> dict[str, Path]:
    if not FONTS.is_dir():
        return {}
    return {p.stem: p for p in sorted(FONTS.rglob("*")) if p.suffix in (".ttf", ".otf", ".ttc")}


@dataclass(frozen=True)
class Line:
    """What is written: start and stop in seconds; height of a letter in px; angle in degrees.

    moves: "stays", "with" the tissue, "ticker" (level), "scroll" (upright), "against".
    shows: "steady", "blinks", "typed". style: "plain", "outline", "bar", "hand".
    """

    words: str
    script: str
    font: str
    start_s: float
    stop_s: float
    high_px: float
    ink: tuple[int, int, int]
    opacity: float
    angle_deg: float
    upright: bool
    moves: str
    shows: str
    style: str
    at: tuple[float, float]  # middle of the line, in field radii from the field's middle
    speed: float  # field radii a second


@dataclass(frozen=True)
class Film:
    """One film; `line` is None for clean tissue."""

    seed: int
    width: int
    height: int
    rate: int
    seconds: float
    radius: float  # of the field in heights; 0: the tissue fills the picture
    codec: str  # h264 | h264i (interlaced) | mpeg4 | mjpeg
    quality: int
    line: Line | None

    @property
    def field(self) -> tuple[float, float, float]:
        """Middle and radius in px."""
        r = self.radius * self.height if self.radius else 0.62 * self.height
        return 0.5 * self.width, 0.5 * self.height, r


def film(seed: int, clean: bool = False, seconds: float | None = None) -> Film:
    """The film of a seed. clean: no lettering, the same otherwise."""
    rng = np.random.default_rng([77, seed])
    height = int(rng.choice([320, 480, 480, 480, 540, 576, 576, 720, 720, 1080]))
    wide = 4 / 3 if height in (480, 576) else 16 / 9
    width = round(height * wide / 2) * 2
    rate = int(rng.choice([10, 15, 24, 25, 25, 30]))
    radius = float(rng.choice([0.0, rng.uniform(0.4, 0.56), rng.uniform(0.4, 0.56)]))
    codec = str(rng.choice(["h264", "h264", "h264", "h264i", "mpeg4", "mjpeg"]))
    if codec == "h264i" and rate < 24:
        codec = "h264"
    quality = int(rng.integers(0, 100))
    faint = rng.random() < 0.3
    if faint:
        length_s = float(rng.uniform(1.0, 2.0))
        opacity = float(np.exp(rng.uniform(math.log(0.08), math.log(0.5))))
    else:
        length_s = float(np.exp(rng.uniform(math.log(0.12), math.log(1.5))))
        opacity = float(rng.choice([1.0, 1.0, rng.uniform(0.5, 1)]))
    length_s = max(length_s, 1.001 / rate)
    total_s = max(0.9, length_s + 0.5) if seconds is None else seconds
    start_s = float(rng.uniform(0, max(0.01, total_s - length_s)))
    r_px = (radius or 0.5) * height
    high = float(np.exp(rng.uniform(math.log(12), math.log(2 * r_px / 3))))
    script = str(rng.choice(["latin", "latin", "latin", *WORDS]))
    fonts, lines = WORDS[script]
    words = str(rng.choice(lines))
    longest = 2 * r_px / high  # letters that have room
    if len(words) > longest * 1.5:
        words = words[: max(2, int(longest * 1.5))].strip()
    moves = str(rng.choice(["stays", "stays", "stays", "with", "ticker", "scroll", "against"]))
    shows = str(rng.choice(["steady", "steady", "steady", "blinks", "typed"]))
    if length_s < 0.5:
        shows = "steady"
    style = str(rng.choice(["plain", "plain", "outline", "bar", "hand"]))
    if style == "hand" and script != "latin":
        style = "plain"
    turned = rng.random() < 0.35
    line = Line(
        words, script, str(rng.choice(fonts)), start_s, start_s + length_s, high,
        INKS[int(rng.integers(len(INKS)))], opacity,
        float(rng.uniform(-90, 90)) if turned else 0.0,
        bool(rng.random() < 0.08), moves, shows, style,
        (float(rng.uniform(-0.5, 0.5)), float(rng.uniform(-0.7, 0.7))),
        float(rng.uniform(0.1, 0.8)) * (1 if rng.random() < 0.5 else -1),
    )  # fmt: skip
    return Film(seed, width, height, rate, total_s, radius, codec, quality, None if clean else line)


def plates(folder: Path | None) -> list[Rgb]:
    """Photographs of tissue: those of a folder, else scikit-image's retina in parts."""
    if folder is not None:
        files = sorted(folder.glob("*.png"))
        return [cv2.cvtColor(cv2.imread(str(f)), cv2.COLOR_BGR2RGB) for f in files]
    eye = skimage.data.retina()
    return [np.ascontiguousarray(eye[y : y + 512, x : x + 512]) for y, x in
            ((250, 250), (250, 640), (640, 250), (640, 640))]  # fmt: skip


class Tissue:
    """Pictures of moving, zooming, turning, deforming tissue with highlights and instruments."""

    def __init__(self, film_: Film, photographs: Sequence[Rgb]) -> None:
        rng = self.rng = np.random.default_rng([78, film_.seed])
        self.film = film_
        plate = photographs[int(rng.integers(len(photographs)))]
        plate = plate[24:-24, 24:-24]
        # Tissue is seen at a third to the whole of a photograph.
        self.plate = cv2.copyMakeBorder(plate, 464, 464, 464, 464, cv2.BORDER_REFLECT_101)
        self.zoom = 464 / film_.height * rng.uniform(0.45, 1.0)
        self.way = rng.uniform(0, 2 * math.pi, 12)
        self.pace = rng.uniform(0.2, 1.0) * rng.choice([0.15, 1.0, 1.0, 2.0])
        self.gain = rng.uniform(0.8, 1.35)
        self.noise = rng.uniform(0.5, 4.0)
        y, x = np.mgrid[: film_.height, : film_.width].astype(np.float32)
        cx, cy, r = film_.field
        self.x, self.y = x - cx, y - cy
        self.far = np.hypot(self.x, self.y)
        self.inside = self.far <= r if film_.radius else np.ones(x.shape, bool)
        self.shade = (1.05 - 0.35 * np.minimum(1.2, self.far / r) ** 2).astype(np.float32)
        self.grain = rng.normal(0, self.noise, (*x.shape, 1)).astype(np.float32)
        self.glints = rng.uniform(-300, 300, (int(rng.integers(0, 14)), 2))
        self.glint_px = rng.uniform(0.002, 0.012, len(self.glints)) * film_.height
        self.rod = rng.random() < 0.5
        self.rod_way = rng.uniform(0, 2 * math.pi, 4)
        self.suture = rng.random() < 0.25
        count, first = int(rng.integers(0, 9)), float(rng.uniform(0.05, 0.3))
        self.rod_marks = first + float(rng.uniform(0.03, 0.15)) * np.arange(count)
        self.rod_half = float(rng.uniform(0.03, 0.1))
        steps = rng.normal(0, 22, (24, 2)).cumsum(0)
        self.thread = (steps - steps.mean(0)).astype(np.float32)

    def _turn(self, time_s: float) -> tuple[float, float, float, float]:
        """Scale, angle, and middle on the plate."""
        w, t = self.way, time_s * self.pace
        scale = self.zoom * (1 + 0.12 * math.sin(w[0] + 0.9 * t))
        angle = 0.25 * math.sin(w[1] + 0.8 * t)
        x = 696 + 150 * math.sin(w[2] + 1.3 * t) + 20 * math.sin(w[3] + 5 * t)
        y = 696 + 150 * math.sin(w[4] + 0.9 * t) + 20 * math.sin(w[5] + 4 * t)
        return scale, angle, x, y

    def to_picture(self, points: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Points on the plate (from its middle) to pixels."""
        scale, angle, x, y = self._turn(time_s)
        c, s = math.cos(angle), math.sin(angle)
        off = points + 696 - np.array([x, y])
        turned = off @ np.array([[c, -s], [s, c]])
        cx, cy, _ = self.film.field
        return np.asarray(turned / scale + np.array([cx, cy]))

    def picture(self, time_s: float) -> Rgb:
        scale, angle, px, py = self._turn(time_s)
        c, s = math.cos(angle) * scale, math.sin(angle) * scale
        t, w = time_s * self.pace, self.way
        bend = 5 * np.sin(self.x / self.film.height * 5 + w[6] + 2 * t)
        bend2 = 5 * np.sin(self.y / self.film.height * 4 + w[7] + 1.7 * t)
        map_x = (c * self.x - s * self.y + px + bend2).astype(np.float32)
        map_y = (s * self.x + c * self.y + py + bend).astype(np.float32)
        out = cv2.remap(self.plate, map_x, map_y, cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_REFLECT).astype(np.float32)  # fmt: skip
        out *= (self.gain * (1 + 0.05 * math.sin(w[8] + t)) * self.shade)[..., None]
        if self.suture:
            line = self.to_picture(self.thread.astype(np.float64), time_s).astype(np.int32)
            thick = max(1, round(0.004 * self.film.height))
            cv2.polylines(out, [line.reshape(-1, 1, 2)], False, (40, 45, 95), thick, cv2.LINE_AA)
        for (gx, gy), size in zip(self.glints, self.glint_px, strict=True):
            if self.rng.random() < 0.75:
                at = self.to_picture(np.array([gx, gy]), time_s)
                axes = (max(1, round(size * self.rng.uniform(0.6, 1.6))), max(1, round(size)))
                cv2.ellipse(out, (int(at[0]), int(at[1])), axes, float(self.rng.uniform(0, 180)),
                            0, 360, (252, 250, 248), -1, cv2.LINE_AA)  # fmt: skip
        if self.rod:
            self._draw_rod(out, time_s)
        out[~self.inside] = 6
        rows, cols = out.shape[:2]
        roll = (int(self.rng.integers(rows)), int(self.rng.integers(cols)))
        out += np.roll(self.grain, roll, (0, 1))
        return np.clip(out, 0, 255, out=out).astype(np.uint8)

    def _draw_rod(self, out: NDArray[np.float32], time_s: float) -> None:
        """A shaft of steel from the side, with light along it, a tip, and marks or teeth on it."""
        cx, cy, r = self.film.field
        w, t = self.rod_way, time_s * max(0.5, self.pace)
        angle = w[0] + 0.15 * math.sin(w[1] + 1.1 * t)
        reach = r * (0.35 + 0.6 * math.sin(w[2] + 0.8 * t))
        along = np.array([math.cos(angle), math.sin(angle)])
        across = np.array([-along[1], along[0]])
        middle = np.array([cx, cy])
        half = self.rod_half * r
        near = middle + along * reach
        far = middle + along * 2 * r
        for share, level in ((1.0, 90), (0.7, 130), (0.35, 190), (0.12, 240)):
            side = across * half * share + across * half * 0.1
            corners = np.array([near - side, near + side, far + side, far - side]).astype(np.int32)
            cv2.fillPoly(out, [corners], (level, level, level + 4), cv2.LINE_AA)
        for mark in self.rod_marks:
            a = near + along * r * mark
            p, q = (a - across * half).astype(int), (a + across * half).astype(int)
            cv2.line(out, (int(p[0]), int(p[1])), (int(q[0]), int(q[1])), (50, 50, 55),
                     max(1, round(0.006 * r)), cv2.LINE_AA)  # fmt: skip
        tip = near.astype(int)
        cv2.circle(out, (int(tip[0]), int(tip[1])), max(2, round(half)), (110, 110, 115), -1)


def _font(line: Line, size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    path = _font_files().get(line.font)
    if path is None:
        return ImageFont.load_default(size)
    return ImageFont.truetype(str(path), size)


def stencil(line: Line, words: str) -> tuple[Rgb, Rgb]:
    """Ink and backing of a line, uint8 (row, col) 0..255 of one size, in px of the picture."""
    size = max(6, round(line.high_px / 0.72))  # a capital's height is about 0.72 of the size
    if line.style == "hand":
        return _hand(line, words)
    known = line.font in _font_files() or line.script == "latin"
    if not known:
        words = "Ingrid 4471902"[: max(2, len(words))]
    font = _font(line, size)
    if line.upright:
        words = "\n".join(words.replace(" ", ""))
    edge = max(1, round(size / 14)) if line.style == "outline" else 0
    pen = ImageDraw.Draw(Image.new("L", (8, 8)))
    box = pen.multiline_textbbox((0, 0), words, font=font, stroke_width=edge, spacing=0)
    pad = max(3, size // 5)
    wide, high = round(box[2] - box[0]) + 2 * pad, round(box[3] - box[1]) + 2 * pad
    images = []
    for stroke in (0, edge):
        image = Image.new("L", (wide, high))
        ImageDraw.Draw(image).multiline_text(
            (pad - box[0], pad - box[1]), words, 255, font, spacing=0, stroke_width=stroke
        )
        images.append(np.array(image))
    ink, back = images
    if line.style == "bar":
        back = np.full_like(ink, 255)
    elif line.style != "outline":
        back = np.zeros_like(ink)
    return ink, back


def _hand(line: Line, words: str) -> tuple[Rgb, Rgb]:
    """Handwriting-like: a script stroke font, bent and slanted."""
    scale = line.high_px / 21
    thick = max(1, round(line.high_px / 9))
    face = cv2.FONT_HERSHEY_SCRIPT_COMPLEX
    (wide, high), base = cv2.getTextSize(words, face, scale, thick)
    pad = thick + round(0.4 * line.high_px)
    ink = np.zeros((high + base + 2 * pad, wide + 2 * pad), np.uint8)
    cv2.putText(ink, words, (pad, pad + high), face, scale, 255, thick, cv2.LINE_AA)
    y, x = np.mgrid[: ink.shape[0], : ink.shape[1]].astype(np.float32)
    bend = 0.15 * line.high_px * np.sin(x / (1.7 * line.high_px))
    ink = cv2.remap(ink, x, (y + bend).astype(np.float32), cv2.INTER_LINEAR)
    return ink, np.zeros_like(ink)


def written(film_: Film, tissue: Tissue, time_s: float) -> tuple[Rgb, Rgb] | None:
    """Ink and backing on the whole picture at a time, uint8 0..255; None where none shows."""
    line = film_.line
    if line is None or not line.start_s <= time_s < line.stop_s:
        return None
    since = time_s - line.start_s
    if line.shows == "blinks" and since % 0.5 >= 0.3:
        return None
    words = line.words
    if line.shows == "typed":
        whole_s = 0.6 * (line.stop_s - line.start_s)
        words = words[: max(2, math.ceil(len(words) * since / whole_s))]
    whole, _ = stencil(line, line.words)
    ink, back = stencil(line, words)
    cx, cy, r = film_.field
    at = np.array([cx + line.at[0] * r, cy + line.at[1] * r])
    turn = line.angle_deg
    mid_s = since - 0.5 * (line.stop_s - line.start_s)
    if line.moves == "ticker":
        at[0] += line.speed * r * mid_s
    elif line.moves == "scroll":
        at[1] += line.speed * r * mid_s
    elif line.moves in ("with", "against"):
        here = tissue.to_picture(np.zeros(2), time_s)
        begun = tissue.to_picture(np.zeros(2), line.start_s)
        at += (here - begun) * (1 if line.moves == "with" else -1)
    matrix = cv2.getRotationMatrix2D((whole.shape[1] / 2, whole.shape[0] / 2), turn, 1.0)
    matrix[0, 2] += at[0] - whole.shape[1] / 2
    matrix[1, 2] += at[1] - whole.shape[0] / 2
    size = (film_.width, film_.height)
    return (
        cv2.warpAffine(ink, matrix, size, flags=cv2.INTER_LINEAR),
        cv2.warpAffine(back, matrix, size, flags=cv2.INTER_LINEAR),
    )


def pictures(
    film_: Film, photographs: Sequence[Rgb], tissue: Tissue | None = None
) -> Iterator[tuple[float, Rgb, NDArray[np.bool_] | None]]:
    """(time_s, rgb, where ink shows inside the field or None) of every picture.

    tissue: what is filmed; else drawn from the film's seed."""
    tissue = tissue or Tissue(film_, photographs)
    halves = 2 if film_.codec == "h264i" else 1
    for number in range(max(2, round(film_.seconds * film_.rate))):
        out: Rgb | None = None
        shown: NDArray[np.bool_] | None = None
        for half in range(halves):
            time_s = (number + half / 2) / film_.rate
            rgb = tissue.picture(time_s)
            both = written(film_, tissue, time_s)
            if both is not None and film_.line is not None:
                ink, back = both
                rgb = blend(rgb, ink, back, film_.line)
                here = (ink > 100) & tissue.inside
                shown = here if shown is None else shown | here
            if out is None:
                out = rgb
            else:
                out[1::2] = rgb[1::2]
        assert out is not None
        yield number / film_.rate, out, shown


def blend(rgb: Rgb, ink: Rgb, back: Rgb, line: Line) -> Rgb:
    other = (0, 0, 0) if sum(line.ink) > 300 else (240, 240, 240)
    out = rgb.astype(np.float32)
    for stencil_, colour in ((back, other), (ink, line.ink)):
        share = (stencil_.astype(np.float32) / 255 * line.opacity)[..., None]
        out += share * (np.array(colour, np.float32) - out)
    return np.clip(out, 0, 255).astype(np.uint8)


def visible(film_: Film, photographs: Sequence[Rgb]) -> bool:
    """False where the ink lies outside the field or hardly differs from what is behind it."""
    line = film_.line
    assert line is not None
    tissue = Tissue(film_, photographs)
    time_s = line.start_s + (0.7 if line.shows == "typed" else 0.5) * (line.stop_s - line.start_s)
    both = written(film_, tissue, time_s) or written(film_, tissue, line.start_s)
    assert both is not None
    ink = (both[0] > 100) & tissue.inside
    if ink.sum() < max(30, 0.5 * (both[0] > 100).sum()):
        return False
    rgb = tissue.picture(time_s)
    marked = blend(rgb, *both, line)
    weights = np.array([0.2126, 0.7152, 0.0722])  # luma, ITU-R BT.709
    change = np.abs((marked.astype(np.float32) - rgb) @ weights)
    near = cv2.dilate(ink.astype(np.uint8), np.ones((5, 5))).astype(bool)
    return bool(change[near].mean() >= LEAST_CHANGE * 0.6 and change[ink].mean() >= LEAST_CHANGE)


def write(
    film_: Film, photographs: Sequence[Rgb], path: Path, tissue: Tissue | None = None
) -> list[NDArray[np.bool_] | None]:
    """Codes the film; where ink shows in each picture."""
    codec = {"h264": "libx264", "h264i": "libx264", "mpeg4": "mpeg4", "mjpeg": "mjpeg"}
    truth = []
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec[film_.codec], rate=film_.rate)
        stream.width, stream.height = film_.width, film_.height
        stream.pix_fmt = "yuvj420p" if film_.codec == "mjpeg" else "yuv420p"
        share = film_.quality / 100
        if film_.codec in ("h264", "h264i"):
            stream.options = {"crf": str(round(16 + 18 * share)), "preset": "veryfast"}
            if film_.codec == "h264i":
                stream.options |= {"x264-params": "interlaced=1:tff=1"}
        else:
            stream.options = {"qmin": "2", "qmax": "2"}
            stream.bit_rate = round((0.35 - 0.25 * share) * film_.width * film_.height * film_.rate)
            stream.options = {}
        for _, rgb, shown in pictures(film_, photographs, tissue):
            truth.append(None if shown is None else shown.copy())
            frame = av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(format=stream.pix_fmt)
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return truth
