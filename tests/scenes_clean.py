"""Clean films, for how often the search for lettering boxes what is none: nothing is written.

`clean(seed)` draws a film of `scenes_lettering` and what lies in its way: drops, smears and fibres
on the glass, a reticle's lines, bubbles, running fluid, wandering glare, threads, instruments with
teeth, holes or marks, a swab, sudden looks elsewhere. Tissue comes from photographs handed over,
from invented mucosa (`scenes_lens`), and from scikit-image's pictures of other things, tinted.
All of it is generated; how often each comes is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import scenes_lettering as scenes
from numpy.typing import NDArray
from scenes_lettering import Rgb

from tests.scenes_lens import default_canvases, octaves, tissue_canvas

F32 = NDArray[np.float32]
SECONDS = 12.0
GLASS = ("", "", "", "drops", "smear", "fibres", "reticle", "edges", "pixels")
MOVING = ("", "", "bubbles", "fluid", "glare", "thread", "swab", "hops")
TOOLS = ("", "", "shaft", "teeth", "holes", "two")
WEAVES = ("brick", "grass", "gravel", "weave")  # of plates that are hardly tissue


@dataclass(frozen=True)
class Clean:
    """A film, the name of its tissue, and what is in the way; pace: times the film's own."""

    film: scenes.Film
    plate: str
    glass: str
    moving: str
    tool: str
    pace: float

    @property
    def told(self) -> str:
        """What it shows, in one line."""
        what = [self.plate, self.glass, self.moving, self.tool]
        return f"{', '.join(w for w in what if w)}, {self.film.height} rows, {self.film.codec}"


def plates(photographs: dict[str, Rgb], seed: int = 0) -> dict[str, Rgb]:
    """name -> uint8 (512, 512, 3): the photographs, invented tissue, other things tinted."""
    names = [*(f"made{i}" for i in range(6)), "gravel", "grass", "brick", "retina", "cells", "cup"]
    out = dict(photographs)
    made = dict(zip(names, default_canvases(seed), strict=True))
    made |= {f"smooth{i}": tissue_canvas(seed + 50 + i, 0.1 * i, 0.4 + 0.2 * i) for i in range(3)}
    for name, canvas in made.items():
        coded = np.clip(canvas, 0, 1) ** (1 / 2.2)
        small = cv2.resize(coded, (512, 512), interpolation=cv2.INTER_AREA)
        out[name] = np.rint(small * 255).astype(np.uint8)
    rng = np.random.default_rng([3, seed])
    y, x = np.mgrid[:512, :512].astype(np.float32)
    bent = octaves(rng, 512, 4, 0.5)
    weave = 0.5 + 0.25 * np.sin(x * 0.55 + bent) * np.sin(y * 0.5 + bent) + 0.1 * bent
    cloth = np.clip(weave[..., None] * np.array([250, 225, 205]), 0, 255)
    out["weave"] = cloth.astype(np.uint8)
    return out


def clean(seed: int, names: Sequence[str], seconds: float = SECONDS) -> Clean:
    """The clean film of a seed. names: of `plates`; what is woven comes seldom."""
    rng = np.random.default_rng([61, seed])
    film = scenes.film(seed, clean=True, seconds=seconds)
    height = int(rng.choice([320, 360, 480, 480, 480, 576]))
    width = round(film.width * height / film.height / 2) * 2
    film = replace(film, height=height, width=width)
    film = replace(film, rate=int(rng.choice([10, 12, 12, 15, 25])))
    if film.codec == "h264i" and rng.random() < 0.5:
        film = replace(film, codec="h264")
    tissue = [n for n in names if n not in WEAVES]
    among = tissue if rng.random() < 0.9 else [n for n in names if n in WEAVES]
    return Clean(
        film, str(rng.choice(among or tissue)), str(rng.choice(GLASS)), str(rng.choice(MOVING)),
        str(rng.choice(TOOLS)), float(rng.choice([0.0, 0.3, 1.0, 1.0, 2.0])),
    )  # fmt: skip


