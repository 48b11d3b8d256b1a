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


def fade_px(
    e: Plane, x: float, y: float, r: float, box: tuple[float, float, float, float]
) -> float:
    """By how much a circle found at half height is wider, px; 0 where it ends at a rim.

    e: (row, col) evidence, levels over the surround. Only what lies inside the box and the
    frame, with room for OUTSIDE_PX beyond it, is looked at.
    """
    h, w = e.shape
    angle = (np.arange(180) + 0.5) * (2 * math.pi / 180)
    offset = np.arange(-INSIDE_PX, OUTSIDE_PX) + 0.5
    px = x + (r + offset) * np.cos(angle)[:, None]
    py = y + (r + offset) * np.sin(angle)[:, None]
    room = (px[:, -1] > max(box[0], 0)) & (px[:, -1] < min(box[2], w))
    room &= (py[:, -1] > max(box[1], 0)) & (py[:, -1] < min(box[3], h))
    if room.sum() < LEAST_RAYS:
        return 0.0
    light = sample(e, px[room], py[room]).mean(axis=0)
    before = float(light[0:4].mean() - light[10:14].mean()) / 10  # levels per px
    across = float(light[16:19].mean() - light[21:24].mean()) / 5
    left = light - light[-6:].min() - SEEN_LEVELS
    if before <= 0 or across > FADES * before or not (left[0] > 0 > left[-1]):
        return 0.0
    last = int(np.flatnonzero(left >= 0)[-1])
    part = float(left[last] / max(left[last] - left[last + 1], 1e-6))
    return max(float(offset[last]) + part, 0.0)
