"""Recordings full of invented identifiers, each known by text, place and time.

Nothing here is a real person: names are invented, the NHS number is the example
number of the NHS Data Dictionary, the phone number lies in the range kept for
drama, the e-mail in a domain of RFC 2606. The face is the public-domain portrait
`skimage.data.astronaut`.

`plan_clip(seed)` says what is planted; `make_clip` writes a case folder with it.
"""

from __future__ import annotations

import math
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np
import skimage.data
import soundfile
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
VOICE = Path(__file__).resolve().parents[2] / "sample_media" / "voice.flac"
WIDTH, HEIGHT, RATE_HZ, LENGTH_S = 1280, 720, 20, 9.0

GIVEN = ["Ingrid", "Torvald", "Solveig", "Ambrose", "Philippa", "Casimir"]
FAMILY = ["Brekkestad", "Abernathy", "Wolkenstein", "Quarterman", "Lindqvistsson", "Okonjobi"]
CONTAINERS = ["mp4", "mov", "mkv", "ts", "mp4", "mkv"]
INKS = [(255, 255, 255), (255, 255, 0), (0, 255, 0), (0, 255, 255), (24, 24, 24), (255, 128, 0)]
PLAYS = ["static", "half", "blink", "moving"]


@dataclass(frozen=True)
class Line:
    """Lettering burned into the picture. play: when and how it shows."""

    text: str
    where: str
    x_px: int
    y_px: int
    size_px: int
    ink: tuple[int, int, int]
    style: str
    play: str
    from_s: float = 0.0
    speed_px_s: tuple[float, float] = (0.0, 0.0)

    def shows(self, time_s: float) -> bool:
        if self.play == "half":
            return time_s >= self.from_s
        if self.play == "blink":
            return int(time_s) % 2 == 0
        return True

    def corner(self, time_s: float) -> tuple[int, int]:
        return (
            round(self.x_px + self.speed_px_s[0] * time_s),
            round(self.y_px + self.speed_px_s[1] * time_s),
        )


@dataclass
class ClipPlan:
    """All that is planted in one recording."""

    seed: int
    container: str
    person: dict[str, str]
    lines: list[Line] = field(default_factory=list)
    tags: dict[str, str] = field(default_factory=dict)
    stream_tags: dict[str, str] = field(default_factory=dict)
    chapters: list[str] = field(default_factory=list)
    subtitles: list[str] = field(default_factory=list)
    picture: str = ""
    attachment: str = ""
    packet: str = ""
    timecode: str = ""
    face: str = ""
    speech: bool = False
    folder: str = ""
    file: str = ""
    x_px: float = 0.0
    y_px: float = 0.0
    r_px: float = 0.0

    @property
    def case(self) -> str:
        return f"HL-{7000 + self.seed}"

    @property
    def planted(self) -> int:
        """Number of identifiers in the recording."""
        one = (self.picture, self.attachment, self.packet, self.timecode, self.face, self.speech,
               self.folder, self.file)  # fmt: skip
        return (
            len(self.lines) + len(self.tags) + len(self.stream_tags) + len(self.chapters)
            + len(self.subtitles) + sum(bool(each) for each in one)
        )  # fmt: skip

    @property
    def words(self) -> list[str]:
        """What must be found nowhere afterwards, shortest useful pieces."""
        return [
            self.person["family"], self.person["given"], self.person["record"],
            self.person["born"], self.person["nhs"], self.person["nhs"].replace(" ", ""),
            self.person["mail"], self.person["phone"], self.person["device"],
        ]  # fmt: skip


