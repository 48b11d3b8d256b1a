"""Random damage to coded files, and which pictures it changed: by the decode of the whole file."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import media_zoo
import numpy as np

from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe

CODINGS: dict[str, media_zoo.Coding] = {
    "h264.mp4": media_zoo.Coding(options={"preset": "veryfast", "crf": "20", "g": "50"}),
    "h264.ts": media_zoo.Coding(options={"preset": "veryfast", "crf": "20", "g": "50"}),
    "open.mkv": media_zoo.Coding(
        options={"preset": "veryfast", "crf": "22", "g": "40", "x264-params": "open-gop=1"}
    ),
    "hevc.mp4": media_zoo.Coding(
        codec="libx265",
        options={"preset": "ultrafast", "crf": "22", "x265-params": "keyint=40:log-level=none"},
    ),
    "mpeg2.ts": media_zoo.Coding(
        codec="mpeg2video", options={"g": "15", "bf": "2"}, bit_rate=4_000_000
    ),
    "mjpeg.avi": media_zoo.Coding(
        codec="mjpeg", pix_fmt="yuvj420p", full_range=True, bit_rate=12_000_000
    ),
    "mpeg4.avi": media_zoo.Coding(codec="mpeg4", options={"g": "50"}, bit_rate=3_000_000),
}
WAYS = ("zeros", "noise", "bits", "other bytes", "gone")
LEAST_PSNR_DB = 25.0  # of a picture of the whole file: below, anyone sees it
BLOCK_PX, MOST_BLOCK = 32, 20.0  # or one square of it is off by that many code values


@dataclass(frozen=True)
class Harm:
    """What was done to a file."""

    way: str
    at: int
    size: int


def clean(folder: Path, name: str, seconds: float = 6.0) -> Path:
    """A clip of moving tissue in one of `CODINGS`, or DV."""
    path = folder / name
    if name == "dv.avi":
        plain = clean(folder, "h264.mp4", seconds)
        media_zoo.run_ffmpeg(
            "-i", plain, "-vf", "scale=720:576", "-r", "25", "-pix_fmt", "yuv420p",
            "-c:v", "dvvideo", "-c:a", "pcm_s16le", "-ar", "48000", "-ac", "2", path,
        )  # fmt: skip
    elif not path.exists():
        media_zoo.scope_clip(path, seconds, 25, (640, 480), seed=3, coding=CODINGS[name])
    return path


def harmed(data: bytes, rng: random.Random) -> tuple[bytes, Harm]:
    """1 byte to 100 kB (never over a third) somewhere behind the first fiftieth of the file."""
    size = min(int(10 ** rng.uniform(0, 5)), len(data) // 3)
    at = rng.randrange(len(data) // 50, len(data) - size)
    way = rng.choice(WAYS)
    out = bytearray(data)
    if way == "zeros":
        out[at : at + size] = bytes(size)
    elif way == "noise":
        out[at : at + size] = rng.randbytes(size)
    elif way == "bits":
        for _ in range(rng.randint(1, 4)):
            out[rng.randrange(at, at + size)] ^= 1 << rng.randrange(8)
    elif way == "other bytes":
        out[at : at + size] = bytes(b ^ 0x55 for b in data[at : at + size])
    else:
        del out[at : at + size]
    return bytes(out), Harm(way, at, size)


def lumas(path: Path) -> dict[float, np.ndarray]:
    """Luma of every picture by its time."""
    return {p.time_s: p.planes()[0].copy() for p in read_pictures(path, probe(path))}


def seen_wrong(shown: np.ndarray, whole: np.ndarray) -> bool:
    """True if a picture is not the one of the whole file."""
    if shown.shape != whole.shape:
        return True
    off = np.abs(shown.astype(np.float32) - whole)
    rows, cols = (n // BLOCK_PX * BLOCK_PX for n in off.shape)
    blocks = cv2.resize(
        off[:rows, :cols], (cols // BLOCK_PX, rows // BLOCK_PX), interpolation=cv2.INTER_AREA
    )
    psnr_db = 10 * np.log10(255**2 / max(1e-9, float((off**2).mean())))
    return bool(blocks.max() > MOST_BLOCK or psnr_db < LEAST_PSNR_DB)


def wrong_times(
    damaged: Mapping[float, np.ndarray], whole: Mapping[float, np.ndarray]
) -> list[float]:
    """Times of the pictures that differ from those of the whole file at the same time."""
    known = np.array(sorted(whole))
    out = []
    for time_s, luma in damaged.items():
        near = float(known[np.argmin(np.abs(known - time_s))])
        if seen_wrong(luma, whole[near]):
            out.append(time_s)
    return out
