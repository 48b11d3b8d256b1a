"""Generated recordings whose field ends softly or is hardly lit.

Built on `tests.scenes_field` and `tests.scenes_field_wild`. Where light fades to nothing the
edge is where the picture's mean light has fallen to one level of 8 bits over the surround:
beyond it no picture can be told from none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes_field import (
    HELD_SIZES,
    SIZES,
    Part,
    Region,
    Rgb,
    draw,
    make_look,
    make_region,
    tissue_texture,
)
from tests.scenes_field_wild import WildClip

SOFT = ("fade", "halo", "dim", "cut-dark")
SEEN = 1.0  # levels: the least mean light that is picture


@dataclass(frozen=True)
class Fade:
    """Light falls as (1 - (r / reach) ** power) ** order about the circle's centre."""

    power: float
    order: float

    def gain(self, rho: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray((1 - np.clip(rho, 0, 1) ** self.power) ** self.order, np.float32)

    def edge(self, mean_light: float) -> float:
        """Where a mean light (levels) has fallen to SEEN, as a part of the reach."""
        rho = np.linspace(0, 1, 4001, dtype=np.float32)
        return float(rho[np.flatnonzero(self.gain(rho) * mean_light >= SEEN)[-1]])


@dataclass
class SoftClip(WildClip):
    """A clip whose light fades to the surround; the parts' regions are where it has faded."""

    fade: Fade | None = None
    reach_px: float = 0.0

    def _one(
        self, p: Part, region: Region | None, at: NDArray[np.float64], i: int,
        rng: np.random.Generator,
    ) -> Rgb:
        if self.fade is None or region is None or region.circle is None:
            return super()._one(p, region, at, i, rng)
        bare = replace(p, look=replace(p.look, quality=100, noise=0.0, vignette=0.0, lettering=0,
                                       crossing=False, inset=False))
        picture = draw(bare, None, self.h, self.w, at, i, rng).astype(np.float32)
        x, y, _ = region.circle
        yy = (np.arange(self.h, dtype=np.float32) + np.float32(0.5))[:, None]
        xx = (np.arange(self.w, dtype=np.float32) + np.float32(0.5))[None, :]
        gain = self.fade.gain(np.hypot(xx - np.float32(x), yy - np.float32(y)) / self.reach_px)
        for nx, ny, d in region.planes:
            gain *= np.clip(0.5 - (nx * xx + ny * yy - d), 0, 1).astype(np.float32)
        out = picture * gain[..., None] + np.array(p.look.surround, np.float32)
        out += rng.normal(0, max(p.look.noise, 0.3), (self.h, self.w, 1))
        low = np.clip(out, 0, 255).astype(np.uint8)
        ok, data = cv2.imencode(".jpg", low[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, p.look.quality])
        assert ok
        return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def make_soft(
    kind: str, seed: int, textures: list[Rgb] | None = None, harsh: float = 0.3,
    duration_s: float = 12.0, held: bool = False,
) -> WildClip:
    """A recording of one kind of SOFT."""
    rng = np.random.default_rng([seed, 200 + SOFT.index(kind)])
    sizes = HELD_SIZES if held else SIZES
    h, w = sizes[int(rng.integers(0, len(sizes)))]
    u = rng.uniform
    base = textures[int(rng.integers(0, len(textures)))] if textures else tissue_texture(rng)
    look = make_look(rng, harsh)
    simple = str(rng.choice(["full", "clip-tb", "stop-tb", "off"]))
    region = make_region(simple, h, w, rng)
    assert region is not None and region.circle is not None
    x, y, r = region.circle
    if kind == "fade":
        s = u(0, 12)
        look = replace(look, surround=(s, s, s), gradient=0.0, exposure=u(0.3, 1.0), glow=0.0,
                       shadow=0.0, cavity=min(look.cavity, 0.8), quality=max(look.quality, 70))
        fade = Fade(u(1.8, 5.0), u(0.8, 2.2))
        edge = fade.edge(float(base.max(axis=2).mean()) * look.exposure)
        seen = replace(region, circle=(x, y, r * edge))
        return SoftClip(f"{kind}-{seed}", h, w, [Part(duration_s, seen, look, base)], seed,
                        fade=fade, reach_px=r)
    if kind == "halo":
        look = replace(look, glow=u(0.12, 0.45), glow_width=u(0.02, 0.15), vignette=u(0, 0.6),
                       exposure=u(0.5, 1.0), shadow=0.0)
    elif kind == "dim":
        s = u(0, 14)
        look = replace(look, surround=(s, s, s), gradient=0.0, exposure=math.exp(u(-3.6, -2.4)),
                       noise=min(look.noise, 1.2), vignette=min(look.vignette, 0.6), pedestal=1.0)
    else:
        # a tall disc cut by the frame or by stops, its rim dark at the sides
        r = u(0.52, 0.62) * h
        planes = ((0.0, -1.0, -u(0.02, 0.06) * h), (0.0, 1.0, u(0.94, 0.98) * h))
        stops = planes if rng.random() < 0.5 else ()
        region = Region((x, y, min(r, 0.47 * w)), stops, "circle-clipped")
        look = replace(look, vignette=u(0.75, 0.97), vignette_power=u(2, 4), shadow=0.0)
    return WildClip(f"{kind}-{seed}", h, w, [Part(duration_s, region, look, base)], seed)