def plan_clip(seed: int) -> ClipPlan:
    """What recording `seed` holds. Same seed, same plan."""
    rng = np.random.default_rng(40_000 + seed)
    given, family = GIVEN[rng.integers(len(GIVEN))], FAMILY[rng.integers(len(FAMILY))]
    day, month = int(rng.integers(1, 29)), int(rng.integers(1, 13))
    year = int(rng.integers(1930, 2010))
    person = {
        "given": given,
        "family": family,
        "record": f"{rng.integers(10**7, 10**8)}",
        "born": f"{day:02d}.{month:02d}.{year}",
        "nhs": "943 476 5919",
        "mail": f"{given}.{family}@example.org".lower(),
        "phone": "020 7946 0" + f"{rng.integers(100, 1000)}",
        "device": f"SN{rng.integers(10**6, 10**7)}",
    }
    plan = ClipPlan(seed, CONTAINERS[seed % len(CONTAINERS)], person)
    plan.r_px = HEIGHT * rng.uniform(0.40, 0.47)
    plan.x_px = WIDTH * rng.uniform(0.47, 0.53)
    plan.y_px = HEIGHT * rng.uniform(0.49, 0.51)
    texts = [
        f"{given} {family}", f"MRN {person['record']}", f"DOB {person['born']}",
        f"NHS {person['nhs']}", f"{family}, {given}", f"2026-03-{day:02d} 10:{month:02d}",
        f"Tel {person['phone']}", f"{person['device']}",
    ]  # fmt: skip
    for index in range(6):
        text = texts[int(rng.integers(len(texts)))]
        line = _line(rng, plan, text, "surround", "static" if index < 4 else "blink")
        if line is not None:
            plan.lines.append(line)
    for index in range(2):
        text = texts[int(rng.integers(len(texts)))]
        line = _line(rng, plan, text, "field", PLAYS[(seed + index) % len(PLAYS)])
        if line is not None:
            plan.lines.append(line)
    name = f"{given} {family}"
    plan.tags = {
        "title": f"{name} {person['born']}", "artist": f"Dr {family}",
        "comment": f"MRN {person['record']}",
        "description": name, "copyright": f"{family} clinic", "album": person["nhs"],
        "location": "+51.4700-000.4500/", "creation_time": "2026-03-02T10:11:12.000000Z",
        "make": person["device"], "model": person["device"], "author": name,
        "synopsis": person["mail"], "encoder": f"Recorder of {family}",
    }  # fmt: skip
    if plan.container == "ts":
        plan.tags = {"service_name": name, "service_provider": f"{family} {person['record']}"}
    plan.stream_tags = {"v": f"{name} camera", "a": f"{name} microphone"}
    if plan.container != "ts":
        plan.chapters = [f"{name}, left", f"MRN {person['record']}"]
        plan.subtitles = [name, f"born {person['born']}"]
    if plan.container in ("mp4", "mkv"):
        plan.picture = name
    if plan.container == "mkv":
        plan.attachment = f"{name} {person['mail']}"
    if plan.container in ("mp4", "mov"):
        plan.packet = f"<x:xmpmeta>{name} {person['phone']}</x:xmpmeta>"
    if plan.container == "mov":
        plan.timecode = "10:11:12:00"
    plan.face = ["", "before", "after", "", "both"][seed % 5]
    plan.speech = seed % 2 == 0
    plan.folder = f"{family}_{given}_{person['record']}"
    plan.file = f"{family} {given} {person['born']}.{plan.container}"
    return plan


def _line(
    rng: np.random.Generator, plan: ClipPlan, text: str, where: str, play: str
) -> Line | None:
    size = int(rng.integers(12, 41)) if where == "field" else int(rng.integers(12, 26))
    style = ["plain", "outline", "bar", "strokes"][int(rng.integers(4))]
    ink = INKS[int(rng.integers(len(INKS)))]
    if where == "surround" and sum(ink) < 200:
        ink = INKS[0]
    width, height = round(0.62 * size * len(text)), round(1.4 * size)
    speed = (0.0, 0.0)
    if play == "moving":
        speed = (float(rng.uniform(-9, 9)), float(rng.uniform(-9, 9)))
    for _ in range(4000):
        x, y = int(rng.integers(4, WIDTH - width - 4)), int(rng.integers(4, HEIGHT - height - 4))
        ends = [(x, y), (x + speed[0] * LENGTH_S, y + speed[1] * LENGTH_S)]
        corners = [
            math.hypot(a + dx - plan.x_px, b + dy - plan.y_px)
            for a, b in ends for dx in (0, width) for dy in (0, height)
        ]  # fmt: skip
        near = math.hypot(
            min(max(plan.x_px, x), x + width) - plan.x_px,
            min(max(plan.y_px, y), y + height) - plan.y_px,
        )
        if any(_near(other, (x, y, width, height)) for other in plan.lines):
            continue
        if max(corners) < 0.93 * plan.r_px if where == "field" else near > plan.r_px + 14:
            return Line(text, where, x, y, size, ink, style, play, LENGTH_S / 2, speed)
    return None


