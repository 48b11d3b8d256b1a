"""Makes the sample case: two endoscope recordings, a narration, `case.toml`, `truth.json`.

Everything is invented: the clinic, the patient, the voices, the tissue. The tissue is a
height map with an albedo, lit from the scope tip; fog follows Koschmieder's law in linear
light with a transmission that is written to `truth.json`. Run it from anywhere:

    python sample_media/generate.py                    # writes into sample_media/
    python sample_media/generate.py --still left 9.0 still.png

It needs the package's own dependencies and, for the voices, the program flite 2.2
(Debian: apt-get install flite). With the same versions it writes the same bytes.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
import textwrap
import wave
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

WIDTH_PX, HEIGHT_PX, RATE_HZ, AUDIO_HZ = 1280, 720, 25, 48000
CASE, TITLE = "QM-0217", "Crust clearance after sinus surgery"
NARRATOR, ASSISTANT, SURGEON = "slt", "awb", "rms"  # flite voices
OFFSET_S = 0.8  # of the narration on the case's time axis

# What is said when. Narration: on the narration file's axis. Room: on the recording's axis.
NARRATION = [
    (0.6, "This is the left side of the nose, four weeks after sinus surgery."),
    (5.4, "A dry crust sits at the entrance of the ethmoid cavity."),
    (9.6, "The suction tube lifts it off, from the edge towards the middle."),
    (15.0, "The lens fogs for a moment. It clears as the tip warms up."),
    (21.0, "On the right, the lining is pink, and the crusts are thin."),
    (25.4, "A drop of mucus has smudged the lens. It stays until it is wiped away."),
    (31.6, "Close to the turbinate the picture turns bright. The cavity behind it is open."),
]


@dataclass
class Fog:
    """Transmission falls from 1 to `floor` in `fall_s`, then clears over about `clear_s`."""

    start_s: float
    fall_s: float
    floor: float
    clear_s: float

    def transmission(self, time_s: float) -> float:
        x = time_s - self.start_s
        if x <= 0:
            return 1.0
        if x < self.fall_s:
            return 1 - (1 - self.floor) * smooth(x / self.fall_s)
        y = (x - self.fall_s) / self.clear_s
        return 1 - (1 - self.floor) * float(np.exp(-(y**1.5)))


@dataclass
class Script:
    """One recording: what is seen and heard."""

    name: str
    seed: int
    mirror: bool
    duration_s: float
    parts_s: list[float]  # where the recorder started a new file
    center_px: tuple[float, float]
    radius_px: float
    top_px: int
    bottom_px: int
    camera: list[tuple[float, float, float, float]]  # time, x, y, distance
    tool: list[tuple[float, float, float]]  # time, tip x, tip y (field units)
    grab_s: dict[int, float]  # crust number -> when the tube takes it
    suction_s: list[tuple[float, float]]
    room: list[tuple[float, str, str]]  # time, voice, words
    fog: Fog | None = None
    smudge_s: tuple[float, float] | None = None
    clock_s: int = 0
    crusts: list[tuple[float, float, float]] = field(default_factory=list)  # world x, y, size


LEFT = Script(
    name="left",
    seed=217,
    mirror=False,
    duration_s=20.0,
    parts_s=[11.0],
    center_px=(652.5, 357.0),
    radius_px=382.0,
    top_px=22,
    bottom_px=694,
    camera=[
        (0, -0.10, 0.10, 2.75),
        (4, 0.02, 0.02, 2.45),
        (8, 0.20, -0.12, 2.2),
        (12.5, 0.22, -0.10, 2.15),
        (16, 0.10, 0.0, 2.35),
        (20, 0.0, 0.06, 2.45),
    ],
    tool=[
        (5.6, 1.15, 1.25),
        (7.6, 0.34, 0.10),
        (8.6, 0.30, 0.02),
        (9.6, 0.36, 0.04),
        (11.4, 1.2, 1.3),
        (14.6, 1.2, 1.3),
        (15.8, 0.18, 0.34),
        (17.2, 0.10, 0.22),
        (18.6, 1.2, 1.3),
    ],
    grab_s={0: 9.4},
    suction_s=[(6.8, 10.9), (15.4, 18.0)],
    room=[(1.9, SURGEON, "Suction please."), (12.6, ASSISTANT, "Nearly done, Ivy. Well done.")],
    fog=Fog(start_s=12.3, fall_s=0.9, floor=0.42, clear_s=3.0),
    clock_s=0,
    crusts=[(0.55, -0.14, 0.20), (-0.38, 0.62, 0.13), (0.9, -0.62, 0.10)],
)
RIGHT = Script(
    name="right",
    seed=412,
    mirror=True,
    duration_s=18.0,
    parts_s=[],
    center_px=(634.0, 361.5),
    radius_px=374.0,
    top_px=30,
    bottom_px=690,
    camera=[
        (0, 0.05, 0.12, 2.6),
        (4, -0.08, 0.0, 2.4),
        (9, -0.12, -0.05, 2.3),
        (11.5, -0.20, 0.10, 2.2),
        (13.6, -0.66, 0.70, 1.78),
        (15.2, -0.64, 0.66, 1.78),
        (18, -0.1, 0.0, 2.5),
    ],
    tool=[(9.0, -1.2, 1.3), (10.0, -0.36, -0.02), (10.8, -0.32, -0.06), (12.0, -1.2, 1.3)],
    grab_s={0: 10.6},
    suction_s=[(9.4, 11.9), (15.6, 16.8)],
    room=[(3.4, ASSISTANT, "Shall I note four crusts?"), (16.2, SURGEON, "Thank you, Ivy.")],
    smudge_s=(4.0, 12.4),
    clock_s=94,
    crusts=[(-0.52, -0.10, 0.12), (-0.15, -0.85, 0.09), (0.5, 0.5, 0.08)],
)


def smooth(x: float) -> float:
    x = min(max(x, 0.0), 1.0)
    return x * x * (3 - 2 * x)


def along(keys: list[tuple[float, ...]], time_s: float) -> np.ndarray:
    """Values of key frames (time, ...) at a time, eased in and out."""
    for a, b in pairwise(keys):
        if a[0] <= time_s < b[0]:
            w = smooth((time_s - a[0]) / (b[0] - a[0]))
            return np.array(a[1:]) * (1 - w) + np.array(b[1:]) * w
    return np.array(keys[0][1:] if time_s < keys[0][0] else keys[-1][1:])


# ---------------------------------------------------------------- tissue

WORLD_PX, UNIT_PX = 1700, 360.0  # the map is WORLD_PX square, UNIT_PX to a unit


def noise(rng: np.random.Generator, cells: float, octaves: int, keep: float = 0.5) -> np.ndarray:
    """Smooth noise, (WORLD_PX, WORLD_PX), about -1..1; `cells` across in the first octave."""
    total = np.zeros((WORLD_PX, WORLD_PX), np.float32)
    weight, weights = 1.0, 0.0
    for k in range(octaves):
        n = max(2, round(cells * 2**k))
        grid = rng.standard_normal((n + 3, n + 3)).astype(np.float32)
        total += weight * cv2.resize(grid, (WORLD_PX, WORLD_PX), interpolation=cv2.INTER_CUBIC)
        weights += weight**2
        weight *= keep
    return total / np.float32(np.sqrt(weights) * 1.6)


def shifted(image: np.ndarray, down_px: float, right_px: float) -> np.ndarray:
    move = np.array([[1, 0, right_px], [0, 1, down_px]], np.float32)
    return cv2.warpAffine(image, move, image.shape[1::-1])


def blur(image: np.ndarray, sigma_px: float) -> np.ndarray:
    return cv2.GaussianBlur(image, (0, 0), sigma_px)


def vessels(rng: np.random.Generator, count: int, width_px: float, length: int) -> np.ndarray:
    """Winding, branching lines, (WORLD_PX, WORLD_PX), 0..1."""
    canvas = np.zeros((WORLD_PX, WORLD_PX), np.uint8)
    layer = np.zeros_like(canvas)
    todo = [
        (
            rng.uniform(0, WORLD_PX, 2),
            rng.uniform(0, 2 * np.pi),
            width_px * rng.uniform(0.6, 1.2),
            length,
            rng.uniform(90, 255),
        )
        for _ in range(count)
    ]
    while todo:
        at, angle, width, steps, strength = todo.pop()
        turn, points = 0.0, [at]
        for _ in range(steps):
            turn = 0.55 * turn + rng.normal(0, 0.24)
            angle += turn
            at = at + 5.0 * np.array([np.cos(angle), np.sin(angle)])
            points.append(at)
            if width > 0.7 and rng.random() < 0.05:
                side = angle + rng.choice([-1, 1]) * rng.uniform(0.5, 1.1)
                todo.append((at, side, width * 0.65, int(steps * 0.6), strength * 0.85))
        layer[:] = 0
        path = (np.array(points) * 16).astype(np.int32)
        box = path // 16
        x0, y0 = np.maximum(box.min(0) - 6, 0)
        x1, y1 = np.minimum(box.max(0) + 6, WORLD_PX)
        if x1 <= x0 or y1 <= y0:
            continue
        cv2.polylines(layer, [path], False, int(strength), max(1, round(width)), cv2.LINE_AA, 4)
        part = np.s_[y0:y1, x0:x1]
        canvas[part] = np.maximum(canvas[part], layer[part])
    return blur(canvas.astype(np.float32) / 255, 0.8)


@dataclass
class Tissue:
    """Maps of one nasal passage, each (WORLD_PX, WORLD_PX[, channels]) float32."""

    surface: np.ndarray  # albedo r, g, b (linear) and height
    slope: np.ndarray  # height gradient x, y; gradient x, y of the wet film
    cover: np.ndarray  # ambient light 0..1, wetness 0..1
    depth: np.ndarray  # height blurred, for parallax


def lump(
    x: np.ndarray,
    y: np.ndarray,
    cx: float,
    cy: float,
    rx: float,
    ry: float,
    turn: float,
    top: float,
    power: float = 1.0,
) -> np.ndarray:
    """A rounded body of height `top` on a floor of -3."""
    u = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
    v = -(x - cx) * np.sin(turn) + (y - cy) * np.cos(turn)
    q = (u / rx) ** 2 + (v / ry) ** 2
    return top - (top + 3) * (1 - 1 / (1 + q**2.0) ** power)


def make_tissue(seed: int, mirror: bool) -> Tissue:
    rng = np.random.default_rng(seed)
    axis = (np.arange(WORLD_PX, dtype=np.float32) - WORLD_PX / 2) / UNIT_PX
    x, y = np.meshgrid(axis, axis)
    if mirror:
        x = -x
    # Uneven shapes: bend the plane a little.
    x = x + 0.09 * noise(rng, 4, 3)
    y = y + 0.09 * noise(rng, 4, 3)
    bodies = [
        lump(x, y, -1.75, 0.1, 1.02, 3.5, 0.10, 0.75),  # septum
        lump(x, y, 0.85, 0.95, 0.80, 0.55, -0.25, 0.80),  # inferior turbinate
        lump(x, y, -0.02, -1.05, 0.34, 0.95, 0.12, 0.55),  # middle turbinate
        lump(x, y, 1.75, -0.6, 0.85, 1.6, 0.10, 0.50),  # lateral wall
        lump(x, y, 0.60, -0.30, 0.30, 0.16, 0.5, -0.55),  # partitions of the opened cavity
        lump(x, y, 0.75, -0.75, 0.35, 0.12, -0.4, -0.40),
        lump(x, y, 0.0, 2.0, 2.4, 0.75, 0.0, 0.45),  # floor
        lump(x, y, 0.2, -2.3, 2.4, 0.75, 0.0, 0.30),  # roof
    ]
    sharp = 5.0
    height = np.log(sum(np.exp(sharp * b) for b in bodies)) / sharp
    height = np.maximum(height, -2.6) + 0.050 * noise(rng, 14, 3) + 0.008 * noise(rng, 60, 3)
    height = height.astype(np.float32)
    folds = noise(rng, 9, 4, 0.6)
    height += 0.06 * np.abs(folds)

    fine = vessels(rng, 700, 1.0, 34)
    large = vessels(rng, 70, 2.2, 70)
    deep = blur(vessels(rng, 120, 5.0, 60), 5)
    pale, pink, red = (
        np.array(c, np.float32)
        for c in ([0.78, 0.33, 0.21], [0.68, 0.20, 0.12], [0.44, 0.065, 0.04])
    )
    mix = np.clip(0.5 + 0.55 * noise(rng, 5, 5, 0.55), 0, 1)[..., None]
    albedo = pale * (1 - mix) + pink * mix
    flush = np.clip(0.15 + 0.5 * noise(rng, 7, 4), 0, 0.8)[..., None]
    albedo = albedo * (1 - flush) + red * flush
    density = np.clip(0.75 + 0.6 * noise(rng, 4, 2), 0.1, 1)
    for lines, depth in ((deep, 0.55), (large, 0.95), (fine, 0.95)):
        amount = (depth * density * lines)[..., None]
        albedo = albedo * (1 - amount * np.array([0.55, 0.92, 0.88], np.float32))
    albedo *= (1 + 0.17 * noise(rng, 70, 4, 0.7))[..., None]
    mucus = np.clip(noise(rng, 10, 4, 0.6) - 0.8, 0, 0.6)[..., None]
    albedo = albedo * (1 - mucus) + np.array([0.85, 0.40, 0.24], np.float32) * mucus

    def gradient(h: np.ndarray) -> list[np.ndarray]:
        return [
            cv2.Sobel(h, cv2.CV_32F, 1, 0, scale=UNIT_PX / 8),
            cv2.Sobel(h, cv2.CV_32F, 0, 1, scale=UNIT_PX / 8),
        ]

    film = 0.5 * blur(height, 5) + 0.016 * noise(rng, 36, 3) + 0.0010 * noise(rng, 200, 2)
    cavity = np.clip(1 + 0.9 * (height - blur(height, 40)), 0.08, 1.15)
    cavity *= np.clip((height + 2.9) / 2.4, 0.04, 1) ** 1.3  # little light finds its way deep down
    wet = np.clip(0.55 + 0.6 * noise(rng, 12, 3), 0.05, 1)
    return Tissue(
        surface=np.dstack([albedo, height]).astype(np.float32),
        slope=np.dstack([*gradient(blur(height, 1.2)), *gradient(film)]).astype(np.float32),
        cover=np.dstack([cavity, wet]).astype(np.float32),
        depth=blur(height, 25),
    )


def make_crust(rng: np.random.Generator, size: float) -> np.ndarray:
    """A dry crust: (n, n, 4) linear r, g, b and cover."""
    n = round(2.6 * size * UNIT_PX)
    axis = np.linspace(-1.3, 1.3, n, dtype=np.float32)
    x, y = np.meshgrid(axis, axis * rng.uniform(1.1, 1.4))

    def grain(cells: int) -> np.ndarray:
        grid = rng.standard_normal((cells, cells)).astype(np.float32)
        return cv2.resize(grid, (n, n), interpolation=cv2.INTER_CUBIC)

    edge = np.hypot(x, y) + 0.16 * grain(6) + 0.08 * grain(14) + 0.05 * grain(30)
    cover = np.clip((1 - edge) * n / 12, 0, 1)
    relief = (
        0.7 * grain(7)
        + 0.35 * grain(18)
        + 0.12 * grain(40)
        + 1.5 * np.sqrt(np.clip(1 - edge, 0, 1))
    )
    light = np.clip(
        0.85 - 0.06 * n / 60 * cv2.Sobel(blur(relief, 1.2), cv2.CV_32F, 0, 1), 0.25, 1.6
    )
    mix = np.clip(0.5 + 0.45 * grain(4) + 0.3 * grain(11) + 0.15 * grain(26), 0, 1)[..., None]
    tone = (
        np.array([0.27, 0.135, 0.055], np.float32) * (1 - mix)
        + np.array([0.06, 0.018, 0.012], np.float32) * mix
    )
    tone = tone * (0.75 + 0.35 * np.clip(1 - edge, 0, 1))[..., None] * light[..., None]
    return np.dstack([np.clip(tone, 0.004, 1), cover]).astype(np.float32)


# ---------------------------------------------------------------- picture

AIRLIGHT = np.array([0.40, 0.385, 0.38], np.float32)  # linear, of fog lit by the scope
SMUDGE_LIGHT = np.array([0.32, 0.25, 0.19], np.float32)


def encode(linear: np.ndarray) -> np.ndarray:
    """Linear light 0..1 to sRGB levels 0..255 (IEC 61966-2-1), float32."""
    return _LEVELS[(np.clip(linear, 0, 1) * 65535 + 0.5).astype(np.uint16)]


_steps = np.arange(65536) / 65535
_LEVELS = (
    255 * np.where(_steps <= 0.0031308, 12.92 * _steps, 1.055 * _steps ** (1 / 2.4) - 0.055)
).astype(np.float32)


class Camera:
    """Draws the frames of one recording, in order."""

    def __init__(self, script: Script) -> None:
        self.script = script
        self.tissue = make_tissue(script.seed, script.mirror)
        rng = np.random.default_rng(script.seed + 1)
        self.crusts = [make_crust(rng, size) for _, _, size in script.crusts]
        self.rng = np.random.default_rng(script.seed + 2)
        self.grain = self.rng.standard_normal((HEIGHT_PX + 64, WIDTH_PX + 64, 3)).astype(np.float32)
        self.grain = 0.75 * blur(self.grain, 0.6) / 0.5
        cx, cy = script.center_px
        x0, x1 = int(cx - script.radius_px) - 2, int(cx + script.radius_px) + 3
        self.part = np.s_[script.top_px : script.bottom_px, x0:x1]  # the lit box of the frame
        x, y = np.meshgrid(
            ((np.arange(WIDTH_PX) + 0.5 - cx) / script.radius_px).astype(np.float32),
            ((np.arange(HEIGHT_PX) + 0.5 - cy) / script.radius_px).astype(np.float32),
        )
        glow = 7 + 5 * np.exp(-np.clip(np.hypot(x, y) - 1, 0, 4) / 0.06)
        self.surround = (glow[..., None] * np.array([1.0, 0.92, 0.98])).astype(np.float32)
        self.x, self.y = x[self.part].copy(), y[self.part].copy()
        radius = np.hypot(self.x, self.y)
        self.mask = np.clip((1 - radius) * script.radius_px / 1.6 + 0.5, 0, 1)[..., None]
        self.vignette = 1 - 0.55 * np.clip(radius, 0, 1) ** np.float32(2.4)
        self.gain = 0.0
        self.letters: dict[int, np.ndarray] = {}  # of the current second
        self.boxes = lettering_boxes(script)
        self.smudge = self.make_smudge()
        self.gone_s = {}  # when the tube has carried a crust out of the picture
        for number, at_s in script.grab_s.items():
            while self.tool_seen(at_s):
                at_s += 1 / RATE_HZ
            self.gone_s[number] = at_s

    def make_smudge(self) -> np.ndarray:
        """Cover of the smudge, (row, col) 0..1: an uneven drop right of the middle."""
        side = -1 if self.script.mirror else 1
        bend = [
            cv2.resize(
                self.rng.standard_normal((9, 15)).astype(np.float32),
                self.x.shape[::-1],
                interpolation=cv2.INTER_CUBIC,
            )
            for _ in range(2)
        ]
        q = np.hypot((self.x - side * 0.38) / 0.42, (self.y + 0.32) / 0.34) + 0.07 * bend[0]
        return (np.clip(1.15 - q, 0, 0.45) / 0.45 * np.clip(0.68 + 0.14 * bend[1], 0, 0.9)).astype(
            np.float32
        )

    def view(self, time_s: float) -> tuple[float, float, float, float]:
        """Camera x, y, distance and roll, with the small unrest of a hand."""
        x, y, distance = along(self.script.camera, time_s).tolist()
        phase = self.script.seed % 7
        x += 0.020 * np.sin(1.3 * time_s + phase) + 0.008 * np.sin(4.1 * time_s)
        y += 0.018 * np.sin(1.7 * time_s + 1 + phase) + 0.007 * np.sin(5.3 * time_s)
        distance += 0.03 * np.sin(1.55 * time_s)
        return float(x), float(y), float(distance), 0.05 * float(np.sin(0.5 * time_s + phase))

    def scene(self, time_s: float) -> np.ndarray:
        """The clear view in linear light, (row, col, rgb), before fog and smudge."""
        cx, cy, distance, roll = self.view(time_s)
        c, s = float(np.cos(roll)), float(np.sin(roll))
        rx, ry = c * self.x - s * self.y, s * self.x + c * self.y
        scale = 0.40
        px = cx + rx * distance * scale
        py = cy + ry * distance * scale
        for _ in range(2):  # farther points spread wider
            deep = self.sample(self.tissue.depth, px, py)
            reach = (distance - 0.22 * deep) * scale
            px, py = cx + rx * reach, cy + ry * reach
        surface = self.sample(self.tissue.surface, px, py)
        slope = self.sample(self.tissue.slope, px, py)
        cover = self.sample(self.tissue.cover, px, py)

        vx, vy, vz = cx - px, cy - py, np.maximum(distance - surface[..., 3], 0.25)
        far2 = vx * vx + vy * vy + vz * vz
        far = np.sqrt(far2)
        facing = (vz - slope[..., 0] * vx - slope[..., 1] * vy) / (
            far * np.sqrt(1 + slope[..., 0] ** 2 + slope[..., 1] ** 2)
        )
        light = (
            (0.30 + 0.70 * np.clip(facing, 0, 1)) * cover[..., 0] * self.vignette * 3.4 / far2**1.15
        )
        picture = surface[..., :3] * light[..., None]
        # The wet film mirrors the light where it faces the scope.
        miss = (slope[..., 2] + vx / vz) ** 2 + (slope[..., 3] + vy / vz) ** 2
        gloss = (
            np.minimum(cover[..., 0], 1) ** 3
            * cover[..., 1]
            * (2.6 * np.exp(-miss / 0.012) + 0.14 * np.exp(-miss / 0.12))
        )
        picture += (gloss * self.vignette * 2.2 / far2)[..., None] * np.array(
            [1, 0.97, 0.94], np.float32
        )

        tip = along(self.script.tool, time_s)
        self.draw_crusts(picture, time_s, (cx, cy, distance * scale, c, s), tip)
        if self.tool_seen(time_s):
            self.draw_tool(picture, tip)
        # Automatic exposure: slow, and never fully.
        level = float(np.mean(picture[self.mask[..., 0] > 0.5]))
        wanted = (0.25 / max(level, 0.02)) ** 0.7
        self.gain = wanted if self.gain == 0 else self.gain + 0.06 * (wanted - self.gain)
        picture *= np.float32(self.gain)
        knee = 0.55  # highlights roll off
        over = np.maximum(picture - knee, 0)
        return np.where(
            picture > knee, knee + (1 - knee) * (1 - np.exp(-over / (1 - knee))), picture
        )

    @staticmethod
    def sample(maps: np.ndarray, px: np.ndarray, py: np.ndarray) -> np.ndarray:
        return cv2.remap(
            maps,
            (px * UNIT_PX + WORLD_PX / 2).astype(np.float32),
            (py * UNIT_PX + WORLD_PX / 2).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )

    def tool_seen(self, time_s: float) -> bool:
        x, y = along(self.script.tool, time_s)
        edge_y = (self.script.bottom_px - self.script.center_px[1]) / self.script.radius_px
        return bool(np.hypot(x, y) < 1.02 and y - 0.09 < edge_y)

    def draw_crusts(
        self,
        picture: np.ndarray,
        time_s: float,
        view: tuple[float, float, float, float, float],
        tip: np.ndarray,
    ) -> None:
        cx, cy, reach, c, s = view
        for number, (wx, wy, _) in enumerate(self.script.crusts):
            sprite = self.crusts[number]
            grabbed_s = self.script.grab_s.get(number)
            shrink, turn = 1.0, 0.0
            if grabbed_s is not None and time_s >= grabbed_s:
                if time_s >= self.gone_s[number]:
                    continue
                x, y = tip.tolist()
                shrink, turn = 0.8, 25 * smooth(time_s - grabbed_s)
            else:
                # Approximate: crusts lie on one depth.
                near = reach + 0.06
                dx, dy = (wx - cx) / near, (wy - cy) / near
                x, y = c * dx + s * dy, -s * dx + c * dy
                if grabbed_s is not None and time_s > grabbed_s - 1.2:  # it is worked loose
                    x += 0.012 * np.sin(19 * time_s)
                    turn = 6 * np.sin(11 * time_s)
            size = shrink * self.script.radius_px / UNIT_PX / reach
            n = sprite.shape[0]
            rows, cols = picture.shape[:2]
            at_x = float(x - self.x[0, 0]) * self.script.radius_px
            at_y = float(y - self.y[0, 0]) * self.script.radius_px
            half = int(0.75 * n * size) + 24
            left, top = max(int(at_x) - half, 0), max(int(at_y) - half, 0)
            right, bottom = min(int(at_x) + half, cols), min(int(at_y) + half, rows)
            if right <= left or bottom <= top:
                continue
            move = cv2.getRotationMatrix2D((n / 2, n / 2), turn, size)
            move[:, 2] += [at_x - n / 2 - left, at_y - n / 2 - top]
            placed = cv2.warpAffine(sprite, move, (right - left, bottom - top))
            cover = placed[..., 3:]
            shade = blur(shifted(placed[..., 3], 7, 4), 7)[..., None]
            here = picture[top:bottom, left:right]
            lit = placed[..., :3] * (
                1.05 * self.vignette[top:bottom, left:right, None] / reach**1.2
            )
            here *= (1 - 0.55 * shade * (1 - cover)) * (1 - cover)
            here += cover * np.clip(lit, 0, 1.2) * 0.9

    def draw_tool(self, picture: np.ndarray, tip: np.ndarray) -> None:
        """A bent metal suction tube that enters from the lower side."""
        side = -1 if self.script.mirror else 1
        along_x, along_y = side * 0.62, 0.785  # direction from tip to handle
        row = np.searchsorted(self.y[:, 0], tip[1] - 0.15)
        col = np.searchsorted(self.x[0], tip[0] - side * 0.15)
        box = np.s_[row:, col:] if side > 0 else np.s_[row:, :col]  # the tube lies in this corner
        picture = picture[box]
        dx, dy = self.x[box] - np.float32(tip[0]), self.y[box] - np.float32(tip[1])
        t = dx * along_x + dy * along_y
        across = -dx * along_y + dy * along_x - 0.05 * side * np.clip(t, 0, 3) ** 2
        half = 0.055 + 0.030 * np.clip(t, 0, 2)
        u = across / half
        pixel = half * self.script.radius_px
        cover = np.clip((1 - np.abs(u)) * pixel / 1.5, 0, 1) * np.clip(
            t * self.script.radius_px + 0.5, 0, 1
        )
        shade = blur(shifted(cover.astype(np.float32), 16, -9 * side), 11)[..., None]
        picture *= 1 - 0.60 * shade
        normal = np.sqrt(np.clip(1 - u * u, 0, 1))
        metal = (
            0.06
            + 0.16 * normal
            + 0.55 * np.exp(-(((u + 0.25) / 0.16) ** 2))
            + 0.16 * np.exp(-(((u - 0.55) / 0.10) ** 2))
        )
        rings = 1 - 0.25 * (np.mod(t, 0.42) < 0.012)
        metal = metal * rings * np.clip(0.5 + 0.9 * np.exp(-t), 0, 1.3)
        colour = 0.75 * metal[..., None] * np.array([0.92, 0.88, 0.90], np.float32)
        colour = colour + 0.10 * (1 - normal[..., None]) * np.array([0.9, 0.25, 0.2], np.float32)
        picture *= 1 - cover[..., None]
        picture += cover[..., None] * colour
        # The open end: a dark ellipse with a bright lip.
        q = np.hypot((dx * along_x + dy * along_y - 0.004) / 0.022, across / 0.055)
        lip = np.clip((1 - q) * 8, 0, 1)[..., None]
        hole = np.clip((0.78 - q) * 8, 0, 1)[..., None]
        picture *= 1 - lip
        picture += lip * 0.45
        picture *= 1 - 0.97 * hole

    def frame(self, time_s: float) -> np.ndarray:
        """One frame, (row, col, rgb) uint8."""
        picture = self.scene(time_s)
        cover = self.smudge_cover(time_s)
        if cover > 0:
            soft = blur(picture, 9)
            amount = (cover * self.smudge)[..., None]
            picture = picture * (1 - amount) + (0.50 * soft + 0.5 * SMUDGE_LIGHT) * amount
        t = self.transmission(time_s)
        picture = picture * np.float32(t) + AIRLIGHT * np.float32(1 - t)
        levels = self.surround.copy()
        levels[self.part] += (encode(picture) - levels[self.part]) * self.mask
        second = int(time_s)
        if second not in self.letters:
            self.letters = {second: lettering(script_lines(self.script, second))}
        levels += (226 - levels) * self.letters[second]
        dy, dx = self.rng.integers(0, 64, 2)
        grain = self.grain[dy : dy + HEIGHT_PX, dx : dx + WIDTH_PX]
        levels += np.float32(0.55) * grain
        levels[self.part] += np.float32(0.55) * self.mask * grain[self.part]
        return np.clip(np.rint(levels), 0, 255).astype(np.uint8)

    def transmission(self, time_s: float) -> float:
        return self.script.fog.transmission(time_s) if self.script.fog else 1.0

    def smudge_cover(self, time_s: float) -> float:
        """0 clear to 1: the drop spreads in 0.3 s and is wiped in 0.24 s."""
        if self.script.smudge_s is None:
            return 0.0
        start, stop = self.script.smudge_s
        return smooth((time_s - start) / 0.3) * smooth((stop - time_s) / 0.24)


def script_lines(script: Script, second: int) -> list[tuple[int, int, str, int]]:
    """Burned-in lettering: x, y, words, size. The clock runs."""
    minute, second = divmod(41 * 60 + 7 + script.clock_s + second, 60)
    return [
        (24, 40, "IMAGINARY", 30),
        (24, 78, "IVY", 30),
        (24, 120, "ID 00-DEMO-17", 24),
        (24, 152, "born 1 Jan 1900", 24),
        (1092, 40, "02.03.2026", 28),
        (1092, 76, f"09:{minute:02d}:{second:02d}", 28),
        (24, 640, "QUILLMERE", 26),
        (24, 672, "ENT CLINIC", 26),
    ]


def lettering(lines: list[tuple[int, int, str, int]]) -> np.ndarray:
    """Cover of the lettering, (row, col, 1) 0..1."""
    sheet = Image.new("L", (WIDTH_PX, HEIGHT_PX))
    draw = ImageDraw.Draw(sheet)
    for x, y, words, size in lines:
        draw.text((x, y), words, fill=255, font=ImageFont.load_default(size))
    return (np.asarray(sheet, np.float32) / 255)[..., None]


def lettering_boxes(script: Script) -> list[list[int]]:
    """A box x, y, width, height for each line that holds it at every second."""
    draw = ImageDraw.Draw(Image.new("L", (1, 1)))
    corners = np.array(
        [
            [
                draw.textbbox((x, y), words, font=ImageFont.load_default(size))
                for x, y, words, size in script_lines(script, second)
            ]
            for second in range(round(script.duration_s) + 1)
        ]
    )
    low = np.floor(corners[..., :2].min(axis=0)).astype(int)
    high = np.ceil(corners[..., 2:].max(axis=0)).astype(int)
    return np.hstack([low, high - low]).tolist()


# ---------------------------------------------------------------- sound


def say(voice: str, words: str) -> np.ndarray:
    """Speech by flite, mono at 48 kHz, peak 1, silence at both ends cut off."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "voice.wav"
        subprocess.run(["flite", "-voice", voice, "-t", words, "-o", str(path)], check=True)
        with wave.open(str(path)) as file:
            rate = file.getframerate()
            raw = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768.0
    if AUDIO_HZ % rate:
        raise SystemExit(f"voice {voice} has {rate} Hz; {AUDIO_HZ} is not a multiple of it")
    times = AUDIO_HZ // rate
    raw = np.concatenate([np.zeros(rate // 4), raw, np.zeros(rate // 4)])
    spectrum = np.fft.rfft(raw)
    full = np.zeros(len(raw) * times // 2 + 1, complex)
    full[: len(spectrum)] = spectrum
    sound = np.fft.irfft(full, len(raw) * times)
    spans = heard(sound)
    sound = sound[int(spans[0][0] * AUDIO_HZ) : int(spans[-1][1] * AUDIO_HZ)]
    return sound / np.max(np.abs(sound))


def heard(sound: np.ndarray, pause_s: float = 0.25) -> list[tuple[float, float]]:
    """Spans louder than 40 dB under the loudest 10 ms; pauses under `pause_s` are bridged."""
    hop = AUDIO_HZ // 200
    n = len(sound) // hop
    power = np.mean(sound[: n * hop].reshape(n, hop) ** 2, axis=1)
    power = np.convolve(power, [0.5, 0.5], "same")
    loud = np.flatnonzero(power > power.max() * 1e-4)
    spans: list[tuple[float, float]] = []
    for k in loud:
        start, stop = k * hop / AUDIO_HZ, (k + 1) * hop / AUDIO_HZ
        if spans and start - spans[-1][1] < pause_s:
            spans[-1] = (spans[-1][0], stop)
        else:
            spans.append((start, stop))
    return spans


def spoken(sound: np.ndarray, start_s: float) -> list[list[float]]:
    """Spans of `sound` as it lies on an axis where it starts at `start_s`."""
    return [[round(start_s + a, 3), round(start_s + b, 3)] for a, b in heard(sound)]


def coloured(
    rng: np.random.Generator, samples: int, shape: Callable[[np.ndarray], np.ndarray]
) -> np.ndarray:
    """Noise of RMS 1 whose amplitude spectrum follows shape(frequency in Hz)."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    spectrum *= shape(np.fft.rfftfreq(samples, 1 / AUDIO_HZ))
    sound = np.fft.irfft(spectrum, samples)
    return sound / np.sqrt(np.mean(sound**2))


def band(low_hz: float, high_hz: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda f: (
        1 / np.sqrt(1 + (low_hz / np.maximum(f, 1)) ** 4) / np.sqrt(1 + (f / high_hz) ** 4)
    )


def db(level: float) -> float:
    return float(10 ** (level / 20))


def procedure_sound(script: Script) -> tuple[np.ndarray, list[list[float]]]:
    """Sound of the room, (2, sample) float, and the spans in which someone speaks."""
    rng = np.random.default_rng(script.seed + 3)
    n = round(script.duration_s * AUDIO_HZ)
    time = np.arange(n) / AUDIO_HZ
    room = np.stack(
        [coloured(rng, n, lambda f: 1 / np.maximum(f, 40) ** 0.8) for _ in range(2)]
    ) * db(-57)
    room += db(-62) * np.sin(2 * np.pi * 100 * time)
    hiss = np.stack([coloured(rng, n, band(500, 4500)) for _ in range(2)])
    hiss = 0.8 * hiss[:1] + 0.6 * hiss
    gurgle = coloured(rng, n, band(150, 700))
    slow = np.clip(1 + 0.35 * coloured(rng, n, band(0.1, 3)), 0.3, 2)
    bubbles = np.clip(coloured(rng, n, band(2, 18)), 0, None)
    for start, stop in script.suction_s:
        gate = np.clip((time - start) / 0.08, 0, 1) * np.clip((stop - time) / 0.15, 0, 1)
        room += gate * slow * (db(-31) * hiss + db(-33) * bubbles * gurgle)
    spans = []
    for at_s, voice, words in script.room:
        sound = say(voice, words)
        spans += spoken(sound, at_s)
        level = db(-27) / np.sqrt(np.mean(sound**2))
        tail = int(0.22 * AUDIO_HZ)
        start = round(at_s * AUDIO_HZ)
        for channel in range(2):
            echo = rng.standard_normal(tail) * np.exp(-np.arange(tail) / (0.05 * AUDIO_HZ)) * 0.02
            echo[0] = 1.0
            wet = np.convolve(sound, echo)[: n - start]
            room[channel, start : start + len(wet)] += level * wet
    return np.clip(room, -0.98, 0.98), spans


def narration_sound(duration_s: float) -> tuple[np.ndarray, list[dict[str, Any]]]:
    """Narration, (1, sample) float, and what is said in it when."""
    rng = np.random.default_rng(7)
    n = round(duration_s * AUDIO_HZ)
    sound = coloured(rng, n, lambda f: 1 / np.maximum(f, 60) ** 0.5) * db(-72)
    said = []
    for at_s, words in NARRATION:
        voice = say(NARRATOR, words)
        start = round(at_s * AUDIO_HZ)
        sound[start : start + len(voice)] += voice * db(-24) / np.sqrt(np.mean(voice**2))
        said.append({"words": words, "spans_s": spoken(voice, at_s)})
    return np.clip(sound, -0.98, 0.98)[None], said


# ---------------------------------------------------------------- files


def write_mp4(path: Path, frames: Any, sound: np.ndarray, script: Script) -> None:
    """H.264 and AAC, with the metadata a careless recorder leaves behind."""
    with av.open(str(path), "w") as out:
        out.metadata.update(
            {
                "title": "IMAGINARY, Ivy  00-DEMO-17",
                "artist": "Quillmere ENT Clinic, room 2",
                "comment": "invented patient, born 1900-01-01",
                "creation_time": f"2026-03-02T09:41:{7 + script.clock_s % 50:02d}Z",
                "location": "+00.0000+000.0000/",
            }
        )
        picture = out.add_stream(
            "libx264", rate=RATE_HZ, options={"crf": "19", "preset": "medium", "threads": "1"}
        )
        picture.width, picture.height, picture.pix_fmt = WIDTH_PX, HEIGHT_PX, "yuv420p"
        picture.thread_count = 1
        context = picture.codec_context
        context.color_primaries = context.color_trc = context.colorspace = 1  # BT.709
        context.color_range = 1  # limited
        voice = out.add_stream("aac", rate=AUDIO_HZ, layout="stereo")
        voice.bit_rate = 96_000
        block, done = AUDIO_HZ // RATE_HZ, 0
        for number, image in enumerate(frames):
            rgb = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame = rgb.reformat(format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG")
            frame.pts, frame.time_base = number, Fraction(1, RATE_HZ)
            out.mux(picture.encode(frame))
            chunk = np.ascontiguousarray(sound[:, done : done + block].astype(np.float32))
            piece = av.AudioFrame.from_ndarray(chunk, format="fltp", layout="stereo")
            piece.sample_rate, piece.pts, piece.time_base = AUDIO_HZ, done, Fraction(1, AUDIO_HZ)
            out.mux(voice.encode(piece))
            done += block
        out.mux(picture.encode(None))
        out.mux(voice.encode(None))


def write_flac(path: Path, sound: np.ndarray) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("flac", rate=AUDIO_HZ, layout="mono")
        whole = np.ascontiguousarray(np.rint(sound * 32767).astype(np.int16))
        frame = av.AudioFrame.from_ndarray(whole, format="s16", layout="mono")
        frame.sample_rate = AUDIO_HZ
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


def inside(spans: list[Any], start: float, stop: float) -> list[list[float]]:
    """The parts of spans in [start, stop), on an axis that begins at `start`."""
    cut = [(max(a, start) - start, min(b, stop) - start) for a, b in spans]
    return [[round(a, 3), round(b, 3)] for a, b in cut if b > a]


def runs(flags: list[bool]) -> list[tuple[float, float]]:
    """Spans in seconds over which flags, one per frame, hold."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.array(flags, int), [0]])))
    return [(a / RATE_HZ, b / RATE_HZ) for a, b in edges.reshape(-1, 2)]


def record(script: Script, folder: Path) -> list[dict[str, Any]]:
    """Write one recording; return the truth, one entry for each file."""
    camera = Camera(script)
    sound, speech = procedure_sound(script)
    edges = [0.0, *script.parts_s, script.duration_s]
    count = round(script.duration_s * RATE_HZ)
    times = [k / RATE_HZ for k in range(count)]
    loss = [1 - camera.transmission(t) for t in times]
    tool = runs([camera.tool_seen(t) for t in times])
    fog = runs([x >= 0.15 for x in loss])
    smudge = runs([camera.smudge_cover(t) >= 0.5 for t in times])
    truths = []
    for number, (start, stop) in enumerate(pairwise(edges)):
        name = f"{script.name}_{number + 1}.mp4" if script.parts_s else f"{script.name}.mp4"
        first, last = round(start * RATE_HZ), round(stop * RATE_HZ)
        levels: list[float] = []

        def frames(first: int = first, last: int = last, levels: list[float] = levels) -> Any:
            for k in range(first, last):
                image = camera.frame(k / RATE_HZ)
                middle = np.hypot(camera.x, camera.y) < 0.3
                levels.append(
                    float(image[camera.part][middle].mean(axis=0) @ [0.2126, 0.7152, 0.0722])
                )
                yield image

        a, b = round(start * AUDIO_HZ), round(stop * AUDIO_HZ)
        write_mp4(folder / name, frames(), sound[:, a:b], script)
        part = loss[first:last]
        cx, cy = script.center_px
        events = [
            {
                "kind": "fog",
                "start_s": x,
                "stop_s": y,
                "peak_loss": round(max(part[round(x * RATE_HZ) : round(y * RATE_HZ)]), 4),
                "mean_loss": round(
                    float(np.mean(part[round(x * RATE_HZ) : round(y * RATE_HZ)])), 4
                ),
            }
            for x, y in inside(fog, start, stop)
        ]
        events += [
            {"kind": "smudge", "start_s": x, "stop_s": y} for x, y in inside(smudge, start, stop)
        ]
        truths.append(
            {
                "file": name,
                "duration_s": stop - start,
                "frames": last - first,
                "case_start_s": start,  # the right recording is moved behind the left in main()
                "field": [
                    {
                        "start_s": 0.0,
                        "stop_s": stop - start,
                        "shape": "circle-clipped",
                        "center_x_px": cx,
                        "center_y_px": cy,
                        "radius_px": script.radius_px,
                        "left_px": 0,
                        "top_px": script.top_px,
                        "right_px": WIDTH_PX,
                        "bottom_px": script.bottom_px,
                    }
                ],
                "contrast_loss": [round(x, 4) for x in part],
                "luma_middle": [round(x, 1) for x in levels],
                "events": events,
                "instrument_s": inside(tool, start, stop),
                "suction_s": inside(script.suction_s, start, stop),
                "bright_s": runs(
                    [x >= 100 and y < 0.15 for x, y in zip(levels, part, strict=True)]
                ),
                "speech_s": inside(speech, start, stop),
                "lettering_px": camera.boxes,
            }
        )
        print(f"wrote {name}", flush=True)
    return truths


def captions(said: list[dict]) -> str:
    """WebVTT of the narration, a cue a sentence, on its own axis."""
    lines = ["WEBVTT", ""]
    for one in said:
        start, stop = one["spans_s"][0][0], one["spans_s"][-1][1]
        stamps = [f"00:{int(t // 60):02d}:{t % 60:06.3f}" for t in (start, stop)]
        lines += [" --> ".join(stamps), textwrap.fill(one["words"], 42), ""]
    return "\n".join(lines)


CASE_TOML = f"""case = "{CASE}"
title = "{TITLE}"
number = 7

[[recording]]
files = ["left_1.mp4", "left_2.mp4"]
side = "left"
phase = "procedure"

[[recording]]
files = ["right.mp4"]
side = "right"
phase = "procedure"

[narration]
file = "voice.flac"
captions = "voice.vtt"
offset_s = {OFFSET_S}

[consent]
scope = "public"
given_on = 2026-03-02
reference = "form 17, Quillmere ENT (invented)"

[teaching]
objective = "Endoscopic clearance of crusts after sinus surgery"
author = "ENT surgeon"
institution = "outpatient clinic"
indication = "Crusts after sinus surgery on both sides"
setting = "Sitting, rigid endoscope, local anaesthetic"
findings = "Crusts in the ethmoid cavity and on the turbinate"
outcome = "All crusts removed, no bleeding"
"""


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the sample case.")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    parser.add_argument(
        "--still",
        nargs=3,
        metavar=("left|right", "TIME_S", "PNG"),
        action="append",
        help="write one frame only",
    )
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.still:
        cameras = {
            s.name: Camera(s) for s in (LEFT, RIGHT) if any(x[0] == s.name for x in args.still)
        }
        for name, time_s, path in args.still:
            cameras[name].gain = 0.0
            cv2.imwrite(path, cameras[name].frame(float(time_s))[..., ::-1])
        return
    args.out.mkdir(parents=True, exist_ok=True)
    files = record(LEFT, args.out) + record(RIGHT, args.out)
    files[-1]["case_start_s"] = LEFT.duration_s
    total_s = LEFT.duration_s + RIGHT.duration_s
    sound, said = narration_sound(total_s - OFFSET_S - 0.2)
    write_flac(args.out / "voice.flac", sound)
    truth = {
        "schema": "fieldstop.sample-truth/1",
        "note": "times on each file's own axis, half open; contrast_loss is one value a frame",
        "frame_rate_hz": RATE_HZ,
        "width_px": WIDTH_PX,
        "height_px": HEIGHT_PX,
        "transfer": "sRGB",
        "airlight_linear_rgb": [round(float(x), 3) for x in AIRLIGHT],
        "case_duration_s": total_s,
        "narration": {
            "file": "voice.flac",
            "offset_s": OFFSET_S,
            "duration_s": sound.shape[1] / AUDIO_HZ,
            "speech_s": [s for x in said for s in x["spans_s"]],
            "said": said,
        },
        "files": files,
    }
    (args.out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")
    (args.out / "case.toml").write_text(CASE_TOML)
    (args.out / "voice.vtt").write_text(captions(truth["narration"]["said"]))
    print(json.dumps(truth["narration"], indent=1))


if __name__ == "__main__":
    main()
