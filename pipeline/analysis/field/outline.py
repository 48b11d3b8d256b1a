"""Where a fitted form lies: as a circle and a box if it is one, else as an outline."""

from __future__ import annotations

import math

import cv2
import numpy as np

from pipeline.analysis.field.rays import FLAT_PX, Points, frame_exit, radii
from pipeline.analysis.field.shapes import is_round
from pipeline.model.field import FieldSpan, Shape

UPRIGHT_RAD = 0.004  # a side so nearly upright or level is one of the box
TOUCH_RATIO = 0.002  # of the height: what cuts a circle by less only touches it
ANGLES = 720


def _boundary(parts: Points, x: float, y: float, angle: Points, h: int, w: int) -> Points:
    """(n + 1, angle) distances to the parts and the frame."""
    return np.vstack([radii(x, y, angle, parts), frame_exit(x, y, angle, h, w)[None]])


def outline(parts: Points, x: float, y: float, h: int, w: int) -> Points:
    """The boundary around (x, y) as a polygon (k, 2), grid px, its corners exact."""
    step = 2 * math.pi / ANGLES
    angle = np.arange(ANGLES) * step
    own = _boundary(parts, x, y, angle, h, w).argmin(axis=0)
    low = angle[own != np.roll(own, -1)]
    one, two = own[own != np.roll(own, -1)], np.roll(own, -1)[own != np.roll(own, -1)]
    high, row = low + step, np.arange(low.size)
    for _ in range(20):  # halves the step until the corner is found to 1e-8 rad
        mid = (low + high) / 2
        v = _boundary(parts, x, y, mid, h, w)
        before = v[one, row] <= v[two, row]
        low, high = np.where(before, mid, low), np.where(before, high, mid)
    corners = np.arctan2(np.array([0, 0, h, h]) - y, np.array([0, w, w, 0]) - x)
    framed = _boundary(parts, x, y, corners, h, w).argmin(axis=0) == len(parts)
    turn = np.concatenate([high, corners[framed]])
    if (parts[:, 2] < FLAT_PX).any():
        turn = np.concatenate([turn, angle])
    turn = np.unique(turn % (2 * math.pi))
    r = _boundary(parts, x, y, turn, h, w).min(axis=0)
    return np.stack([x + r * np.cos(turn), y + r * np.sin(turn)], axis=1)


def _box(parts: Points, x: float, y: float, h: int, w: int) -> list[float] | None:
    """left, top, right, bottom of flat sides; None if one is bowed or tilted."""
    box = [0.0, 0.0, float(w), float(h)]
    for cx, cy, r in parts:
        turn = math.atan2(y - cy, x - cx)
        quarter = round(turn / (math.pi / 2))
        if r < FLAT_PX or abs(turn - quarter * math.pi / 2) > UPRIGHT_RAD:
            return None
        side = (2, 3, 0, 1)[quarter % 4]
        box[side] = (cx + r, cy + r, cx - r, cy - r)[quarter % 4]
    return box


def span_of(
    parts: Points, x: float, y: float, h: int, w: int, width_px: int, height_px: int,
    confidence: float,
) -> FieldSpan:
    """The field of a form that holds (x, y), in pixels of the full picture; no time yet.

    parts: (n, 3), n > 0, on the evidence grid of h x w px.
    """
    sx, sy = width_px / w, height_px / h
    disc = is_round(parts, h, w)
    box = _box(parts[~disc], x, y, h, w) if disc.sum() == 1 else None
    points: Points | None = None
    shape: Shape = "other"
    if box is not None:
        cx, cy, r = parts[disc][0]
        cut = (cx - r - box[0], cy - r - box[1], box[2] - cx - r, box[3] - cy - r)
        shape = "circle-clipped" if min(cut) < -TOUCH_RATIO * h else "circle"
    else:
        points = outline(parts, x, y, h, w)
        box = [*points.min(axis=0), *points.max(axis=0)]
        if disc.any():
            shape = "circle-clipped"
            cx, cy, r = parts[disc][0]
        else:
            m = cv2.moments(points.astype(np.float32))
            cx, cy, r = m["m10"] / m["m00"], m["m01"] / m["m00"], math.sqrt(m["m00"] / math.pi)
    return FieldSpan(
        start_s=0.0, stop_s=0.0, shape=shape, confidence=confidence,
        center_x_px=cx * sx, center_y_px=cy * sy, radius_px=r * math.sqrt(sx * sy),
        left_px=box[0] * sx, top_px=box[1] * sy, right_px=box[2] * sx, bottom_px=box[3] * sy,
        outline_px=None if points is None else [(float(a * sx), float(b * sy)) for a, b in points],
    )  # fmt: skip
