"""Where light fades to the surround instead of ending at a rim.

A rim is found at half the height of its step. Light that falls evenly to nothing has no
step: there the edge is where what is left of the picture's mean light is one level over
the surround. Beyond it no picture can be told from none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.rays import EDGE_PX, FLAT_PX, Plane, Points, Table, radii
from pipeline.analysis.field.shapes import is_round

SEEN_LEVELS = 1.0
# Across a rim light falls this many times faster than on the 10 px before it. Measured on 180
# generated recordings: 1.0 to 1.1 where light fades, from 2.0 at rims, soft and dim ones too.
FADES = 1.5
INSIDE_PX, OUTSIDE_PX = 20, 16  # of the evidence grid: what is looked at on either side
ROOM_PX = EDGE_PX + 8  # so near the frame's edge there is too little beyond to look at
LEAST_RAYS = 20  # of RAYS: fewer do not tell the mean light
OFFSET = np.arange(-INSIDE_PX, OUTSIDE_PX)  # columns beside an edge


def _light(t: Table, radius: Points, use: NDArray[np.bool_]) -> Plane | None:
    """Mean light at OFFSET beside an edge on some of the rays, levels; None where it ends there."""
    k = np.rint(radius[use])[:, None].astype(int) + OFFSET
    k = np.clip(k, 0, t.level.shape[1] - 1)
    light = np.asarray(np.take_along_axis(t.level[use], k, axis=1).mean(axis=0))
    before = float(light[0:4].mean() - light[10:14].mean()) / 10  # levels per px
    across = float(light[16:19].mean() - light[21:24].mean()) / 5
    return light if before > 0 and across <= FADES * before else None


def faded(t: Table, parts: Points) -> Points:
    """A form's parts, the circle wider where its light fades instead of ending at a rim.

    A side at which light fades as it does all round is no stop, and left out.
    """
    disc = is_round(parts, t.height_px, t.width_px)
    out = parts.copy()
    light: Plane | None = None
    for stops_only in (False, True):
        every = radii(t.x, t.y, t.angle, out)
        own, radius = every.argmin(axis=0), np.minimum(every.min(axis=0), t.exit_px)
        room = radius < t.exit_px - ROOM_PX
        use = disc[own] & room
        light = _light(t, radius, use) if use.sum() >= LEAST_RAYS else None
        if light is None:
            return parts.copy()
        if not stops_only:
            stop = np.ones(len(out), bool)
            for i in np.flatnonzero(out[:, 2] >= FLAT_PX):
                at, blind = (own == i) & room, (own == i) & ~room
                if at.sum() >= LEAST_RAYS / 2:
                    stop[i] = _light(t, radius, at) is None
                else:
                    stop[i] = blind.sum() <= at.sum()  # at the frame's edge: as all round
            out, disc = out[stop], disc[stop]
    assert light is not None
    left = light - light[-6:].min() - SEEN_LEVELS
    last = int(np.flatnonzero(left >= 0)[-1]) if (left >= 0).any() else -1
    if 0 <= last < len(left) - 1:
        part = float(left[last] / max(left[last] - left[last + 1], 1e-6))
        out[disc, 2] += max(float(OFFSET[last]) + 0.5 + part, 0.0)
    return out