class CleanTissue(scenes.Tissue):
    """Moving tissue with what is in the way."""

    def __init__(self, one: Clean, plate: Rgb) -> None:
        super().__init__(one.film, [plate])
        self.one = one
        self.pace *= one.pace
        self.rod, self.suture = one.tool == "shaft", one.moving == "thread"
        self.own = np.random.default_rng([62, one.film.seed])
        self.gain_map, self.offset = over(one.glass, one.film, self.own)
        self.hops = np.sort(self.own.uniform(0, one.film.seconds, int(self.own.integers(1, 5))))
        self.bubbles = self.own.uniform(-1, 1, (int(self.own.integers(4, 40)), 5))
        self.tools = [Tool(self.own) for _ in range({"two": 2, "": 0, "shaft": 0}.get(one.tool, 1))]
        self.thick = max(1, round(float(self.own.uniform(0.003, 0.01)) * one.film.height))

    def picture(self, time_s: float) -> Rgb:
        if self.one.moving == "hops":
            time_s += 37.0 * int(np.searchsorted(self.hops, time_s))
        out = super().picture(time_s).astype(np.float32)
        if self.one.moving == "bubbles":
            self._draw_bubbles(out, time_s)
        if self.one.moving == "fluid":
            out = self._through_fluid(out, time_s)
        if self.one.moving == "glare":
            self._draw_glare(out, time_s)
        if self.one.moving == "swab":
            self._draw_swab(out, time_s)
        for tool in self.tools:
            tool.draw(out, self.one.film.field, time_s, self.one.tool)
        if self.tools:
            out[~self.inside] = 6
        if self.one.glass:
            out = (out * self.gain_map + self.offset) * self.inside[..., None]
        return np.clip(out, 0, 255, out=out).astype(np.uint8)

    def _draw_bubbles(self, out: F32, t: float) -> None:
        cx, cy, r = self.one.film.field
        for x, y, size, dx, dy in self.bubbles:
            at = (int(cx + r * (x + 0.08 * dx * t)), int(cy + r * (y + 0.08 * dy * t)))
            big = max(2, int(r * 0.02 * math.exp(1.2 * size)))
            dark = float(out[min(max(at[1], 0), out.shape[0] - 1)].mean())
            cv2.circle(out, at, big, (0.6 * dark, 0.5 * dark, 0.5 * dark), 1, cv2.LINE_AA)
            glint = (at[0] - big // 3, at[1] - big // 3)
            cv2.circle(out, glint, max(1, big // 4), (250, 250, 250), -1, cv2.LINE_AA)

    def _through_fluid(self, out: F32, t: float) -> F32:
        edge = self.y[:, :1] / self.film.height - 0.5 + 0.25 * (t % 5)
        band = np.exp(-((edge / 0.15) ** 2))
        far = 0.02 * self.film.height * band
        rows, cols = out.shape[:2]
        x = np.arange(cols, dtype=np.float32) + far * np.sin(self.y / 9 + 5 * t)
        y = np.arange(rows, dtype=np.float32)[:, None] + far * np.sin(self.x / 11 + 4 * t)
        moved = cv2.remap(out, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR,
                          borderMode=cv2.BORDER_REFLECT)  # fmt: skip
        red = np.array([0.9, 0.45, 0.45], np.float32)
        share = (0.6 * band)[..., None]
        return np.asarray(moved * (1 - share) + moved * red * share, np.float32)

    def _draw_glare(self, out: F32, t: float) -> None:
        r = self.film.field[2]
        a, b = 0.4 * r * math.cos(1.1 * t + self.way[0]), 0.4 * r * math.sin(0.7 * t + self.way[1])
        far = ((self.x - a) ** 2 + (self.y - b) ** 2) / (0.3 * r) ** 2
        out *= (1 + 2.5 * np.exp(-far))[..., None]

    def _draw_swab(self, out: F32, t: float) -> None:
        """A corner of woven cloth that comes and goes."""
        _, _, r = self.film.field
        turn = self.way[2] + 0.1 * math.sin(t)
        u = math.cos(turn) * self.x + math.sin(turn) * self.y
        v = -math.sin(turn) * self.x + math.cos(turn) * self.y
        inside = u > r * (0.4 + 0.5 * math.sin(0.6 * t + self.way[3]))
        k = 2 * math.pi / max(4.0, 0.03 * r)
        cloth = 190 + 40 * np.sin(k * u) * np.sin(k * v)
        out[inside] = cloth[inside][:, None] * np.array([1.0, 0.93, 0.88], np.float32)


class Tool:
    """An instrument from the side: a shaft with light along it, and jaws with teeth, or holes."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.way = rng.uniform(0, 2 * math.pi, 4)
        self.half = float(rng.uniform(0.04, 0.12))
        self.count = int(rng.integers(3, 12))
        self.light = float(rng.uniform(0.6, 1.3))
        self.pace = float(rng.uniform(0.2, 1.5))

    def draw(self, out: F32, field: tuple[float, float, float], t: float, kind: str) -> None:
        cx, cy, r = field
        w, t = self.way, t * self.pace
        angle = w[0] + 0.2 * math.sin(w[1] + 1.1 * t)
        along = np.array([math.cos(angle), math.sin(angle)])
        across = np.array([-along[1], along[0]])
        near = np.array([cx, cy]) + along * r * (0.3 + 0.6 * math.sin(w[2] + 0.8 * t))
        far, half = near + along * 2.5 * r, self.half * r
        for share, level in ((1.0, 70), (0.75, 120), (0.4, 185), (0.12, 245)):
            side = across * half * share
            lit = level * self.light
            corners = np.array([near - side, near + side, far + side, far - side]).astype(np.int32)
            cv2.fillPoly(out, [corners], (lit, lit, lit + 4), cv2.LINE_AA)
        step = 0.9 * half
        for number in range(self.count):
            at = near + along * step * (number + 0.5)
            if kind == "holes":
                axes = (max(1, int(0.5 * half)), max(1, int(0.3 * half)))
                middle = (int(at[0]), int(at[1]))
                cv2.ellipse(out, middle, axes, math.degrees(angle), 0, 360, (15, 15, 15), -1,
                            cv2.LINE_AA)  # fmt: skip
            else:
                points = [at - along * step / 2 + across * half, at + across * half * 1.5,
                          at + along * step / 2 + across * half]  # fmt: skip
                cv2.fillPoly(out, [np.array(points).astype(np.int32)], (150, 150, 155), cv2.LINE_AA)


def over(kind: str, film: scenes.Film, rng: np.random.Generator) -> tuple[F32, F32]:
    """What stands on the glass or in the camera: gain and offset in levels, float32 (row, col, 1).

    kind: of `GLASS`.
    """
    gain = np.ones((film.height, film.width), np.float32)
    offset = np.zeros_like(gain)
    cx, cy, r = film.field
    if kind == "drops":
        for _ in range(int(rng.integers(2, 12))):
            a, d = rng.uniform(0, 2 * math.pi), r * math.sqrt(rng.uniform(0, 0.9))
            axis = r * math.exp(rng.uniform(math.log(0.015), math.log(0.2)))
            axes = (max(1, int(axis)), max(1, int(axis * rng.uniform(0.4, 1))))
            spot = np.zeros_like(gain)
            at = (int(cx + d * math.cos(a)), int(cy + d * math.sin(a)))
            cv2.ellipse(spot, at, axes, float(rng.uniform(0, 180)), 0, 360, 1, -1, cv2.LINE_AA)
            spot = cv2.GaussianBlur(spot, (0, 0), max(0.5, axis * rng.uniform(0.05, 0.4)))
            gain *= 1 + spot * rng.uniform(-0.4, 0.25)
            offset += spot * rng.uniform(-5, 18)
    if kind == "smear":
        cells = (film.height // int(rng.integers(4, 30)) + 2, film.width // 20 + 2)
        rough = rng.normal(0, 1, cells).astype(np.float32)
        wide = cv2.resize(rough, (film.width, film.height), interpolation=cv2.INTER_CUBIC)
        gain += wide * rng.uniform(0.01, 0.08)
        for _ in range(int(rng.integers(0, 15))):
            p = np.array([cx, cy]) + rng.uniform(-0.8, 0.8, 2) * r
            q, line = p + rng.normal(0, 0.15, 2) * r, np.zeros_like(gain)
            ends = [(int(v[0]), int(v[1])) for v in (p, q)]
            cv2.line(line, ends[0], ends[1], 1, int(rng.integers(1, 4)), cv2.LINE_AA)
            gain *= 1 + line * rng.uniform(-0.25, 0.1)
            offset += line * rng.uniform(0, 14)
    if kind == "reticle":
        line, thick, reach = np.zeros_like(gain), max(1, film.height // 480), r * 0.5
        cv2.line(line, (int(cx - reach), int(cy)), (int(cx + reach), int(cy)), 1, thick)
        cv2.line(line, (int(cx), int(cy - reach)), (int(cx), int(cy + reach)), 1, thick)
        for k in range(int(rng.integers(0, 12))):
            x = int(cx + (k - 6) * reach / 6)
            cv2.line(line, (x, int(cy - 0.03 * r)), (x, int(cy + 0.03 * r)), 1, thick)
        offset += line * rng.uniform(6, 120) * rng.choice([-1, 1])
    if kind == "fibres":
        k = 2 * math.pi / rng.uniform(3, 9)
        y, x = np.mgrid[: film.height, : film.width].astype(np.float32)
        three = np.cos(k * x) + np.cos(k * (x / 2 + y * 0.866)) + np.cos(k * (x / 2 - y * 0.866))
        gain += rng.uniform(0.05, 0.25) * three / 3
        for _ in range(int(rng.integers(0, 40))):
            at = (int(cx + rng.uniform(-1, 1) * r), int(cy + rng.uniform(-1, 1) * r))
            cv2.circle(gain, at, 2, float(rng.uniform(0.3, 0.8)), -1, cv2.LINE_AA)
    if kind == "pixels":
        for _ in range(int(rng.integers(5, 80))):
            offset[rng.integers(film.height), rng.integers(film.width)] = rng.uniform(-60, 160)
        offset += rng.normal(0, rng.uniform(0.3, 2.0), gain.shape).astype(np.float32)
    if kind == "edges":
        ring, a = np.zeros_like(gain), rng.uniform(0, 2 * math.pi)
        at = (int(cx + 0.12 * r * math.cos(a)), int(cy + 0.12 * r * math.sin(a)))
        cv2.circle(ring, at, int(r * rng.uniform(0.85, 1)), 1, -1, cv2.LINE_AA)
        gain *= 0.3 + 0.7 * cv2.GaussianBlur(ring, (0, 0), rng.uniform(0.5, 4))
        notch = np.array([cx + r * math.cos(a + 2), cy + r * math.sin(a + 2)])
        corners = notch + rng.normal(0, 0.1 * r, (3, 2))
        cv2.fillPoly(gain, [corners.astype(np.int32)], 0.1)
    return gain[..., None].astype(np.float32), offset[..., None].astype(np.float32)
