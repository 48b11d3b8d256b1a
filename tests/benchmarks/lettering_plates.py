"""Plates to teach the search for lettering what is no lettering: made cloth, foam, vessels, fibres
and speckle, and photographs of other rough things that scikit-image brings."""

from __future__ import annotations

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]
SIDE = 512
TINTS = ((205, 120, 95), (190, 80, 70), (225, 190, 160), (215, 210, 195), (150, 140, 95),
         (120, 40, 35), (235, 160, 140), (90, 70, 60))  # fmt: skip


def photographs() -> list[Rgb]:
    """Of rough surfaces; the retina is left for looking at what was taught."""
    out = []
    for name in ("brick", "grass", "gravel", "immunohistochemistry", "chelsea", "coffee"):
        image = np.atleast_3d(getattr(skimage.data, name)())[..., :3]
        image = np.repeat(image, 3, axis=2) if image.shape[2] == 1 else image
        side = min(image.shape[:2])
        out.append(np.asarray(cv2.resize(image[:side, :side], (SIDE, SIDE)), np.uint8))
    return out


def smooth(rng: np.random.Generator, scale: float) -> NDArray[np.float32]:
    """Noise of one scale in px, mean 0, spread 1, float32 (row, col)."""
    few = max(2, round(SIDE / scale))
    noise = rng.normal(0, 1, (few, few)).astype(np.float32)
    wide = cv2.resize(noise, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
    return np.asarray((wide - wide.mean()) / (wide.std() + 1e-6), np.float32)


def made(rng: np.random.Generator, under: Rgb | None = None) -> Rgb:
    """A plate of one or two of the kinds, uint8 (512, 512, 3) RGB. under: what they lie on."""
    if under is None:
        tint = np.array(TINTS[int(rng.integers(len(TINTS)))], np.float32) + rng.normal(0, 12, 3)
        base = np.ones((SIDE, SIDE, 3), np.float32) * tint.astype(np.float32)
        base *= 1 + 0.15 * smooth(rng, float(rng.uniform(80, 250)))[..., None]
    else:
        base = cv2.resize(under, (SIDE, SIDE)).astype(np.float32)
    kinds = (woven, speckled, vessels, foam, fibres, folds)
    for which in rng.integers(0, len(kinds), int(rng.integers(1, 3))):
        kind = kinds[int(which)]
        over = kind(rng, base.copy())
        share = 1.0
        if under is not None or rng.random() < 0.5:  # only a part of the plate
            edge = smooth(rng, float(rng.uniform(120, 300)))
            share = 1 / (1 + np.exp(-edge * rng.uniform(2, 20)))[..., None]
        base += share * (over - base)
    return np.asarray(np.clip(base, 0, 255), np.uint8)


def woven(rng: np.random.Generator, plate: NDArray[np.float32]) -> NDArray[np.float32]:
    pitch, bend = float(rng.uniform(5, 26)), float(rng.uniform(0, 12))
    angle = float(rng.uniform(0, np.pi))
    y, x = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    u = np.cos(angle) * x + np.sin(angle) * y + bend * smooth(rng, 60)
    v = np.cos(angle) * y - np.sin(angle) * x + bend * smooth(rng, 60)
    a, b = (0.5 + 0.5 * np.cos(2 * np.pi * w / pitch) for w in (u, v * rng.uniform(0.7, 1.4)))
    sharp = float(rng.uniform(0.5, 4))
    threads = np.maximum(a**sharp, b**sharp) * (1 + 0.2 * smooth(rng, 3))
    lit, dark = rng.uniform(0.9, 1.5), rng.uniform(0.2, 0.8)
    return np.asarray(plate * (dark + (lit - dark) * threads)[..., None], np.float32)


def speckled(rng: np.random.Generator, plate: NDArray[np.float32]) -> NDArray[np.float32]:
    scale = float(np.exp(rng.uniform(np.log(2), np.log(14))))
    grains = smooth(rng, scale) - float(rng.uniform(0, 1)) * smooth(rng, 2.5 * scale)
    sharp, deep = float(rng.uniform(0.5, 6)), float(rng.uniform(0.15, 0.6))
    way = np.array([1, *rng.uniform(0.6, 1.2, 2)], np.float32)
    return np.asarray(plate * (1 + deep * np.tanh(sharp * grains)[..., None] * way), np.float32)


def _curves(
    rng: np.random.Generator, plate: NDArray[np.float32], count: int, wide: float, turn: float,
    colour: NDArray[np.float64],
) -> NDArray[np.float32]:  # fmt: skip
    for _ in range(count):
        steps = int(rng.integers(10, 80))
        way = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, turn, steps))
        at = rng.uniform(0, SIDE, 2) + np.cumsum(
            6 * np.stack([np.cos(way), np.sin(way)], axis=1), axis=0
        )
        thick = max(1, round(wide * rng.uniform(0.4, 1.6)))
        here = np.clip(colour * rng.uniform(0.8, 1.2), 0, 255)
        cv2.polylines(plate, [at.astype(np.int32).reshape(-1, 1, 2)], False, here.tolist(), thick,
                      cv2.LINE_AA)  # fmt: skip
    return plate


def vessels(rng: np.random.Generator, plate: NDArray[np.float32]) -> NDArray[np.float32]:
    colour = plate.mean((0, 1)) * np.array([0.75, 0.45, 0.45])
    drawn = _curves(rng, plate.copy(), int(rng.integers(10, 120)), rng.uniform(1, 5), 0.35, colour)
    return np.asarray(plate + rng.uniform(0.3, 1) * (drawn - plate), np.float32)


def fibres(rng: np.random.Generator, plate: NDArray[np.float32]) -> NDArray[np.float32]:
    colour = rng.uniform(20, 250) + rng.normal(0, 15, 3)
    return _curves(rng, plate, int(rng.integers(20, 400)), rng.uniform(1, 3), 0.08, colour)


def foam(rng: np.random.Generator, plate: NDArray[np.float32]) -> NDArray[np.float32]:
    for _ in range(int(rng.integers(20, 400))):
        at, size = rng.integers(0, SIDE, 2).tolist(), int(np.exp(rng.uniform(0.7, 3.6)))
        light = plate[at[1], at[0]] * rng.uniform(0.6, 1.3) + rng.uniform(0, 60)
        cv2.circle(plate, at, size, light.tolist(), max(1, size // 8), cv2.LINE_AA)
        spot = (at[0] - size // 2, at[1] - size // 2)
        cv2.circle(plate, spot, max(1, size // 6), (250, 248, 245), -1, cv2.LINE_AA)
    return plate


def folds(rng: np.random.Generator, plate: NDArray[np.float32]) -> NDArray[np.float32]:
    """Ridges beside each other, as of a tube or of folded tissue."""
    y, x = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    pitch, angle = float(rng.uniform(8, 60)), float(rng.uniform(0, np.pi))
    along = np.cos(angle) * x + np.sin(angle) * y + rng.uniform(0, 40) * smooth(rng, 150)
    ridge = np.abs(np.sin(np.pi * along / pitch)) ** rng.uniform(0.3, 3)
    return np.asarray(plate * (rng.uniform(0.3, 0.8) + 0.7 * ridge)[..., None], np.float32)
