"""Generated recordings with a known scope field, for tests and the benchmark.

A scene is drawn as it would reach the fold: at 480 rows or fewer, after optics
(blur, vignette, glow), camera (exposure, noise) and codec (JPEG blocks). The
truth is a convex region: a circle cut by half planes, or half planes alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]
Points = NDArray[np.float64]


@dataclass(frozen=True)
class Region:
    """Circle (x, y, r) in px of the drawn picture, cut by planes (nx, ny, d): nx*x + ny*y <= d."""

    circle: tuple[float, float, float] | None
    planes: tuple[tuple[float, float, float], ...] = ()
    kind: str = "circle"

    def signed(self, h: int, w: int, dx: float = 0.0, dy: float = 0.0) -> NDArray[np.float32]:
        """Signed distance (row, col) to the boundary, negative inside, px."""
        yy = (np.arange(h, dtype=np.float32) + 0.5 - dy)[:, None]
        xx = (np.arange(w, dtype=np.float32) + 0.5 - dx)[None, :]
        out = np.full((h, w), -1e6, np.float32)
        if self.circle is not None:
            x, y, r = self.circle
            out = np.sqrt((xx - np.float32(x)) ** 2 + (yy - np.float32(y)) ** 2) - np.float32(r)
        for nx, ny, d in self.planes:
            out = np.maximum(out, np.float32(nx) * xx + np.float32(ny) * yy - np.float32(d))
        return out

    def boundary(self, h: int, w: int, n: int = 1440) -> Points:
        """Closed boundary (n, 2) of the region cut by the frame, px."""
        frame = ((1.0, 0, w), (-1.0, 0, 0), (0, 1.0, h), (0, -1.0, 0))
        planes = [*self.planes, *frame]
        cx, cy = self.inner(h, w)
        a = np.arange(n) * (2 * math.pi / n)
        c, s = np.cos(a), np.sin(a)
        best = np.full(n, np.inf)
        for nx, ny, d in planes:
            slope = nx * c + ny * s
            with np.errstate(divide="ignore", invalid="ignore"):
                t = (d - nx * cx - ny * cy) / slope
            best = np.where((slope > 1e-9) & (t < best), t, best)
        if self.circle is not None:
            x, y, r = self.circle
            ex, ey = cx - x, cy - y
            b = ex * c + ey * s
            t = -b + np.sqrt(np.maximum(b * b - (ex * ex + ey * ey - r * r), 0))
            best = np.minimum(best, t)
        return np.stack([cx + best * c, cy + best * s], axis=1)

    def inner(self, h: int, w: int) -> tuple[float, float]:
        """The point that lies deepest inside, on an 8 px grid."""
        d = self.signed(h, w)[4::8, 4::8]
        yy, xx = np.mgrid[4:h:8, 4:w:8]
        edge = np.minimum(np.minimum(xx, w - xx), np.minimum(yy, h - yy))
        i = int(np.argmax(np.minimum(-d, edge[: d.shape[0], : d.shape[1]])))
        r, c = divmod(i, d.shape[1])
        return 8.0 * c + 4.5, 8.0 * r + 4.5


def hausdorff_px(a: Points, b: Points) -> float:
    """Hausdorff distance of two closed outlines (n, 2), px."""
    from scipy.spatial import cKDTree

    def dense(p: Points) -> Points:
        q = np.vstack([p, p[:1]])
        seg = np.hypot(*np.diff(q, axis=0).T)
        s = np.concatenate([[0], np.cumsum(seg)])
        at = np.arange(0, s[-1], 0.5)
        return np.stack([np.interp(at, s, q[:, 0]), np.interp(at, s, q[:, 1])], axis=1)

    da, db = dense(a), dense(b)
    return float(max(cKDTree(da).query(db)[0].max(), cKDTree(db).query(da)[0].max()))


@dataclass(frozen=True)
class Look:
    """How a scene looks; levels 0..255, lengths relative to the frame height."""

    exposure: float = 1.0
    pedestal: float = 1.0
    surround: tuple[float, float, float] = (3.0, 3.0, 3.0)
    gradient: float = 0.0
    noise: float = 1.0
    blur_px: float = 1.0
    vignette: float = 0.4
    vignette_power: float = 3.0
    shadow: float = 0.0
    shadow_at: float = 0.0
    shadow_width: float = 0.6
    cavity: float = 0.0
    glow: float = 0.0
    glow_width: float = 0.05
    bezel: float = 0.0
    lettering: int = 0
    crossing: bool = False
    inset: bool = False
    quality: int = 75
    interlace: bool = False
    instrument: bool = False
    speed: float = 1.0


def tissue_texture(rng: np.random.Generator, size: int = 700) -> Rgb:
    """A made-up mucosa: folds, vessels, grain. (size, size, 3) RGB."""
    def noise(scale: float) -> NDArray[np.float32]:
        n = max(2, int(size / scale))
        low = rng.normal(size=(n + 3, n + 3)).astype(np.float32)
        return cv2.resize(low, (size, size), interpolation=cv2.INTER_CUBIC)

    base = 0.5 + 0.22 * noise(160) + 0.13 * noise(60) + 0.06 * noise(18) + 0.03 * noise(4)
    folds = np.abs(noise(rng.uniform(60, 200)))
    base = base - 0.35 * np.exp(-((folds / 0.12) ** 2))
    vessels = np.exp(-((np.abs(noise(rng.uniform(25, 70))) / 0.05) ** 2))
    tint = np.array([rng.uniform(190, 250), rng.uniform(80, 150), rng.uniform(70, 130)])
    out = np.clip(base, 0.02, 1.3)[..., None] * tint
    out -= vessels[..., None] * np.array([30, 45, 35]) * rng.uniform(0, 1)
    if rng.random() < 0.4:
        spots = noise(12) > rng.uniform(1.8, 2.4)
        out[spots] = 250
    return np.clip(out, 0, 255).astype(np.uint8)


def real_textures(names: tuple[str, ...] = ("coffee", "chelsea", "rocket", "ihc")) -> list[Rgb]:
    """Photographs that come with scikit-image, 700 px square."""
    import skimage.data

    out = []
    for name in names:
        p = np.asarray(getattr(skimage.data, {"ihc": "immunohistochemistry"}.get(name, name))())
        if p.ndim == 2:
            p = np.repeat(p[..., None], 3, axis=2)
        out.append(cv2.resize(p[..., :3], (700, 700), interpolation=cv2.INTER_AREA))
    return out


@dataclass
class Part:
    """A stretch of a recording: a region (None: no field) and its look, or a card."""

    duration_s: float
    region: Region | None
    look: Look
    texture: Rgb
    card: str = ""
    drift_px: tuple[float, float] = (0.0, 0.0)
    drift_from: tuple[float, float] = (0.0, 0.0)


@dataclass
class Clip:
    """A recording in parts, drawn at (h, w)."""

    name: str
    h: int
    w: int
    parts: list[Part]
    seed: int
    tags: dict[str, float] = field(default_factory=dict)

    @property
    def duration_s(self) -> float:
        return sum(p.duration_s for p in self.parts)

    def part_at(self, time_s: float) -> tuple[Part, float]:
        t = time_s
        for p in self.parts[:-1]:
            if t < p.duration_s:
                return p, t
            t -= p.duration_s
        return self.parts[-1], min(t, self.parts[-1].duration_s)

    def truth(self, time_s: float) -> Region | None:
        p, t = self.part_at(time_s)
        if p.region is None:
            return None
        u = t / p.duration_s
        dx = p.drift_from[0] + p.drift_px[0] * u
        dy = p.drift_from[1] + p.drift_px[1] * u
        return moved(p.region, dx, dy)

    def frames(self, rate_hz: float = 2.0) -> Iterator[tuple[float, Rgb]]:
        rng = np.random.default_rng(self.seed + 1)
        path = np.cumsum(rng.normal(size=(int(self.duration_s * rate_hz) + 2, 2)), axis=0)
        n = int(self.duration_s * rate_hz + 1e-9)
        for i in range(n):
            t = i / rate_hz
            p, _ = self.part_at(t)
            yield t, draw(p, self.truth(t), self.h, self.w, path[i] * 14 * p.look.speed, i, rng)


def moved(region: Region, dx: float, dy: float) -> Region:
    """The region shifted by (dx, dy) px; stops stay where they are."""
    c = region.circle
    if c is None:
        planes = tuple((a, b, d + a * dx + b * dy) for a, b, d in region.planes)
        return replace(region, planes=planes)
    return replace(region, circle=(c[0] + dx, c[1] + dy, c[2]))


def _crop(
    texture: Rgb, h: int, w: int, at: NDArray[np.float64], zoom: float
) -> NDArray[np.float32]:
    m = np.array(
        [[zoom, 0, texture.shape[1] / 2 + at[0] - zoom * w / 2],
         [0, zoom, texture.shape[0] / 2 + at[1] - zoom * h / 2]]
    )
    return cv2.warpAffine(
        texture, m, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    ).astype(np.float32)


def draw(
    part: Part, region: Region | None, h: int, w: int, at: NDArray[np.float64], i: int,
    rng: np.random.Generator,
) -> Rgb:
    """One picture (row, col, 3) of a part."""
    look = part.look
    if part.card:
        return _card(part, h, w, i, rng)
    pic = _crop(part.texture, h, w, at, 0.8 + 0.15 * math.sin(i / 9))
    yy = (np.arange(h, dtype=np.float32) + np.float32(0.5))[:, None]
    xx = (np.arange(w, dtype=np.float32) + np.float32(0.5))[None, :]
    if look.cavity:
        ax = w / 2 + 0.3 * h * math.sin(i / 7.0 + look.shadow_at)
        ay = h / 2 + 0.25 * h * math.cos(i / 11.0)
        rho = np.hypot(xx - ax, (yy - ay) * 1.3) / (0.28 * h)
        pic *= (1 - look.cavity * np.exp(-(rho**4)))[..., None]
    if look.instrument:
        a = 0.6 + 0.5 * math.sin(i / 5.0)
        d = np.abs((xx - w / 2) * math.sin(a) - (yy - h / 2) * math.cos(a))
        bar = (d < 0.05 * h) & (xx * math.cos(a) + yy * math.sin(a) > 0.55 * (w + h) / 2)
        pic[bar] = 60 + 120 * np.clip(1 - d[bar] / (0.05 * h), 0, 1)[:, None]
    if region is None:
        rho = np.hypot(xx - w / 2, yy - h / 2) / math.hypot(w / 2, h / 2)
        pic *= (1 - 0.6 * look.vignette * rho**look.vignette_power)[..., None]
        out = pic * look.exposure
    else:
        sd = region.signed(h, w)
        if region.circle is not None:
            x, y, r = region.circle
        else:
            # the corners are the farthest: light falls off towards them, not to nothing before
            (x, y), edge = region.inner(h, w), region.boundary(h, w, 90)
            r = float(np.hypot(edge[:, 0] - x, edge[:, 1] - y).max())
        rho = np.clip(np.hypot(xx - x, yy - y) / r, 0, 1.2)
        gain = 1 - look.vignette * rho**look.vignette_power
        if look.shadow:
            turn = np.arctan2(yy - y, xx - x) - look.shadow_at
            turn = np.abs((turn + math.pi) % (2 * math.pi) - math.pi) / look.shadow_width
            gain *= 1 - look.shadow * np.exp(-(turn**4)) * np.clip((rho - 0.3) / 0.4, 0, 1)
        lit = pic * np.clip(gain, 0, 2)[..., None] * look.exposure
        if look.bezel:
            ring = np.exp(-(((sd + 0.006 * h) / (0.004 * h)) ** 2))
            turn = np.arctan2(yy - y, xx - x)
            ring *= np.clip(np.sin(turn * 2 + look.shadow_at), 0, 1)
            lit += (ring * look.bezel * 200 * look.exposure)[..., None]
        slope = look.gradient * (xx / w + yy / h - 1)[..., None]
        ground = np.array(look.surround, np.float32) + slope
        alpha = np.clip(0.5 - sd, 0, 1)[..., None]
        if look.glow:
            mean = float(lit[sd < 0].mean()) if (sd < 0).any() else 0
            ground = ground + (
                look.glow * mean * np.exp(-np.maximum(sd, 0) / (look.glow_width * h))
            )[..., None] * np.array([1.0, 0.7, 0.6], np.float32)
        black = np.array(look.surround, np.float32) * np.float32(look.pedestal)
        out = (lit + black) * alpha + ground * (1 - alpha)
    if look.blur_px > 0.2:
        out = cv2.GaussianBlur(out, (0, 0), look.blur_px)
    out = np.ascontiguousarray(out, np.float32)
    if look.interlace and i % 3:
        out[1::2] = np.roll(out[1::2], 2 + i % 3, axis=1)
        out = cv2.blur(out, (1, 2))
    if look.noise:
        out += cv2.GaussianBlur(rng.standard_normal((h, w), np.float32), (0, 0), 0.6)[
            ..., None
        ] * look.noise * 2
    out = np.clip(out, 0, 255).astype(np.uint8)
    _overlay(out, look, h, w, i, part)
    if look.quality < 96:
        ok, data = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, look.quality])
        assert ok
        out = np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
    return out


def _overlay(out: Rgb, look: Look, h: int, w: int, i: int, part: Part) -> None:
    font = cv2.FONT_HERSHEY_SIMPLEX
    clock = f"2031-02-03 10:12:{i % 60:02d}"
    lines = ["ROOM 4", clock, "GAIN 3", "CAM A  WB 5600", "REC", "Z 1.4"]
    for k in range(look.lettering):
        x = int((0.01 if k % 2 == 0 else 0.80) * w)
        y = int(h * (0.07 + 0.9 * (k // 2) / 3))
        cv2.putText(out, lines[k % 6], (x, y), font, h / 900 + 0.25 * (k % 3), (225, 225, 225),
                    1 + k % 2, cv2.LINE_AA)
    if look.crossing:
        cv2.putText(out, "SINUS L 0412", (int(0.12 * w), int(0.5 * h)), font, h / 500,
                    (240, 240, 90), 2, cv2.LINE_AA)
    if look.inset:
        ih, iw = int(0.24 * h), int(0.24 * h * 4 / 3)
        inset = _crop(part.texture[::-1], ih, iw, np.array([3.0 * i, 20.0]), 2.0)
        out[h - ih - 6 : h - 6, 6 : 6 + iw] = inset * 0.8


def _card(part: Part, h: int, w: int, i: int, rng: np.random.Generator) -> Rgb:
    out = np.zeros((h, w, 3), np.uint8)
    if part.card == "bars":
        colours = [(191, 191, 191), (191, 191, 0), (0, 191, 191), (0, 191, 0),
                   (191, 0, 191), (191, 0, 0), (0, 0, 191)]
        for k, c in enumerate(colours):
            out[:, k * w // 7 : (k + 1) * w // 7] = c
    elif part.card == "title":
        out[:] = 12
        cv2.putText(out, "CASE 0412", (int(0.2 * w), int(0.5 * h)), cv2.FONT_HERSHEY_SIMPLEX,
                    h / 200, (230, 230, 230), 4, cv2.LINE_AA)
    elif part.card == "white":
        out[:] = 245
    elif part.card == "black":
        out[:] = 2
    return np.clip(out + rng.normal(0, 0.7, (h, w, 1)), 0, 255).astype(np.uint8)


SIZES = ((480, 854), (480, 640), (480, 600), (432, 768))
# kept for the part of the benchmark that is looked at last
HELD_SIZES = ((480, 768), (480, 720), (405, 720), (450, 600))

# --- drawing lots ----------------------------------------------------------------

GEOMETRIES = (
    "full", "clip-tb", "clip-lr", "off", "small", "large", "stop-tb", "stop-one", "stop-lr",
    "octagon", "cut-corners", "rectangle", "none", "tilted",
)


def make_region(kind: str, h: int, w: int, rng: np.random.Generator) -> Region | None:
    """A region of one of GEOMETRIES, None for 'none'."""
    u = rng.uniform
    cx, cy = w / 2 + u(-0.04, 0.04) * h, h / 2 + u(-0.03, 0.03) * h
    if kind == "none":
        return None
    if kind == "full":
        return Region((cx, cy, u(0.38, 0.465) * h))
    if kind == "small":
        return Region((w / 2 + u(-0.2, 0.2) * h, h / 2 + u(-0.15, 0.15) * h, u(0.22, 0.32) * h))
    if kind == "off":
        r = u(0.4, 0.5) * h
        return Region((w / 2 + u(-0.3, 0.3) * h, h / 2 + u(-0.2, 0.2) * h, r))
    if kind == "clip-tb":
        return Region((cx, cy, min(u(0.53, 0.7) * h, 0.47 * w)), kind="circle-clipped")
    if kind == "clip-lr":
        side = 1 if u() < 0.5 else -1
        x = w / 2 + side * u(0.55, 0.75) * w / 2
        return Region((x, cy, u(0.4, 0.47) * h), kind="circle-clipped")
    if kind == "large":
        return Region((cx, cy, u(0.80, 0.93) * math.hypot(w, h) / 2), kind="circle-clipped")
    if kind == "stop-tb":
        r = u(0.42, 0.6) * h
        a, b = cy - r * u(0.6, 0.92), cy + r * u(0.6, 0.92)
        return Region((cx, cy, r), ((0, -1, -a), (0, 1, b)), "circle-clipped")
    if kind == "stop-one":
        r = u(0.42, 0.55) * h
        return Region((cx, cy, r), ((0, -1, -(cy - r * u(0.6, 0.9))),), "circle-clipped")
    if kind == "stop-lr":
        r = u(0.45, 0.6) * h
        a, b = cx - r * u(0.65, 0.9), cx + r * u(0.65, 0.9)
        return Region((cx, cy, r), ((-1, 0, -a), (1, 0, b)), "circle-clipped")
    if kind == "tilted":
        r = u(0.42, 0.5) * h
        planes = []
        for side in (-1, 1):
            a = math.radians(u(-2.5, 2.5))
            nx, ny = math.sin(a), side * math.cos(a)
            planes.append((nx, ny, nx * cx + ny * cy + r * u(0.7, 0.9)))
        return Region((cx, cy, r), tuple(planes), "circle-clipped")
    if kind == "octagon":
        r, turn = u(0.36, 0.47) * h, 0.0
        planes = tuple(
            (math.cos(k * math.pi / 4 + turn), math.sin(k * math.pi / 4 + turn),
             math.cos(k * math.pi / 4 + turn) * cx + math.sin(k * math.pi / 4 + turn) * cy
             + r * (1.0 if k % 2 == 0 else u(0.98, 1.02)))
            for k in range(8)
        )
        return Region(None, planes, "other")
    if kind in ("rectangle", "cut-corners"):
        hh, ww = u(0.36, 0.48) * h, u(0.42, 0.62) * h
        planes = [(1.0, 0.0, cx + ww), (-1.0, 0.0, ww - cx)]
        planes += [(0.0, 1.0, cy + hh), (0.0, -1.0, hh - cy)]
        if kind == "cut-corners":
            cut = u(0.08, 0.16) * h
            for sx in (-1, 1):
                for sy in (-1, 1):
                    q = math.sqrt(0.5)
                    planes.append((sx * q, sy * q, q * (sx * cx + sy * cy) + q * (ww + hh - cut)))
        return Region(None, tuple(planes), "other")
    raise ValueError(kind)


def make_look(rng: np.random.Generator, harsh: float = 0.5) -> Look:
    """A look at random; harsh 0..1 widens the ranges."""
    u = rng.uniform

    def chance(p: float) -> bool:
        return bool(rng.random() < p)

    s = u(0, 40) if chance(0.5) else u(0, 4)
    tint = rng.normal(0, 2, 3) if s > 6 else np.zeros(3)
    return Look(
        exposure=float(np.exp(u(math.log(0.06), 0))) if chance(0.35) else u(0.5, 1.0),
        surround=tuple(float(v) for v in np.clip(s + tint, 0, 60)),  # type: ignore[arg-type]
        gradient=u(2, 10) if chance(0.2) else 0.0,
        noise=u(0, 2.5),
        pedestal=u(0.6, 1.05),
        blur_px=u(0.3, 1.8),
        vignette=u(0.6, 0.6 + 0.35 * harsh) if chance(0.4) else u(0.0, 0.5),
        vignette_power=u(2, 5),
        shadow=u(0.7, 0.97) if chance(0.3 * harsh * 2) else 0.0,
        shadow_at=u(0, 6.28),
        shadow_width=u(0.3, 0.9),
        cavity=u(0.7, 0.99) if chance(0.4) else 0.0,
        glow=u(0.02, 0.12 * harsh * 2) if chance(0.35) else 0.0,
        glow_width=u(0.01, 0.12),
        bezel=u(0.2, 1.0) if chance(0.25) else 0.0,
        lettering=int(rng.integers(1, 6)) if chance(0.4) else 0,
        crossing=chance(0.12),
        inset=chance(0.08),
        quality=int(rng.integers(45, 95)),
        interlace=chance(0.15),
        instrument=chance(0.4),
        speed=u(0.2, 1.6),
    )


def make_clip(
    kind: str, seed: int, textures: list[Rgb] | None = None, harsh: float = 0.5,
    duration_s: float = 12.0, held: bool = False,
) -> Clip:
    """A recording of one kind: a geometry of GEOMETRIES or one of SEQUENCES."""
    rng = np.random.default_rng([seed, (*GEOMETRIES, *SEQUENCES).index(kind)])
    sizes = HELD_SIZES if held else SIZES
    h, w = sizes[int(rng.integers(0, len(sizes)))]
    base = textures[int(rng.integers(0, len(textures)))] if textures else tissue_texture(rng)
    look = make_look(rng, harsh)
    u = rng.uniform
    simple = kind if kind in GEOMETRIES else str(rng.choice(["full", "clip-tb", "stop-tb", "off"]))
    region = make_region(simple, h, w, rng)
    main = Part(duration_s, region, look, base)
    parts = [main]
    if kind == "zoom":
        assert region is not None and region.circle is not None
        x, y, r = region.circle
        k = u(1.08, 1.4) if u() < 0.5 else u(0.7, 0.92)
        other = replace(region, circle=(x + u(-0.03, 0.03) * h, y, min(r * k, 0.47 * w)))
        parts = [replace(main, duration_s=duration_s * 0.6), replace(main, region=other)]
    elif kind == "drift":
        dx, dy = u(-0.06, 0.06) * h, u(-0.05, 0.05) * h
        parts = [replace(main, duration_s=duration_s * 2.5, drift_px=(dx, dy))]
    elif kind == "white":
        parts = [main, Part(3.0, None, look, base, card="white"), main]
    elif kind == "bars":
        parts = [Part(5.0, None, look, base, card="bars"), main]
    elif kind == "title":
        parts = [Part(4.0, None, look, base, card="title"), main]
    elif kind == "black":
        parts = [main, Part(3.0, None, look, base, card="black"), main]
    elif kind == "room":
        room = Part(6.0, None, replace(look, vignette=0.1, cavity=0, exposure=0.9, crossing=False,
                                       inset=False), real_textures(("coffee",))[0])
        parts = [room, main, replace(room, duration_s=4.0)]
    return Clip(f"{kind}-{seed}", h, w, parts, seed)


SEQUENCES = ("zoom", "drift", "white", "bars", "title", "black", "room")
