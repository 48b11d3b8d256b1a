"""Generated endoscope clips with known airlight, for the lens tests and the lens benchmark.

A scene is a large picture of tissue in linear light, seen by a wandering camera
(drift, rotation, zoom, parallax, deformation) through a round field, with
light fall-off, highlights, an instrument, camera gain, sensor noise, 8-bit
gamma 2.2 coding and block-transform coding noise. Fog follows Koschmieder's law
I = J t + A (1 - t) in linear light, before the gain.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes_lens_glass import LIGHT, bent, laid_over

F32 = NDArray[np.float32]
RATE_HZ = 5.0
ROWS, COLS = 240, 320


@dataclass(frozen=True)
class Disturbance:
    """Something that comes over the lens.

    depth: peak loss of fog and smudge (share), blur in px at 240 rows, factor of
    light for dark and glare. even: 1 uniform fog, 0 strongly uneven.
    """

    kind: str
    start_s: float
    rise_s: float
    hold_s: float
    fall_s: float
    depth: float
    even: float = 1.0
    front: bool = False
    smoke: bool = False

    def envelope(self, time_s: float) -> float:
        """0 outside, 1 at the height."""
        t = time_s - self.start_s
        if t < 0:
            return 0.0
        if t < self.rise_s:
            x = t / self.rise_s
            return x * x * (3 - 2 * x)
        t -= self.rise_s
        if t < self.hold_s:
            return 1.0
        t -= self.hold_s
        if self.kind != "fog":
            x = min(1.0, t / max(self.fall_s, 1e-6))
            return 1 - x * x * (3 - 2 * x)
        # clears exponentially, to nothing at fall_s
        x = t / max(self.fall_s, 1e-6)
        return max(0.0, (np.exp(-3 * x) - np.exp(-3.0)) / (1 - np.exp(-3.0))) if x < 1 else 0.0


@dataclass(frozen=True)
class Scene:
    """All parameters of one clip; `seed` draws what is left open."""

    seed: int
    duration_s: float
    canvas: F32
    disturbances: tuple[Disturbance, ...] = ()
    airlight: tuple[float, float, float] = (0.6, 0.58, 0.56)
    gain: str = "fixed"  # fixed | auto | steps
    auto_tau_s: float = 2.0
    speed: float = 0.06  # field diameters per second
    turn: float = 0.05  # radians per second
    zoom: float = 0.15
    parallax: float = 0.15
    deform_px: float = 2.0
    instrument: tuple[tuple[float, float], ...] = ()
    highlights: float = 0.5
    noise: float = 0.006
    quality: int = 80
    falloff: float = 0.5
    level: float = 0.3  # mean linear level wanted
    hole: float = 0.5  # how much of the canvas is dark cavity, 0..1
    hops: tuple[float, ...] = ()  # times of sudden looks elsewhere
    full_frame: bool = False
    brighten: tuple[float, float, float] | None = None  # start, stop, factor
    still: bool = False
    interlaced: bool = False
    radius_px: float | None = None  # of the field; drawn where it is left out
    coarse: bool = False  # rendered with 120 rows: four times cheaper


@dataclass
class Clip:
    """One rendered clip: an iterator of (time_s, rgb, loss) and the field geometry."""

    scene: Scene
    center_x: float = COLS / 2
    center_y: float = ROWS / 2
    radius: float = 128.0
    losses: list[float] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    log_gains: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.scene.seed + 77)
        if self.scene.full_frame:
            self.radius = 1000.0
        else:
            self.center_x += float(rng.uniform(-12, 12))
            self.center_y += float(rng.uniform(-6, 6))
            self.radius = float(rng.uniform(100, 140))
            self.radius = self.scene.radius_px or self.radius

    def frames(self) -> Iterator[tuple[float, NDArray[np.uint8], float]]:
        """(time_s, rgb uint8 (240, 320, 3), true loss averaged over the field), 5 Hz."""
        sc = self.scene
        rng = np.random.default_rng(sc.seed)
        n = int(sc.duration_s * RATE_HZ)
        size = sc.canvas.shape[0]
        step = 2 if sc.coarse else 1
        canvas = cv2.GaussianBlur(sc.canvas, (0, 0), 0.9) if sc.coarse else sc.canvas
        yy, xx = np.mgrid[0:ROWS:step, 0:COLS:step].astype(np.float32)
        dx, dy = xx + step / 2 - self.center_x, yy + step / 2 - self.center_y
        rad = np.hypot(dx, dy)
        unit = min(self.radius, 130.0)
        inside = rad < self.radius
        edge = np.clip(self.radius - rad, 0, 1)[..., None]
        vign = (1 - sc.falloff * np.clip(rad / unit, 0, 1.3) ** 2 * 0.6).astype(np.float32)
        surround = float(rng.uniform(0.0, 0.004))
        # smooth maps of the world
        depth = _smooth_noise(rng, size // 8, 6)
        cavity = _smooth_noise(rng, size // 8, 5)
        thresh = np.quantile(cavity, sc.hole * 0.4)
        cavity = np.clip((cavity - thresh) / 0.35 + 0.5, 0.03, 1.0).astype(np.float32)
        spec_map = _smooth_noise(rng, 512, 60)
        spec_cut = float(np.quantile(spec_map, 1 - 0.02 * sc.highlights)) if sc.highlights else 9e9
        fogs = [_fog_pattern(rng, d)[::step, ::step] for d in sc.disturbances]
        phases = rng.uniform(0, 2 * np.pi, 6)
        pos = np.array([size / 2, size / 2]) + rng.uniform(-size / 8, size / 8, 2)
        vel = np.zeros(2)
        ang, ang_v, zoom, zoom_v = float(rng.uniform(0, 6)), 0.0, 0.0, 0.0
        log_gain, step_gain = 0.0, 0.0
        base_scale = 1.15
        bob = np.zeros(2)
        mean_ref: float | None = None
        other = None
        for k in range(n):
            t = k / RATE_HZ
            vel_shown = vel
            if not sc.still:
                dt = 1 / RATE_HZ
                vel = 0.85 * vel + rng.normal(0, 1, 2) * sc.speed * 2 * unit * 0.53
                pos = pos + vel * dt
                pos += (np.array([size / 2, size / 2]) - pos) * 0.002
                ang_v = 0.85 * ang_v + rng.normal() * sc.turn * 0.5
                ang += ang_v * dt
                zoom_v = 0.8 * zoom_v + rng.normal() * sc.zoom * 0.3 - 0.1 * zoom
                zoom += zoom_v * dt
                for dist in sc.disturbances:
                    if dist.kind == "pan":
                        way = phases[0] + np.array([0, np.pi / 2])
                        rush = np.cos(way) * dist.depth * 2 * unit * dist.envelope(t)
                        pos = pos + rush * dt
                        vel_shown = vel + rush
                bob = 0.9 * bob + rng.normal(0, 1, 2) * 0.15 * sc.parallax
            if any(t - dt_ <= h < t for h in sc.hops for dt_ in (1 / RATE_HZ,)):
                pos = rng.uniform(size * 0.2, size * 0.8, 2)
                ang += float(rng.uniform(-1, 1))
            z = base_scale * np.exp(-np.clip(zoom, -0.5, 0.5))
            c, s = np.cos(ang), np.sin(ang)
            u = (pos[0] + z * (c * dx - s * dy)).astype(np.float32)
            v = (pos[1] + z * (s * dx + c * dy)).astype(np.float32)
            if sc.parallax:
                d = cv2.remap(depth, u / 8, v / 8, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
                u = u + d * np.float32(bob[0] * unit * 0.3)
                v = v + d * np.float32(bob[1] * unit * 0.3)
            if sc.deform_px:
                a = sc.deform_px
                u = u + a * np.sin(v * 0.021 + 2.1 * t + phases[0]) * np.sin(0.9 * t + phases[1])
                v = v + a * np.sin(u * 0.017 + 1.7 * t + phases[2]) * np.sin(1.3 * t + phases[3])
                u, v = u.astype(np.float32), v.astype(np.float32)
            for number, dist in enumerate(sc.disturbances):
                if (e := dist.envelope(t)) > 0:
                    u, v = bent(dist.kind, sc.seed + number, e, t, u, v, dx, dy, unit)
            scene = cv2.remap(canvas, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
            if sc.interlaced and k:
                back = [np.float32(vel[a] * 0.02) for a in (0, 1)]
                other_field = cv2.remap(
                    canvas,
                    u - back[0],
                    v - back[1],
                    cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REFLECT,
                )
                if sc.coarse:
                    # a row of 120 is one row of each field
                    scene = (scene + other_field) / 2
                else:
                    scene[1::2] = other_field[1::2]
            shade = cv2.remap(cavity, u / 8, v / 8, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
            light = shade * vign * np.float32(np.exp(0.6 * np.clip(zoom, -0.5, 0.5)))
            img = scene * light[..., None]
            if sc.brighten and sc.brighten[0] <= t < sc.brighten[1]:
                img = img * np.float32(sc.brighten[2])
            if sc.highlights:
                sp = cv2.remap(
                    spec_map,
                    u * 0.9 + dx * 0.3,
                    v * 0.9 + dy * 0.3,
                    cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REFLECT,
                )
                img = img + (np.clip((sp - spec_cut) * 20, 0, 3) * shade)[..., None]
            for start, stop in sc.instrument:
                if start <= t < stop:
                    img = _instrument(img, dx, dy, unit, t - start, stop - t, phases, vign)
            loss = 0.0
            blur_px = 0.0
            factor = 1.0
            tmap: F32 | None = None
            lights = []
            for number, (dist, pattern) in enumerate(zip(sc.disturbances, fogs, strict=True)):
                e = dist.envelope(t)
                if e <= 0:
                    continue
                if dist.kind == "fog":
                    u_fog = -np.log(1 - dist.depth * e)
                    pat = pattern
                    if dist.front:
                        x = np.clip((t - dist.start_s) / max(dist.rise_s, 0.2), 0, 1) * 2.6 - 1.3
                        pat = pattern / (1 + np.exp(np.clip((dx / unit - x) * 5, -30, 30)))
                        u_fog = -np.log(1 - dist.depth * min(1.0, e * 3 if x < 1.3 else e))
                    if dist.smoke:
                        # it moves with the scene, and with its own draught
                        pat = cv2.remap(
                            pattern,
                            np.mod(u * 0.6 + 20 * t, COLS - 1).astype(np.float32),
                            np.mod(v * 0.6, ROWS - 1).astype(np.float32),
                            cv2.INTER_LINEAR,
                        )
                        pat = cv2.GaussianBlur(pat, (0, 0), 12 / step)
                    tm = np.exp(-u_fog * pat).astype(np.float32)
                    tmap = tm if tmap is None else tmap * tm
                elif dist.kind == "smudge":
                    w = (pattern * e)[..., None]
                    soft = cv2.GaussianBlur(img, (0, 0), 5 / step)
                    air = 0.5 * np.float32(dist.depth)
                    img = img * (1 - w) + w * (soft * (1 - air) + air * 0.5 * soft.mean((0, 1)))
                elif dist.kind == "blur":
                    blur_px = max(blur_px, dist.depth * e)
                elif dist.kind in ("dark", "glare"):
                    factor *= float(np.exp(np.log(dist.depth) * e))
                elif dist.kind == "out_of_body":
                    if other is None:
                        other = _room(rng)
                    img = (
                        cv2.remap(
                            other,
                            (u * 0.7 + 40 * t).astype(np.float32),
                            v * np.float32(0.7),
                            cv2.INTER_LINEAR,
                            borderMode=cv2.BORDER_REFLECT,
                        )
                        * vign[..., None]
                    )
                place = {"dx": dx, "dy": dy, "unit": unit, "step": step, "move": np.zeros(2)}
                if dist.kind == "pan":
                    turn = np.array([[c, s], [-s, c]])
                    place["move"] = turn @ vel_shown / z
                if dist.kind == "rack":
                    place["map"] = np.clip(d / 0.7 + 0.5, 0, 1) if sc.parallax else 0.5 + 0 * dx
                if dist.kind not in LIGHT:
                    img = laid_over(dist.kind, sc.seed + number, e, t, img, dist.depth, place)
                else:
                    lights.append((dist, number, e, place))
            if blur_px > 0.05:
                img = cv2.GaussianBlur(img, (0, 0), blur_px / step)
            if mean_ref is None:
                mean_ref = float(img[inside].mean())
                scale = sc.level / max(mean_ref, 1e-6)
            img = img * np.float32(scale * factor)
            for dist, number, e, place in lights:
                img = laid_over(dist.kind, sc.seed + number, e, t, img, dist.depth, place)
            if tmap is not None:
                img = img * tmap[..., None] + np.float32(sc.airlight) * (1 - tmap[..., None])
                loss = float(1 - tmap[inside].mean())
            if sc.gain == "auto":
                got = float(np.exp(log_gain)) * float(img[inside].mean())
                log_gain += (np.log(sc.level / max(got, 1e-4))) / RATE_HZ / sc.auto_tau_s
                log_gain = float(np.clip(log_gain, -1.0, 0.8))
            elif sc.gain == "steps" and rng.random() < 0.02:
                step_gain = float(rng.uniform(-0.35, 0.25))
            out = img * np.float32(np.exp(log_gain + step_gain))
            if sc.noise:
                sigma = sc.noise * np.sqrt(np.clip(out, 0.005, 1))
                out = out + sigma * rng.standard_normal(out.shape, dtype=np.float32)
            out = np.where(edge > 0, out * edge + surround * (1 - edge), surround)
            coded = np.clip(out, 0, 1) ** (1 / 2.2)
            rgb = np.rint(coded * 255).astype(np.uint8)
            if sc.quality < 100:
                _ok, buf = cv2.imencode(
                    ".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, sc.quality]
                )
                rgb = np.ascontiguousarray(cv2.imdecode(buf, cv2.IMREAD_COLOR)[..., ::-1])
            self.losses.append(loss)
            self.log_gains.append(log_gain + step_gain)
            self.times.append(t)
            yield t, rgb, loss


def reduced(rgb: NDArray[np.uint8], rows: int = 120) -> NDArray[np.uint8]:
    """The picture averaged by area to `rows` rows."""
    if rgb.shape[0] == rows:
        return rgb
    cols = round(rgb.shape[1] * rows / rgb.shape[0])
    out: NDArray[np.uint8] = cv2.resize(rgb, (cols, rows), interpolation=cv2.INTER_AREA)  # type: ignore[assignment]
    return out


def fog_truth(
    times: NDArray[np.float64], loss: NDArray[np.float64], least: float = 0.15, least_s: float = 0.5
) -> list[tuple[float, float]]:
    """Spans with loss >= `least` for at least `least_s`."""
    return runs(np.asarray(loss) >= least, np.asarray(times), least_s)


def runs(
    on: NDArray[np.bool_], times: NDArray[np.float64], least_s: float
) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.r_[0, on.astype(int), 0]))
    step = float(np.median(np.diff(times)))
    spans = [(times[a], times[b - 1] + step) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [s for s in spans if s[1] - s[0] >= least_s - 1e-9]


def match(
    found: list[tuple[float, float]], true: list[tuple[float, float]], least_iou: float = 0.3
) -> list[tuple[int, int]]:
    """One-to-one matches of spans at an intersection over union of at least `least_iou`."""
    pairs = []
    for i, f in enumerate(found):
        for j, t in enumerate(true):
            inter = min(f[1], t[1]) - max(f[0], t[0])
            iou = inter / (max(f[1], t[1]) - min(f[0], t[0]))
            if iou >= least_iou:
                pairs.append((iou, i, j))
    out: list[tuple[int, int]] = []
    for _, i, j in sorted(pairs, reverse=True):
        if all(i != a and j != b for a, b in out):
            out.append((i, j))
    return out


# -- textures -----------------------------------------------------------------


def _smooth_noise(rng: np.random.Generator, size: int, cells: int) -> F32:
    small = rng.standard_normal((cells, cells)).astype(np.float32)
    out = cv2.resize(small, (size, size), interpolation=cv2.INTER_CUBIC)
    return np.asarray((out - out.mean()) / (out.std() + 1e-6) * 0.35, np.float32)


def octaves(rng: np.random.Generator, size: int, first: int, steep: float) -> F32:
    """Noise whose octaves fall by `steep`; mean 0, sd 1."""
    out = np.zeros((size, size), np.float32)
    cells, amp = first, 1.0
    while cells < size:
        small = rng.standard_normal((cells, cells)).astype(np.float32)
        out += amp * cv2.resize(small, (size, size), interpolation=cv2.INTER_CUBIC)
        cells, amp = cells * 2, amp * steep
    return np.asarray((out - out.mean()) / out.std(), np.float32)


def tissue_canvas(seed: int, rough: float = 0.5, bright: float = 0.5, size: int = 1024) -> F32:
    """Invented mucosa with vessels, crusts and slime, linear light (size, size, 3)."""
    rng = np.random.default_rng(seed)
    base = octaves(rng, size, 4, 0.6)
    fine = octaves(rng, size, 24, 0.75)
    value = 0.45 + 0.3 * bright + 0.08 * base + 0.10 * rough * fine
    ridge = np.abs(octaves(rng, size, 8, 0.5))
    vessel = np.clip(1 - ridge / 0.12, 0, 1) * (0.3 + 0.4 * rough)
    ridge2 = np.abs(octaves(rng, size, 20, 0.5))
    vessel = np.maximum(vessel, np.clip(1 - ridge2 / 0.15, 0, 1) * 0.3)
    crust = np.clip(octaves(rng, size, 10, 0.65) - (1.6 - 0.8 * rough), 0, 1)
    hue = octaves(rng, size, 3, 0.5)
    r = np.clip(value, 0.05, 1.2)
    g = r * np.clip(0.42 + 0.06 * hue + 0.10 * bright, 0.15, 0.9)
    b = r * np.clip(0.36 - 0.04 * hue + 0.10 * bright, 0.12, 0.9)
    r = r * (1 - 0.25 * vessel)
    g, b = g * (1 - 0.75 * vessel), b * (1 - 0.7 * vessel)
    img = np.stack([r, g, b], -1)
    crust_rgb = np.float32([0.75, 0.6, 0.32]) * (0.7 + 0.3 * fine[..., None] * 0.6)
    k = np.clip(crust * 3, 0, 1)[..., None]
    img = img * (1 - k) + np.clip(crust_rgb, 0.05, 1) * k
    return np.asarray(np.clip(img, 0.01, 1.2), np.float32)


def picture_canvas(rgb: NDArray[np.uint8], tint: bool = True, size: int = 1024) -> F32:
    """A photograph as tissue: linear light, tinted to red unless told otherwise."""
    if rgb.ndim == 2:
        rgb = np.repeat(rgb[..., None], 3, -1)
    side = min(rgb.shape[:2])
    square = rgb[:side, :side, :3]
    img = (cv2.resize(square, (size, size), interpolation=cv2.INTER_CUBIC) / 255.0) ** 2.2
    if tint:
        grey = img @ np.float32([0.3, 0.6, 0.1])
        img = 0.35 * img + 0.65 * grey[..., None] * np.float32([1.5, 0.8, 0.7])
    return np.asarray(np.clip(img, 0.005, 1.2), np.float32)


def mosaic_canvas(parts: list[F32], size: int = 1024) -> F32:
    """Four pictures side by side with soft seams, so that the camera meets other tissue."""
    half = size // 2
    tiles = [cv2.resize(p, (half, half), interpolation=cv2.INTER_AREA) for p in (parts * 4)[:4]]
    top, bottom = np.hstack(tiles[:2]), np.hstack(tiles[2:])
    img = np.vstack([top, bottom])
    soft = cv2.GaussianBlur(img, (0, 0), 12)
    yy, xx = np.mgrid[0:size, 0:size]
    near = np.minimum(np.abs(yy - half), np.abs(xx - half))
    w = np.clip(1 - near / 24, 0, 1)[..., None].astype(np.float32)
    return np.asarray(img * (1 - w) + soft * w, np.float32)


def _room(rng: np.random.Generator) -> F32:
    """A room outside: grey, blue and green cloth with hard edges, linear light."""
    size = 768
    img = np.full((size, size, 3), 0.35, np.float32)
    colours = [
        (0.5, 0.5, 0.5),
        (0.1, 0.3, 0.5),
        (0.1, 0.4, 0.3),
        (0.8, 0.8, 0.75),
        (0.2, 0.2, 0.22),
    ]
    for _ in range(60):
        p = rng.integers(0, size, 2)
        q = p + rng.integers(40, 260, 2)
        col = np.array(colours[rng.integers(len(colours))]) * rng.uniform(0.6, 1.2)
        cv2.rectangle(img, tuple(map(int, p)), tuple(map(int, q)), tuple(map(float, col)), -1)
    return np.asarray(img * (1 + 0.1 * octaves(rng, size, 8, 0.7)[..., None]), np.float32)


def _fog_pattern(rng: np.random.Generator, d: Disturbance) -> F32:
    if d.kind == "smudge":
        yy, xx = np.mgrid[0:ROWS, 0:COLS].astype(np.float32)
        a = rng.uniform(0, 2 * np.pi)
        r = rng.uniform(30, 70)
        cx, cy = COLS / 2 + r * np.cos(a), ROWS / 2 + r * np.sin(a)
        w = rng.uniform(26, 45)
        e = rng.uniform(0.6, 1.6)
        dist = ((xx - cx) / (w * e)) ** 2 + ((yy - cy) / (w / e)) ** 2
        return np.asarray(1 / (1 + np.exp(np.clip((dist - 1) * 5, -30, 30))), np.float32)
    pat = cv2.resize(_smooth_noise(rng, 64, 4), (COLS, ROWS), interpolation=cv2.INTER_CUBIC)
    out = np.clip(1 + (1 - d.even) * 1.6 * pat, 0.2, 2.5)
    return np.asarray(out / out.mean(), np.float32)


def _instrument(
    img: F32,
    dx: F32,
    dy: F32,
    unit: float,
    since: float,
    until: float,
    phases: NDArray[np.float64],
    vign: F32,
) -> F32:
    a = phases[4]
    reach = unit * (1.0 - 0.9 * min(1.0, since / 0.7, until / 0.7)) + unit * 0.15 * np.sin(
        2.0 * since + phases[5]
    )
    along = np.cos(a) * dx + np.sin(a) * dy
    across = -np.sin(a) * dx + np.cos(a) * dy + 6 * np.sin(1.1 * since)
    w = unit * 0.13
    inside = np.clip((w - np.abs(across)) / 1.5, 0, 1) * np.clip((along - reach) / 1.5, 0, 1)
    body = 0.12 + 0.9 * np.exp(-((across / w - 0.3) ** 2) / 0.05) + 0.1 * np.sin(along * 0.5)
    k = inside[..., None].astype(np.float32)
    return np.asarray(img * (1 - k) + k * (body * vign)[..., None], np.float32)


# -- whole sets ---------------------------------------------------------------


def random_fog(rng: np.random.Generator, start_s: float, hard: bool = False) -> Disturbance:
    return Disturbance(
        "fog",
        start_s,
        rise_s=float(rng.uniform(0.5, 2.0)),
        hold_s=float(rng.uniform(0.0, 3.0)),
        fall_s=float(rng.uniform(2.0, 10.0)),
        depth=float(rng.uniform(0.2, 0.9)),
        even=float(rng.choice([1.0, 0.6, 0.2])),
        front=bool(hard and rng.random() < 0.3),
    )


def random_scene(
    seed: int,
    canvases: list[F32],
    duration_s: float = 60.0,
    kinds: tuple[str, ...] = ("fog",),
    hard: bool = False,
) -> Scene:
    """A clip drawn from wide ranges. kinds: what may come over the lens; empty for a clear one.

    hard: ranges beyond those used while the measure was built.
    """
    rng = np.random.default_rng(seed)
    canvas = canvases[int(rng.integers(len(canvases)))]
    if len(canvases) > 3 and rng.random() < 0.6:
        pick = rng.choice(len(canvases), 4, replace=False)
        canvas = mosaic_canvas([canvases[int(p)] for p in pick])
    found: list[Disturbance] = []
    t = float(rng.uniform(3, 10))
    while kinds and t < duration_s - 8:
        kind = str(rng.choice(kinds))
        if kind == "fog":
            d = random_fog(rng, t, hard)
        elif kind == "smudge":
            d = Disturbance(
                "smudge", t, 0.3, float(rng.uniform(5, 15)), 0.4, float(rng.uniform(0.6, 1))
            )
        elif kind == "blur":
            d = Disturbance(
                "blur",
                t,
                float(rng.uniform(0.3, 1)),
                float(rng.uniform(0.5, 4)),
                0.6,
                float(rng.uniform(2.5, 7)),
            )
        elif kind == "dark":
            d = Disturbance(
                "dark", t, 0.4, float(rng.uniform(1, 5)), 0.5, float(rng.uniform(0.01, 0.06))
            )
        elif kind == "glare":
            d = Disturbance(
                "glare", t, 0.4, float(rng.uniform(1, 4)), 0.5, float(rng.uniform(4, 9))
            )
        else:
            d = Disturbance("out_of_body", t, 0.01, float(rng.uniform(3, 10)), 0.01, 1.0)
        found.append(d)
        t += d.rise_s + d.hold_s + d.fall_s + float(rng.uniform(4, 15))
    level = float(rng.uniform(0.12, 0.35))
    air = float(rng.uniform(0.3, 0.9))
    tint = rng.uniform(-0.15, 0.15, 2)
    return Scene(
        seed=seed,
        duration_s=duration_s,
        canvas=canvas,
        disturbances=tuple(found),
        airlight=(
            air,
            float(air * (1 - abs(tint[0]))),
            float(air * (1 - abs(tint[0]) + tint[1] * 0.5)),
        ),
        gain=str(rng.choice(["fixed", "auto", "steps"])),
        auto_tau_s=float(rng.uniform(1.0, 4.0)),
        speed=float(rng.uniform(0.02, 0.25 if hard else 0.15)),
        turn=float(rng.uniform(0, 0.15)),
        zoom=float(rng.uniform(0, 0.3)),
        parallax=float(rng.uniform(0, 0.4)),
        deform_px=float(rng.uniform(0, 5 if hard else 3)),
        instrument=tuple(
            (float(s), float(s + rng.uniform(2, 12)))
            for s in rng.uniform(0, duration_s, rng.integers(0, 3))
        ),
        highlights=float(rng.uniform(0, 1.5)),
        noise=float(rng.uniform(0.002, 0.02 if hard else 0.012)),
        quality=int(rng.integers(45 if hard else 60, 95)),
        falloff=float(rng.uniform(0.1, 0.9)),
        level=level,
        hole=float(rng.choice([0.0, 0.3, 0.8])),
        hops=tuple(float(h) for h in rng.uniform(0, duration_s, rng.integers(0, 4))),
        full_frame=bool(rng.random() < 0.15),
    )


SITUATIONS = (
    "fog over a smudge",
    "fog over blur",
    "fog that never clears",
    "starts fogged",
    "fogged throughout",
    "travelling front",
    "fog, camera still",
    "smudge, camera still",
    "dips of the gain",
    "short focus losses",
    "focus, camera still",
    "rack focus",
    "fast pan",
    "moving glare",
    "drop",
    "bubbles",
    "fluid",
    "smoke",
    "flicker",
    "interlaced",
    "strong compression",
    "focus while gain follows fog",
    "glare over fog",
    "lens wiped on tissue",
    "all, camera still",
    "all, small field",
)


def situation(name: str, seed: int, canvases: list[F32], duration_s: float = 40.0) -> Scene:
    """A clip of one kind of difficulty, all else drawn as in `random_scene`.

    Raises ValueError for a name that is not in SITUATIONS.
    """
    rng = np.random.default_rng(seed + 31)
    scene = random_scene(seed, canvases, duration_s, ())
    start_s = float(rng.uniform(10, 16))
    fog = random_fog(rng, start_s)
    over = replace(fog, kind="smudge", start_s=start_s - 6, rise_s=0.3, hold_s=24, fall_s=0.4)
    over = replace(over, depth=float(rng.uniform(0.6, 1)))
    if name == "fog over a smudge":
        return replace(scene, disturbances=(over, fog))
    if name == "fog over blur":
        depth = float(rng.uniform(1.5, 5))
        return replace(scene, disturbances=(replace(over, kind="blur", depth=depth), fog))
    if name == "fog that never clears":
        return replace(scene, disturbances=(replace(fog, hold_s=duration_s),))
    if name == "starts fogged":
        first = replace(fog, start_s=-fog.rise_s - 0.2, hold_s=float(rng.uniform(0, 6)))
        return replace(scene, disturbances=(first,))
    if name == "fogged throughout":
        first = replace(fog, start_s=-fog.rise_s - 0.2, hold_s=duration_s + 5)
        return replace(scene, disturbances=(first,))
    if name == "travelling front":
        return replace(scene, disturbances=(replace(fog, front=True),))
    if name == "fog, camera still":
        return replace(scene, disturbances=(fog,), still=True, hops=())
    if name == "smudge, camera still":
        return replace(scene, disturbances=(replace(over, hold_s=12),), still=True, hops=())
    if name == "dips of the gain":
        factor = float(np.exp(rng.choice([-1, 1]) * rng.uniform(0.25, 0.7)))
        stop_s = start_s + float(rng.uniform(0.4, 3))
        return replace(scene, brighten=(start_s, stop_s, factor))

    def each(
        kind: str, depth: tuple[float, float], **more: tuple[float, float]
    ) -> list[Disturbance]:
        """Several of a kind, 4 to 9 s apart."""
        out, t = [], float(rng.uniform(4, 7))
        while t < duration_s - 4:
            rise, hold = (float(rng.uniform(*more[k])) for k in ("rise", "hold"))
            out.append(Disturbance(kind, t, rise, hold, rise, float(rng.uniform(*depth))))
            t += 2 * rise + hold + float(rng.uniform(4, 9))
        return out

    short = {"rise": (0.05, 0.25), "hold": (0.4, 1.6)}
    long_ = {"rise": (0.2, 0.4), "hold": (4, 9)}
    if name in ("short focus losses", "focus, camera still"):
        still = name != "short focus losses"
        lost = each("blur", (1.0, 2.5), **short)
        return replace(
            scene, disturbances=tuple(lost), still=still, hops=() if still else scene.hops
        )
    if name == "rack focus":
        lost = each("rack", (2, 4), rise=(0.3, 0.6), hold=(0.6, 2))
        return replace(scene, disturbances=tuple(lost), parallax=0.3)
    if name == "fast pan":
        return replace(scene, disturbances=tuple(each("pan", (1.5, 3), **short)))
    if name == "moving glare":
        spots = each("spot", (5, 12), rise=(0.2, 0.4), hold=(1, 4))
        return replace(scene, disturbances=tuple(spots))
    if name in ("drop", "bubbles"):
        return replace(scene, disturbances=tuple(each(name, (1, 1), **long_)))
    if name == "fluid":
        return replace(scene, disturbances=tuple(each("fluid", (1, 1), rise=(1, 3), hold=(0, 0.1))))
    if name == "smoke":
        return replace(scene, disturbances=(replace(fog, smoke=True, even=0.2),))
    if name == "flicker":
        lamp = Disturbance("flicker", 3, 0.1, duration_s - 8, 0.1, float(rng.uniform(0.02, 0.1)))
        return replace(scene, disturbances=(lamp,))
    lost = each("blur", (1.0, 2.5), **short)
    if name == "interlaced":
        return replace(scene, disturbances=tuple(lost), interlaced=True)
    if name == "strong compression":
        lost = [*lost[: len(lost) // 2], fog] if rng.random() < 0.5 else lost
        return replace(scene, disturbances=tuple(lost), quality=int(rng.integers(12, 40)))
    if name == "focus while gain follows fog":
        lost = [x for x in lost if x.start_s < start_s - 3]
        return replace(scene, disturbances=(*lost, fog), gain="auto")
    if name == "glare over fog":
        lit = Disturbance(
            "glare", start_s + fog.rise_s + 1, 0.4, 2.5, 0.5, float(rng.uniform(4, 9))
        )
        return replace(scene, disturbances=(replace(fog, hold_s=8), lit))
    if name == "lens wiped on tissue":
        wipe = Disturbance("wipe", start_s + 8, 0.15, float(rng.uniform(0.5, 1.5)), 0.15, 1)
        return replace(scene, disturbances=(replace(over, start_s=start_s - 4, hold_s=12), wipe))
    if name in ("all, camera still", "all, small field"):
        kinds = ("smudge", "blur", "dark", "glare", "fog")
        drawn = random_scene(seed + 7, canvases, duration_s, kinds)
        radius_px = float(rng.uniform(36, 60)) if name == "all, small field" else None
        still = radius_px is None
        hops = () if still else scene.hops
        return replace(
            scene, disturbances=drawn.disturbances, still=still, hops=hops, radius_px=radius_px,
            full_frame=scene.full_frame and still,
        )  # fmt: skip
    raise ValueError(f"no situation {name!r}; there are {SITUATIONS}")


def default_canvases(seed: int = 0) -> list[F32]:
    """Invented tissue rough and smooth, bright and dark, and photographs of the image library."""
    from skimage import data

    out = [
        tissue_canvas(seed + i, rough, bright)
        for i, (rough, bright) in enumerate(
            [(1, 0.5), (0.2, 0.9), (0.05, 0.6), (0.6, 0.1), (0.9, 0.9), (0.4, 0.4)]
        )
    ]
    for name in ("gravel", "grass", "brick"):
        out.append(picture_canvas(getattr(data, name)()))
    out.append(picture_canvas(data.retina()[300:1100, 300:1100]))
    out.append(picture_canvas(data.immunohistochemistry()))
    out.append(picture_canvas(data.coffee()))
    return out
