"""What comes over the glass or into the light in `scenes_lens`, beside fog, smudge and blur.

Each effect takes the picture in linear light and the place of its pixels, and is drawn from
the generator of the disturbance alone, so that other clips stay as they are.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]

# what a person would call it; '' is not asked for, but must not be called fog
NAMED = {"rack": "blur", "pan": "blur", "spot": "glare", "drop": "smudge", "bubbles": "smudge"}
NAMED |= {"fluid": "", "flicker": "", "interlaced": "", "wipe": ""}
LIGHT = ("spot", "flicker")


def _place(rng: np.random.Generator, unit: float) -> tuple[float, float, float]:
    """x, y from the middle of the field, and radius, in px."""
    a, r = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.6) * unit
    return r * np.cos(a), r * np.sin(a), float(rng.uniform(0.2, 0.4) * unit)


def bent(
    kind: str, seed: int, e: float, t: float, u: F32, v: F32, dx: F32, dy: F32, unit: float
) -> tuple[F32, F32]:
    """The scene coordinates that a drop or running fluid shows at each pixel. e: 0..1."""
    rng = np.random.default_rng(seed)
    x, y, r = _place(rng, unit)
    if kind == "drop":
        d = np.hypot(dx - x, dy - y) / r
        w = np.clip((1 - d) * 4, 0, 1) * e
        pull = np.float32(rng.uniform(0.5, 1.6))  # past 1 the drop turns the picture round
        mid = np.argmin(d)
        u = u - w * pull * (u - u.flat[mid])
        v = v - w * pull * (v - v.flat[mid])
    if kind == "fluid":
        # a sheet whose lower edge runs down
        edge = (-1 + 2.2 * e) * unit + 6 * np.sin(dx / 17 + 3)
        w = np.exp(-(((dy - edge) / (0.25 * unit)) ** 2))
        u = u + 7 * w * np.sin(dy / 9 + 5 * t)
        v = v + 9 * w * np.sin(dx / 11 + 4 * t)
    return u.astype(np.float32), v.astype(np.float32)


def laid_over(
    kind: str, seed: int, e: float, t: float, img: F32, depth: float, place: dict[str, Any]
) -> F32:
    """The picture after an effect. e: 0..1. depth: as in `Disturbance`.

    place: dx, dy (row, col) from the middle; unit px; map (row, col) of the scene's depth;
    move (2,) px a second of the view; step px of a pixel at 240 rows.
    """
    rng = np.random.default_rng(seed)
    dx, dy, unit, step = place["dx"], place["dy"], place["unit"], place["step"]
    x, y, r = _place(rng, unit)
    if kind == "rack":
        # the plane that is sharp moves through the depth of the scene and back
        off = np.abs(2.2 * e - place["map"] - 0.2 * e)[..., None]
        soft = [img] + [
            cv2.GaussianBlur(img, (0, 0), depth * k / 2 / step) if depth else img for k in (1, 2, 4)
        ]
        out = soft[0] * np.clip(1 - off * 2, 0, 1)
        for k, at in ((1, 0.5), (2, 1.0)):
            out = out + soft[k] * np.clip(1 - np.abs(off - at) * 2, 0, 1)
        return np.asarray(out + soft[3] * np.clip(off * 2 - 2, 0, 1), np.float32)
    if kind == "pan":
        length = float(np.hypot(*place["move"])) / 60 * e  # exposed a sixtieth of a second
        n = max(1, round(length / step)) | 1
        kernel = np.zeros((n, n), np.float32)
        way = place["move"] / (np.hypot(*place["move"]) + 1e-6) * (n // 2)
        mid = n // 2
        end = (round(mid + way[0]), round(mid + way[1]))
        cv2.line(kernel, (round(mid - way[0]), round(mid - way[1])), end, 1.0)
        return np.asarray(cv2.filter2D(img, -1, kernel / kernel.sum()), np.float32)
    if kind == "spot":
        a = rng.uniform(0, 6) + 1.2 * t
        cx, cy = x + 0.35 * unit * np.cos(a), y + 0.35 * unit * np.sin(a)
        glow = np.exp(-(((dx - cx) ** 2 + (dy - cy) ** 2) / (1.4 * r) ** 2))
        return np.asarray(img * (1 + depth * e * glow[..., None]), np.float32)
    if kind == "bubbles":
        for _ in range(int(rng.integers(4, 9))):
            bx, by = x + rng.normal(0, 0.25) * unit, y + rng.normal(0, 0.25) * unit
            br = rng.uniform(0.05, 0.16) * unit
            d = np.hypot(dx - bx, dy - by)
            ring = np.exp(-(((d - br) / 2.5) ** 2))[..., None] * e
            soft = cv2.GaussianBlur(img, (0, 0), 4 / step)
            inner = (np.clip((br - d) / 2, 0, 1) * e)[..., None]
            img = img * (1 - inner) + inner * soft * np.float32(0.8)
            img = img * (1 - 0.6 * ring) + np.float32(0.5) * ring * img.mean()
        return np.asarray(img, np.float32)
    if kind == "wipe":
        # pressed on tissue: a bright red blur without form
        red = cv2.GaussianBlur(img, (0, 0), 25 / step) * np.float32([1.5, 0.9, 0.8])
        return np.asarray(img * (1 - e) + red * e, np.float32)
    if kind == "flicker":
        bands = np.sin(dy / unit * 5 + 40 * t)[..., None] * 0.5 + np.sin(37 * t)
        return np.asarray(img * (1 + depth * e * bands), np.float32)
    return img
