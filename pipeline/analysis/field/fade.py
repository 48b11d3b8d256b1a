"""Where light fades to the surround instead of ending at a rim.

A rim is found at half the height of its step. Light that falls evenly to nothing has no
step: there the edge is where what is left of the picture's mean light is one level over
the surround. Beyond it no picture can be told from none.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.analysis.field.fit import sample
from pipeline.analysis.field.level import Plane

SEEN_LEVELS = 1.0
# Across a rim light falls this many times faster than on the 10 px before it. Measured on 180
# generated recordings: 1.0 to 1.1 where light fades, from 2.0 at rims, soft and dim ones too.
FADES = 1.5
INSIDE_PX, OUTSIDE_PX = 20, 16  # of the evidence grid: what is looked at on either side
LEAST_RAYS = 20  # of 180: fewer do not tell the mean light


OFFSET = np.arange(-INSIDE_PX, OUTSIDE_PX) + 0.5  # of the light looked at, px outwards


def _fades(light: Plane) -> bool:
    """Does mean light at OFFSET from an edge fall across it no faster than before it?"""
    before = float(light[0:4].mean() - light[10:14].mean()) / 10  # levels per px
    across = float(light[16:19].mean() - light[21:24].mean()) / 5
    return before > 0 and across <= FADES * before


def fade_px(
    e: Plane, x: float, y: float, r: float, box: tuple[float, float, float, float]
) -> float:
    """By how much a circle found at half height is wider, px; 0 where it ends at a rim.

    e: (row, col) evidence, levels over the surround. Only what lies inside the box and the
    frame, with room for OUTSIDE_PX beyond it, is looked at.
    """
    h, w = e.shape
    angle = (np.arange(180) + 0.5) * (2 * math.pi / 180)
    px = x + (r + OFFSET) * np.cos(angle)[:, None]
    py = y + (r + OFFSET) * np.sin(angle)[:, None]
    room = (px[:, -1] > max(box[0], 0)) & (px[:, -1] < min(box[2], w))
    room &= (py[:, -1] > max(box[1], 0)) & (py[:, -1] < min(box[3], h))
    if room.sum() < LEAST_RAYS:
        return 0.0
    light = sample(e, px[room], py[room]).mean(axis=0)
    left = light - light[-6:].min() - SEEN_LEVELS
    if not _fades(light) or not left[0] > 0 > left[-1]:
        return 0.0
    last = int(np.flatnonzero(left >= 0)[-1])
    part = float(left[last] / max(left[last] - left[last + 1], 1e-6))
    return max(float(OFFSET[last]) + part, 0.0)


def stops_only(
    e: Plane, x: float, y: float, r: float, box: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    """The box without sides at which light fades as it does all round: they are no stops."""
    h, w = e.shape
    frame = (0.0, 0.0, float(w), float(h))
    sides = list(box)
    for k, (across, along) in enumerate(((x, y), (y, x), (x, y), (y, x))):
        half = math.sqrt(max(r * r - (box[k] - across) ** 2, 0.0))
        at = np.arange(along - half, along + half)
        at = at[(at > max(box[1 - k % 2], 0)) & (at < box[3 - k % 2])]
        if abs(box[k] - frame[k]) < 1 or at.size < LEAST_RAYS:
            continue
        out = box[k] + (OFFSET if k >= 2 else -OFFSET)
        a, b = np.broadcast_to(out, (at.size, out.size)), np.repeat(at[:, None], out.size, axis=1)
        light = sample(e, a, b) if k % 2 == 0 else sample(e, b, a)
        if _fades(light.mean(axis=0)):
            sides[k] = frame[k]
    return sides[0], sides[1], sides[2], sides[3]
