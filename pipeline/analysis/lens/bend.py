"""Drops: places on the glass where the picture moves otherwise than the scene.

A drop is a lens of its own: what is seen through it moves faster, or backwards, and cannot be
told by less detail. So points that are followed from one sample to the next are asked whether
they moved with the scene, or anyhow, the more the faster it moves; a still camera tells nothing.
An instrument moves anyhow as well, but it reaches in from the rim: a place must explain more
than a strip from there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.pairs import BLOCKS
from pipeline.analysis.lens.registration import Motion

F64 = NDArray[np.float64]

FOLLOW_SD_PX = 0.35  # of points that move with the scene, at least
ANYHOW = 2.0  # their motion in a drop, in that of the scene
UNDER, STRAY, STRAY_PX = 0.7, (0.05, 0.5), 3.0  # points in a drop that do not follow, and elsewhere
SHARED = 4.0  # points near each other say this many times less
STRIP_WIDE = 0.22  # of half the picture
NOTHING = 1e-9  # likelihood beyond every model


def anyhow(motion: Motion, rows: int, cols: int) -> F64:
    """(64,) ln by how much likelier the points in each block moved anyhow than with the scene."""
    scene = motion.points @ motion.affine[:, :2].T + motion.affine[:, 2]
    off2, speed2 = (motion.apart**2).sum(1), (scene**2).sum(1)
    # in a smooth or quickly moving view all follow worse; for two axes the median is 1.39 sd^2
    var = max(FOLLOW_SD_PX**2, float(np.median(off2)) / 1.39)
    stray = float(np.clip((off2 > STRAY_PX**2 * var).mean(), *STRAY))
    wide = var + ANYHOW**2 * speed2
    follows, strays = (np.exp(-off2 / 2 / v) / v for v in (var, wide))
    here, elsewhere = ((1 - p) * follows + p * strays + NOTHING for p in (UNDER, stray))
    at = (motion.points / (cols, rows) * BLOCKS).astype(int).clip(0, BLOCKS - 1)
    block = at[:, 1] * BLOCKS + at[:, 0]
    return np.bincount(block, np.log(here / elsewhere) / SHARED, BLOCKS**2).astype(np.float64)


def beyond_strips(told: F64, place: F64) -> float:
    """By how many nats what is told in the blocks, (64,), is explained better by a place there
    than by a strip from the rim."""
    return float(place @ told - max(0.0, float((_strips() @ told).max())))


def _strips() -> F64:
    """(k, 64) strips from the rim inwards, every 15 degrees, by and through the middle."""
    c = (np.arange(BLOCKS) + 0.5) / (BLOCKS / 2) - 1
    x, y = (v.ravel()[:, None, None, None] for v in np.meshgrid(c, c))
    turn = np.arange(0, 2 * np.pi, np.pi / 12)[:, None, None]
    aside, reach = np.linspace(-0.4, 0.4, 5)[:, None], np.array([0.0, 0.3, 0.6])
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    out = (np.abs(across - aside) < STRIP_WIDE) & (along >= reach)
    return np.asarray(out.reshape(BLOCKS**2, -1).T, np.float64)