def _near(other: Line, box: tuple[int, int, int, int]) -> bool:
    """True if the other line could touch the box at some time."""
    x, y, w, h = box
    reach_x = 12 + 9 * LENGTH_S * (other.play == "moving")
    wide, high = 0.62 * other.size_px * len(other.text), 1.4 * other.size_px
    return (
        x < other.x_px + wide + reach_x and x + w > other.x_px - reach_x
        and y < other.y_px + high + reach_x and y + h > other.y_px - reach_x
    )  # fmt: skip


@lru_cache(maxsize=256)
def _sprite(line: Line) -> tuple[int, NDArray[np.uint8], NDArray[np.uint8]]:
    """Margin in px, ink and what lies behind the ink: both uint8 (row, col), 0..255."""
    margin = 12
    width, height = round(0.9 * line.size_px * len(line.text)) + 60, 2 * line.size_px + 40
    if line.style == "strokes":
        ink = np.zeros((height, width), np.uint8)
        scale, thick = line.size_px / 30, max(1, line.size_px // 14)
        at = (margin, margin + line.size_px)
        cv2.putText(ink, line.text, at, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, thick, cv2.LINE_AA)
    else:
        stencil = Image.new("L", (width, height), 0)
        font = ImageFont.load_default(line.size_px)
        ImageDraw.Draw(stencil).text((margin, margin), line.text, font=font, fill=255)
        ink = np.asarray(stencil).copy()
    behind = np.zeros_like(ink)
    if line.style == "bar":
        rows, cols = np.nonzero(ink)
        behind[rows.min() - 4 : rows.max() + 5, cols.min() - 4 : cols.max() + 5] = 255
    elif line.style == "outline":
        size = 2 * max(1, line.size_px // 12) + 1
        behind = np.asarray(cv2.dilate(ink, np.ones((size, size), np.uint8)), np.uint8)
    return margin, ink, behind


def draw(picture: NDArray[np.uint8], line: Line, time_s: float) -> tuple[int, int, int, int]:
    """Draws the line into the picture; the box (x, y, width, height) of its sprite."""
    margin, ink, behind = _sprite(line)
    x, y = line.corner(time_s)
    left, top = x - margin, y - margin
    x0, y0 = max(0, left), max(0, top)
    x1, y1 = min(WIDTH, left + ink.shape[1]), min(HEIGHT, top + ink.shape[0])
    part = picture[y0:y1, x0:x1].astype(np.float32)
    other = 0.0 if sum(line.ink) > 200 else 240.0
    for mask, colour in ((behind, (other,) * 3), (ink, line.ink)):
        share = mask[y0 - top : y1 - top, x0 - left : x1 - left, None].astype(np.float32) / 255
        part = part * (1 - share) + np.array(colour, np.float32) * share
    picture[y0:y1, x0:x1] = part.round().astype(np.uint8)
    return x0, y0, x1 - x0, y1 - y0


def ink_of(line: Line, time_s: float) -> NDArray[np.bool_]:
    """Where the ink of the line is at that time: bool (row, col) of the picture."""
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    plain = replace(line, style="plain" if line.style != "strokes" else "strokes",
                    ink=(255, 255, 255))  # fmt: skip
    draw(picture, plain, time_s)
    return picture[..., 0] > 127


def portrait() -> NDArray[np.uint8]:
    """The planted portrait, uint8 (row, col, 3), 640 x 640; the face is [74:214, 209:349]."""
    return np.asarray(cv2.resize(skimage.data.astronaut(), (640, 640)), np.uint8)


def pictures(plan: ClipPlan) -> Iterator[NDArray[np.uint8]]:
    """Frames, uint8 (row, col, 3): tissue-like texture that moves, lettering, a face."""
    rng = np.random.default_rng(plan.seed)
    texture = skimage.data.retina()[250:1150, 250:1150]
    way = rng.uniform(0, 6.28, 6)
    grain = np.repeat(rng.integers(0, 5, (HEIGHT, WIDTH, 1), np.uint8), 3, axis=2)
    rows, cols = np.ogrid[:HEIGHT, :WIDTH]
    distance = np.hypot(cols + 0.5 - plan.x_px, rows + 0.5 - plan.y_px)
    lit = distance <= plan.r_px
    shade = 1.4 * (1 - 0.3 * (distance / plan.r_px) ** 2).clip(0.2, 1)
    shade = np.repeat(shade[..., None].astype(np.float32), 3, axis=2)
    room = cv2.resize(rng.integers(40, 150, (9, 16, 3)).astype(np.uint8), (WIDTH, HEIGHT))
    person = portrait()
    for index in range(round(LENGTH_S * RATE_HZ)):
        time_s = index / RATE_HZ
        before = plan.face in ("before", "both") and time_s < 2
        after = plan.face in ("after", "both") and time_s >= LENGTH_S - 2
        if before or after:
            picture = room.copy()
            x = 280 + round(20 * math.sin(2 * time_s))
            picture[40:680, x : x + 640] = person
        else:
            move = cv2.getRotationMatrix2D(
                (450, 450), 10 * math.sin(way[0] + 0.7 * time_s),
                2.6 * plan.r_px / 900 * (1 + 0.15 * math.sin(way[1] + 0.5 * time_s)),
            )  # fmt: skip
            move[0, 2] += plan.x_px - 450 + 0.15 * plan.r_px * math.sin(way[2] + 1.3 * time_s)
            move[1, 2] += plan.y_px - 450 + 0.15 * plan.r_px * math.sin(way[3] + 0.9 * time_s)
            tissue = cv2.warpAffine(texture, move, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
            tissue = cv2.multiply(tissue.astype(np.float32), shade).clip(0, 250).astype(np.uint8)
            tissue[~lit] = 4
            picture = cv2.add(tissue, np.roll(grain, (index * 37 % 500, index * 61 % 500), (0, 1)))
            picture = np.asarray(picture, np.uint8)
        for line in plan.lines:
            if line.shows(time_s):
                draw(picture, line, time_s)
        yield picture


def speech_span(plan: ClipPlan) -> tuple[float, float]:
    """Where speech is heard in the room, in seconds of the recording."""
    return (3.0, 7.0) if plan.speech else (0.0, 0.0)


def sound(plan: ClipPlan) -> NDArray[np.float32]:
    """Room sound, (sample, channel) at 48 kHz: hiss, suction, and speech in its span."""
    rng = np.random.default_rng(plan.seed)
    count = round(LENGTH_S * 48_000)
    out = rng.normal(0, 0.004, count)
    out += 0.01 * np.convolve(rng.normal(0, 1, count), np.ones(40) / 40, "same")
    if plan.speech:
        start, stop = (round(t * 48_000) for t in speech_span(plan))
        out[start:stop] += planted_speech(plan)
    return np.stack([out, out], axis=1).clip(-1, 1).astype(np.float32)


def planted_speech(plan: ClipPlan) -> NDArray[np.float64]:
    """The speech alone, (sample,) at 48 kHz."""
    start, stop = speech_span(plan)
    voice, rate = soundfile.read(VOICE, dtype="float64", always_2d=True)
    voice = voice.mean(axis=1)
    if rate != 48_000:
        from math import gcd

        from scipy.signal import resample_poly

        common = gcd(rate, 48_000)
        voice = resample_poly(voice, 48_000 // common, rate // common)
    count = round((stop - start) * 48_000)
    total = np.concatenate([[0.0], np.cumsum(voice**2)])
    begin = int(np.argmax(total[count:] - total[:-count]))  # the loudest part
    part = voice[begin : begin + count]
    return 0.2 * part / max(1e-9, float(np.abs(part).max()))


def make_clip(plan: ClipPlan, folder: Path) -> Path:
    """Writes the recording and a case.toml into `folder / plan.folder`; the case folder."""
    case = folder / plan.folder
    case.mkdir(parents=True)
    raw = folder / f"{plan.seed}.wav"
    soundfile.write(raw, sound(plan), 48_000, subtype="PCM_16")
    plain = folder / f"{plan.seed}.mkv"
    encoder = subprocess.Popen(
        [FFMPEG, "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s",
         f"{WIDTH}x{HEIGHT}", "-r", str(RATE_HZ), "-i", "-", "-i", str(raw), "-c:v", "libx264",
         "-preset", "ultrafast", "-crf", "16", "-pix_fmt", "yuv420p", "-c:a", "aac", "-b:a",
         "192k", str(plain)],
        stdin=subprocess.PIPE,
    )  # fmt: skip
    assert encoder.stdin is not None
    for picture in pictures(plan):
        encoder.stdin.write(picture.tobytes())
    encoder.stdin.close()
    assert encoder.wait() == 0
    _dress(plan, plain, case / plan.file, folder)
    (case / "case.toml").write_text(
        f'case = "{plan.case}"\ntitle = "Crust clearance after sinus surgery"\n'
        f'[[recording]]\nfiles = ["{plan.file}"]\n'
        '[consent]\nscope = "public"\ngiven_on = 2026-01-01\nreference = "form 88"\n',
        encoding="utf-8",
    )
    plain.unlink()
    raw.unlink()
    return case


def _dress(plan: ClipPlan, plain: Path, target: Path, work: Path) -> None:
    """Adds tags, chapters, subtitles, pictures and packets to the recording."""
    args: list[str] = ["-i", str(plain)]
    maps = ["-map", "0:v", "-map", "0:a"]
    codecs = ["-c:v", "copy", "-c:a", "copy"]
    if plan.subtitles:
        text = work / "s.srt"
        text.write_text(
            "".join(
                f"{i + 1}\n00:00:0{i * 3},000 --> 00:00:0{i * 3 + 2},000\n{words}\n\n"
                for i, words in enumerate(plan.subtitles)
            )
        )
        maps += ["-map", f"{args.count('-i')}:s"]
        args += ["-i", str(text)]
        codecs += ["-c:s", "srt" if plan.container == "mkv" else "mov_text"]
    if plan.chapters:
        listing = work / "c.txt"
        body = [";FFMETADATA1"]
        for i, title in enumerate(plan.chapters):
            body += ["[CHAPTER]", "TIMEBASE=1/1000", f"START={i * 4500}", f"END={i * 4500 + 4500}",
                     f"title={title}"]  # fmt: skip
        listing.write_text("\n".join(body) + "\n")
        codecs += ["-map_chapters", str(args.count("-i"))]
        args += ["-i", str(listing)]
    if plan.picture:
        image = Image.new("RGB", (320, 240), (30, 30, 60))
        ImageDraw.Draw(image).text((20, 100), plan.picture, font=ImageFont.load_default(24))
        cover = work / "cover.png"
        image.save(cover)
        if plan.container == "mp4":
            maps += ["-map", f"{args.count('-i')}:v"]
            args += ["-i", str(cover)]
            codecs += ["-disposition:v:1", "attached_pic"]
        else:
            codecs += ["-attach", str(cover), "-metadata:s:t:0", "mimetype=image/png"]
    if plan.attachment:
        note = work / "note.txt"
        note.write_text(plan.attachment)
        number = 1 if plan.picture and plan.container == "mkv" else 0
        codecs += ["-attach", str(note), f"-metadata:s:t:{number}", "mimetype=text/plain"]
    for key, value in plan.tags.items():
        codecs += ["-metadata", f"{key}={value}"]
    for stream, value in plan.stream_tags.items():
        codecs += [f"-metadata:s:{stream}:0", f"handler_name={value}"]
        codecs += [f"-metadata:s:{stream}:0", f"title={value}"]
    if plan.timecode:
        codecs += ["-timecode", plan.timecode]
    if plan.container in ("mp4", "mov"):
        codecs += ["-movflags", "+use_metadata_tags" if plan.container == "mov" else "+faststart"]
    subprocess.run(
        [FFMPEG, "-v", "error", "-y", *args, *maps, *codecs, str(target)], check=True
    )
    if plan.packet:
        # A box of type uuid with the identifier that XMP uses in this family of files.
        body = bytes.fromhex("BE7ACFCB97A942E89C71999491E3AFAC") + plan.packet.encode()
        with target.open("ab") as file:
            file.write(struct.pack(">I4s", 8 + len(body), b"uuid") + body)
