"""Generated recordings with what real recorders and real scopes do to a scope field.

Built on `tests.scenes_field`: the same textures and looks, and on top of them
grey panels, data panels, real video codecs, combed fields, rolling lettering,
glare at the rim, blood, a shaft across the rim, a scope out of the body, soft,
bowed and notched stops, and pictures without any field that look like one.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes_field import (
    HELD_SIZES,
    SIZES,
    Clip,
    Look,
    Part,
    Region,
    Rgb,
    draw,
    make_look,
    make_region,
    real_textures,
    tissue_texture,
)

WILD = (
    "zoom-slow", "panel", "pillar", "codec", "comb", "rolling", "glare", "blood", "shaft",
    "outside", "notch", "soft", "bowed", "mask", "arcs", "same-level", "gone", "none-dark",
    "box", "frozen",
)

@dataclass(frozen=True)
class Wild:
    """What is done to a drawn picture; lengths relative to the frame height."""

    zoom_to: float = 1.0
    panel: tuple[float, float, float, float] | None = None
    panel_bars: float = 0.0
    data_left: float = 0.0
    data_right: float = 0.0
    data_level: tuple[float, float, float] = (30.0, 30.0, 34.0)
    codec: str = ""
    crf: int = 0
    comb: float = 0.0
    ticker: int = 0
    glare: int = 0
    glare_spread: float = 0.02
    red: float = 0.0
    shaft: float = 0.0
    shaft_turn: float = 0.0
    shaft_level: float = 20.0
    notch: float = 0.0
    notch_turn: float = 0.0
    soft: float = 0.0
    still: bool = False
    seed: int = 0


@dataclass
class WildClip(Clip):
    """A clip with the disturbances of `Wild`."""

    wild: Wild = field(default_factory=Wild)
    moving_s: tuple[float, float] = (0.0, 0.0)

    def truth(self, time_s: float) -> Region | None:
        region = super().truth(time_s)
        if region is None or self.wild.zoom_to == 1.0 or region.circle is None:
            return region
        a, b = self.moving_s
        u = min(max((time_s - a) / max(b - a, 1e-9), 0.0), 1.0)
        x, y, r = region.circle
        return replace(region, circle=(x, y, r * (1 + (self.wild.zoom_to - 1) * u)))

    def moving(self, time_s: float) -> bool:
        """Does the truth change too fast for a place within 1 % at two pictures a second?"""
        a, b = self.moving_s
        return self.wild.zoom_to != 1.0 and a - 0.5 < time_s < b + 0.5

    def frames(self, rate_hz: float = 2.0) -> Iterator[tuple[float, Rgb]]:
        n = int(self.duration_s * rate_hz + 1e-9)
        if not self.wild.codec:
            yield from self._plain(rate_hz, n)
            return
        # three pictures for each that is kept, so that the codec predicts from near ones
        dense = [rgb for _, rgb in self._plain(3 * rate_hz, 3 * n)]
        for i, rgb in enumerate(coded(dense, self.wild.codec, self.wild.crf)):
            if i % 3 == 0:
                yield i / 3 / rate_hz, rgb

    def _plain(self, rate_hz: float, n: int) -> Iterator[tuple[float, Rgb]]:
        rng = np.random.default_rng(self.seed + 1)
        step = rng.normal(size=(n + 2, 2)) * (14 * math.sqrt(2 / rate_hz))
        path = np.cumsum(step, axis=0)
        for i in range(n):
            t = i / rate_hz
            p, _ = self.part_at(t)
            at = path[0 if self.wild.still else i] * p.look.speed
            j = 0 if self.wild.still else i
            yield t, self._one(p, self.truth(t), at, j, rng)

    def _one(
        self, p: Part, region: Region | None, at: NDArray[np.float64], i: int,
        rng: np.random.Generator,
    ) -> Rgb:
        w = self.wild
        size = (self.h, self.w)
        look = replace(p.look, quality=100)
        last = min(p.look.quality, 100) if not w.codec else 100
        lettering = replace(look, lettering=0, crossing=False, inset=False)
        part = replace(p, look=lettering)
        if w.soft and region is not None:
            out = _soft(part, region, *size, at, i, rng, w.soft * self.h)
        else:
            out = draw(part, region, *size, at, i, rng)
        if w.comb:
            other = draw(part, region, *size, at + w.comb * self.h, i, rng)
            out[1::2] = other[1::2]
        if region is not None:
            out = _in_field(out, region, w, p.look, i)
        if not p.card:
            out = _frame(out, w, p, i)
            _letters(out, p, w, i)
        if last < 96:
            ok, data = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, last])
            assert ok
            out = np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
        return out


def coded(frames: list[Rgb], codec: str, quality: int) -> list[Rgb]:
    """Pictures after a real video encoder (PyAV): libx264 by crf, others by quantiser."""
    import av

    h, w = frames[0].shape[:2]
    w -= w % 2
    h -= h % 2
    buffer = io.BytesIO()
    with av.open(buffer, "w", format="matroska") as out:
        options = {"crf": str(quality), "preset": "veryfast"} if codec == "libx264" else {
            "qmin": str(quality), "qmax": str(quality)}
        stream = out.add_stream(codec, rate=25, options=options)
        stream.width, stream.height, stream.pix_fmt = w, h, "yuv420p"
        stream.codec_context.thread_count = 1
        for f in frames:
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(f[:h, :w]), format="rgb24")
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    buffer.seek(0)
    got: list[Rgb] = []
    with av.open(buffer) as back:
        for picture in back.decode(video=0):
            rgb = picture.to_ndarray(format="rgb24")
            whole = np.zeros_like(frames[0])
            whole[:h, :w] = rgb
            whole[h:], whole[:, w:] = whole[h - 1 : h], whole[:, w - 1 : w]
            got.append(whole)
    return got


def _soft(
    part: Part, region: Region, h: int, w: int, at: NDArray[np.float64], i: int,
    rng: np.random.Generator, sigma: float,
) -> Rgb:
    """The stop out of focus: a wide edge around a sharp picture."""
    wide = replace(region, circle=None, planes=())
    sharp = draw(part, replace(wide, circle=_spread(region, 6 * sigma)), h, w, at, i, rng)
    sd = region.signed(h, w)
    alpha = cv2.GaussianBlur((sd < 0).astype(np.float32), (0, 0), sigma)[..., None]
    ground = np.array(part.look.surround, np.float32)
    out = sharp * alpha + ground * (1 - alpha)
    return np.clip(out + rng.normal(0, 0.6, (h, w, 1)), 0, 255).astype(np.uint8)


def _spread(region: Region, by: float) -> tuple[float, float, float]:
    assert region.circle is not None
    x, y, r = region.circle
    return x, y, r + by


def _in_field(out: Rgb, region: Region, w: Wild, look: Look, i: int) -> Rgb:
    h, width = out.shape[:2]
    pic = out.astype(np.float32)
    sd = region.signed(h, width)
    x, y = (region.circle[0], region.circle[1]) if region.circle else region.inner(h, width)
    r = region.circle[2] if region.circle else float(np.abs(sd).max())
    yy = (np.arange(h, dtype=np.float32) + np.float32(0.5))[:, None]
    xx = (np.arange(width, dtype=np.float32) + np.float32(0.5))[None, :]
    alpha = np.clip(0.5 - sd, 0, 1)[..., None]
    ground = np.array(look.surround, np.float32)
    if w.red:
        tint = np.array([1.0, 1 - w.red, 1 - w.red * 1.02], np.float32)
        pic = np.where(alpha > 0, ground + (pic - ground) * (1 + alpha * (tint - 1)), pic)
    if w.shaft:
        a = w.shaft_turn + 0.06 * math.sin(i / 4)
        along = (xx - x) * math.cos(a) + (yy - y) * math.sin(a)
        across = -(xx - x) * math.sin(a) + (yy - y) * math.cos(a) - 0.1 * r
        half = w.shaft * h / 2
        on = (np.abs(across) < half) & (along > 0.15 * r + 0.05 * r * math.sin(i / 3))
        shade = w.shaft_level * (1 + 1.5 * np.clip(1 - np.abs(across / half - 0.3) * 3, 0, 1))
        level = (ground.mean() + shade * look.exposure)[..., None]
        bar = (on[..., None] * alpha).astype(np.float32)
        bar = cv2.GaussianBlur(bar, (0, 0), 0.8)[..., None]
        pic = pic * (1 - bar) + level * bar
    if w.glare:
        rng = np.random.default_rng(w.seed + i // 6)
        for _ in range(w.glare):
            turn, size = rng.uniform(0, 6.28), rng.uniform(0.01, 0.05) * h
            deep = rng.uniform(0.0, 0.04) * h
            gx, gy = x + (r - deep) * math.cos(turn), y + (r - deep) * math.sin(turn)
            d = np.hypot(xx - gx, yy - gy)
            spot = np.clip((size - d) / 2 + 0.5, 0, 1)[..., None] * alpha
            halo = np.exp(-np.maximum(d - size, 0) / (w.glare_spread * h))[..., None]
            strength = rng.uniform(30, 130) * min(look.exposure * 1.5, 1)
            pic = np.maximum(pic, spot * 255 * min(look.exposure * 1.6, 1))
            pic += halo * strength * (0.35 + 0.65 * alpha)
    if w.notch:
        turn = np.arctan2(yy - y, xx - x) - w.notch_turn
        turn = np.abs((turn + math.pi) % (2 * math.pi) - math.pi) * r
        depth = w.notch * h
        tab = (turn < depth * np.clip((depth + sd) / depth, 0, 1) * 0.8) & (sd > -depth) & (sd < 1)
        pic = np.where(cv2.GaussianBlur(tab.astype(np.float32), (0, 0), 0.7)[..., None] > 0.5,
                       ground, pic)
    return np.clip(pic, 0, 255).astype(np.uint8)


def _frame(out: Rgb, w: Wild, part: Part, i: int) -> Rgb:
    h, width = out.shape[:2]
    if w.panel is not None:
        left, top, right, bottom = (round(v * h) for v in w.panel)
        bars = np.full_like(out, 0)
        bars[:] = np.clip(w.panel_bars, 0, 255)
        bars[top:bottom, left:right] = out[top:bottom, left:right]
        out = bars
    if w.data_left or w.data_right:
        out = out.copy()
        for side, share in ((0, w.data_left), (1, w.data_right)):
            wide = round(share * h)
            if not wide:
                continue
            panel = np.zeros((h, wide, 3), np.uint8)
            panel[:] = np.array(w.data_level)
            rng = np.random.default_rng(w.seed + side)
            font = cv2.FONT_HERSHEY_SIMPLEX
            for k in range(7):
                clock = f"REC 00:1{i % 9}"
                text = ("AIR 4 L", "LIGHT 70", clock, "SINUS", "0412", "HD")[k % 6]
                cv2.putText(panel, text, (8, int((0.08 + 0.12 * k) * h)), font,
                            float(rng.uniform(0.3, 0.7)), (210, 210, 220), 1, cv2.LINE_AA)
            if rng.random() < 0.6:
                y0 = int(0.3 * h)
                cv2.rectangle(panel, (6, y0), (max(wide - 8, 8), y0 + int(0.12 * h)),
                              (90, 90, 130), 1)
                curve = y0 + (0.06 + 0.05 * np.sin(np.arange(wide) / 4 + i)) * h
                points = np.stack([np.arange(wide), curve], axis=1).astype(np.int32)
                cv2.polylines(panel, [points], False, (70, 230, 90), 1)
            if rng.random() < 0.5 and wide > 40:
                # a small still of the procedure
                th = int(0.7 * wide)
                small = cv2.resize(part.texture[:500, :666], (wide - 12, th))
                panel[h - th - 10 : h - 10, 6 : wide - 6] = small
            out[:, :wide] = panel if side == 0 else out[:, :wide]
            if side == 1:
                out[:, width - wide :] = panel
    return out


def _letters(out: Rgb, part: Part, w: Wild, i: int) -> None:
    h, width = out.shape[:2]
    font = cv2.FONT_HERSHEY_SIMPLEX
    for k in range(part.look.lettering):
        x, y = (0.01 if k % 2 == 0 else 0.80) * width, h * (0.07 + 0.9 * (k // 2) / 3)
        line = ("ROOM 4", f"10:12:{i % 60:02d}", "GAIN 3", "CAM A", "REC", "Z 1.4")[k % 6]
        cv2.putText(out, line, (int(x), int(y)), font, h / 900 + 0.25 * (k % 3),
                    (225, 225, 225), 1 + k % 2, cv2.LINE_AA)
    if w.ticker == 1:
        x = int(width - (i * 37) % (2 * width))
        cv2.putText(out, "EQUIPMENT OK   SUCTION 40   ROOM 4   TEMPERATURE 21", (x, int(0.975 * h)),
                    font, h / 700, (235, 235, 235), 2, cv2.LINE_AA)
    elif w.ticker == 2:
        for k in range(8):
            y = int((k * 0.16 * h - i * 17) % (1.28 * h))
            cv2.putText(out, f"LINE {k}{k * 7}", (4, y), font, h / 900, (220, 220, 160), 1,
                        cv2.LINE_AA)


def _bowed(h: int, w: int, rng: np.random.Generator) -> Region:
    """Circle cut flat at top and bottom by stops that are bowed outwards and a little tilted."""
    u = rng.uniform
    cx, cy, r = w / 2 + u(-0.08, 0.08) * h, h / 2 + u(-0.03, 0.03) * h, u(0.44, 0.6) * h
    planes: list[tuple[float, float, float]] = []
    for side in (-1, 1):
        if rng.random() < 0.25:
            continue
        cut, bow, tilt = r * u(0.62, 0.9), r * u(3, 9), math.radians(u(-2, 2))
        # a large circle as its tangents
        for k in np.linspace(-0.32, 0.32, 25):
            a = tilt + k * 4 / (bow / r)
            nx, ny = math.sin(a), side * math.cos(a)
            bx, by = cx, cy + side * (cut - bow)
            planes.append((nx, ny, nx * bx + ny * by + bow))
    if not planes:
        planes.append((0.0, 1.0, cy + 0.8 * r))
    return Region((cx, cy, r), tuple(planes), "circle-clipped")


def _mask(h: int, w: int, rng: np.random.Generator) -> Region:
    """An octagon of unequal sides, turned a little, its corners perhaps rounded by a circle."""
    u = rng.uniform
    cx, cy, r = w / 2 + u(-0.05, 0.05) * h, h / 2 + u(-0.03, 0.03) * h, u(0.36, 0.46) * h
    turn, stretch = math.radians(u(-3, 3)), u(0.95, 1.12)
    planes = []
    for k in range(8):
        a = k * math.pi / 4 + turn
        far = r * (1.0 if k % 2 == 0 else u(1.02, 1.18)) * (stretch if k % 4 == 0 else 1.0)
        nx, ny = math.cos(a), math.sin(a)
        planes.append((nx, ny, nx * cx + ny * cy + far))
    return Region(None, tuple(planes), "other")


def make_wild(
    kind: str, seed: int, textures: list[Rgb] | None = None, harsh: float = 0.3,
    duration_s: float = 12.0, held: bool = False,
) -> WildClip:
    """A recording of one kind of WILD."""
    rng = np.random.default_rng([seed, 100 + WILD.index(kind)])
    sizes = HELD_SIZES if held else SIZES
    h, w = sizes[int(rng.integers(0, len(sizes)))]
    u = rng.uniform
    if kind in ("panel", "pillar", "box"):
        h, w = (480, 854) if not held else (450, 800)
    base = textures[int(rng.integers(0, len(textures)))] if textures else tissue_texture(rng)
    look = make_look(rng, harsh)
    simple = str(rng.choice(["full", "clip-tb", "stop-tb", "off", "stop-one"]))
    region = make_region(simple, h, w, rng)
    wild = Wild(seed=seed)
    parts: list[Part] | None = None
    moving = (0.0, 0.0)
    if kind == "zoom-slow":
        region = make_region("full", h, w, rng)
        assert region is not None and region.circle is not None
        x, y, r = region.circle
        k = u(0.68, 0.9)
        if rng.random() < 0.5:
            region, k = replace(region, circle=(x, y, r * k)), 1 / k
        wild = replace(wild, zoom_to=k)
        duration_s, moving = 20.0, (6.0, 6.0 + u(3, 9))
    elif kind == "panel":
        ph = u(0.8, 1.0) if rng.random() < 0.5 else 1.0
        pw = ph * (4 / 3 if rng.random() < 0.7 else 5 / 4)
        left, top = (w / h - pw) / 2, (1 - ph) / 2
        level = u(18, 45)
        look = replace(look, surround=(level, level + u(-2, 2), level + u(-2, 2)), gradient=0.0)
        wild = replace(wild, panel=(left, top, left + pw, top + ph), panel_bars=u(0, 5))
        r = u(0.34, 0.47) * h * ph
        region = Region((w / 2 + u(-0.08, 0.08) * h, h / 2 + u(-0.02, 0.02) * h, r))
        if rng.random() < 0.4:
            # the panel cuts the disc flat
            x, y, _ = region.circle  # type: ignore[misc]
            region = Region((x, y, u(0.52, 0.6) * h * ph),
                            ((0, -1, -top * h), (0, 1, (top + ph) * h)), "circle-clipped")
    elif kind == "pillar":
        share = u(0.28, 0.45)
        both = rng.random() < 0.3
        level = np.clip(np.array([u(0, 55)] * 3) + rng.normal(0, 6, 3), 0, 80)
        wild = replace(
            wild, data_right=0.0 if both and rng.random() < 0.5 else share,
            data_left=share if both else 0.0, data_level=tuple(float(v) for v in level))
        lo, hi = wild.data_left * h, w - wild.data_right * h
        r = min(u(0.4, 0.48) * h, (hi - lo) / 2 - 4)
        region = Region(((lo + hi) / 2, h / 2 + u(-0.02, 0.02) * h, r))
    elif kind == "codec":
        codec = str(rng.choice(["libx264", "libx264", "mpeg2video", "mpeg4"]))
        strong = int(rng.integers(30, 43)) if codec == "libx264" else int(rng.integers(8, 24))
        wild = replace(wild, codec=codec, crf=strong)
        duration_s = 8.0
    elif kind == "comb":
        wild = replace(wild, comb=u(0.01, 0.05))
        look = replace(look, interlace=False)
    elif kind == "rolling":
        wild = replace(wild, ticker=1 + int(rng.random() < 0.5))
    elif kind == "glare":
        wild = replace(wild, glare=int(rng.integers(1, 5)), glare_spread=u(0.01, 0.06))
        look = replace(look, exposure=max(look.exposure, 0.3))
    elif kind == "blood":
        wild = replace(wild, red=u(0.8, 0.97))
        look = replace(look, exposure=u(0.12, 0.7))
    elif kind == "shaft":
        dark = rng.random() < 0.5
        wild = replace(wild, shaft=u(0.08, 0.24), shaft_turn=u(0, 6.28),
                       shaft_level=u(0, 12) if dark else u(40, 160))
        look = replace(look, instrument=False)
    elif kind == "outside":
        rooms = real_textures(("astronaut", "coffee"))
        room = replace(look, exposure=u(0.5, 1.3), cavity=0.0, shadow=0.0)
        pick = rooms[int(rng.integers(0, 2))]
        first = Part(u(4, 7), region, room, pick)
        inner = Part(duration_s, region, look, base)
        parts = [first, inner, replace(first, duration_s=u(3, 6))]
    elif kind == "notch":
        wild = replace(wild, notch=u(0.015, 0.045), notch_turn=u(0, 6.28))
    elif kind == "soft":
        wild = replace(wild, soft=u(0.004, 0.013))
        region = make_region(str(rng.choice(["full", "off", "clip-tb"])), h, w, rng)
        look = replace(look, shadow=0.0, vignette=min(look.vignette, 0.6), glow=0.0)
    elif kind == "bowed":
        region = _bowed(h, w, rng)
    elif kind == "mask":
        region = _mask(h, w, rng)
    elif kind == "arcs":
        r = u(0.86, 0.97) * math.hypot(w, h) / 2
        region = Region((w / 2 + u(-0.04, 0.04) * h, h / 2 + u(-0.03, 0.03) * h, r),
                        kind="circle-clipped")
    elif kind == "same-level":
        level = u(10, 40)
        look = replace(look, surround=(level,) * 3, exposure=u(0.06, 0.25), pedestal=u(0.9, 1.0),
                       noise=min(look.noise, 1.5))
    elif kind == "gone":
        room = replace(look, vignette=0.1, cavity=0, exposure=u(0.5, 1.0), crossing=False,
                       inset=False, shadow=0.0)
        away = Part(9.0, None, room, real_textures((str(rng.choice(["coffee", "astronaut"])),))[0])
        inner = Part(9.0, region, look, base)
        parts = [inner, away, inner]
    elif kind == "none-dark":
        region = None
        look = replace(look, vignette=u(0.8, 1.0) / 0.6, vignette_power=u(1.5, 4),
                       cavity=u(0, 0.95), exposure=u(0.15, 1.0))
    elif kind == "box":
        ratio = float(rng.choice([4 / 3, 5 / 4, 1.0]))
        half = ratio * h / 2
        region = Region(None, ((1.0, 0.0, w / 2 + half), (-1.0, 0.0, half - w / 2)), "other")
        look = replace(look, vignette=min(look.vignette, 0.7))
    elif kind == "frozen":
        wild = replace(wild, still=True)
        duration_s = float(rng.choice([0.5, 1.5, 4.0, 8.0]))
    if parts is None:
        parts = [Part(duration_s, region, look, base)]
    return WildClip(f"{kind}-{seed}", h, w, parts, seed, wild=wild, moving_s=moving)
