"""Boundary, mask and area of a field, the field that a person gave, and the safest mask."""

from __future__ import annotations

import math
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.rays import Points, radii
from pipeline.model.field import FieldSpan


def outline_of(span: FieldSpan, n: int = 360) -> Points:
    """Boundary of the lit picture as a closed polygon, (n, 2) x and y in px."""
    if span.outline_px is not None:
        return np.asarray(span.outline_px, np.float64)
    box = (span.left_px, span.top_px, span.right_px, span.bottom_px)
    if span.shape == "none":
        left, top, right, bottom = box
        return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    x = (max(box[0], span.center_x_px - span.radius_px)
         + min(box[2], span.center_x_px + span.radius_px)) / 2
    y = (max(box[1], span.center_y_px - span.radius_px)
         + min(box[3], span.center_y_px + span.radius_px)) / 2
    angle = np.arange(n) * (2 * math.pi / n)
    c, s = np.cos(angle), np.sin(angle)
    with np.errstate(divide="ignore", invalid="ignore"):
        to_x = np.where(c > 0, (box[2] - x) / c, (box[0] - x) / c)
        to_y = np.where(s > 0, (box[3] - y) / s, (box[1] - y) / s)
    to_x[np.abs(c) < 1e-12], to_y[np.abs(s) < 1e-12] = np.inf, np.inf
    disc = np.array([[span.center_x_px, span.center_y_px, span.radius_px]])
    r = np.minimum(np.minimum(to_x, to_y), radii(x, y, angle, disc)[0])
    return np.stack([x + r * np.cos(angle), y + r * np.sin(angle)], axis=1)


def filled(outline: Points, h: int, w: int) -> NDArray[np.uint8]:
    """Mask of a closed outline (k, 2) in grid px: (row, col) uint8, 1 inside."""
    mask = np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16 - 8).astype(np.int32)], 1, shift=4)
    return mask


def field_mask(
    span: FieldSpan, height_px: int, width_px: int, inset_px: float = 0.0, scale: float = 1.0
) -> NDArray[np.uint8]:
    """Mask of the lit picture: (row, col) uint8, 255 inside, 0 outside.

    height_px, width_px: size of the mask. scale: mask pixels per pixel of the
    full picture (0.5 for a halved chroma plane). A pixel is inside if its
    centre is. inset_px: the boundary is moved inwards by this many pixels of
    the full picture, except where it is the edge of the frame itself.
    """
    frame_w, frame_h = width_px / scale, height_px / scale
    x = ((np.arange(width_px) + 0.5) / scale)[None, :]
    y = ((np.arange(height_px) + 0.5) / scale)[:, None]
    if span.shape == "none":
        return np.full((height_px, width_px), 255, np.uint8)
    if span.outline_px is None:
        sides = [span.left_px, span.top_px, -span.right_px, -span.bottom_px]
        limits = [0.0, 0.0, -frame_w, -frame_h]
        left, top, right, bottom = (
            s + inset_px if s > limit + 0.75 else s for s, limit in zip(sides, limits, strict=True)
        )
        r = max(span.radius_px - inset_px, 0.0)
        off_x, off_y = (x - span.center_x_px) ** 2, (y - span.center_y_px) ** 2
        cols = _stretch(((x >= left) & (x < -right) & (off_x <= r * r))[0])
        rows = _stretch(((y >= top) & (y < -bottom) & (off_y <= r * r))[:, 0])
        mask = np.zeros((height_px, width_px), np.uint8)
        mask[rows, cols] = (off_x[:, cols] + off_y[rows] <= r * r) * np.uint8(255)
        return mask
    points = np.asarray(span.outline_px, np.float64)
    edges = np.roll(points, -1, axis=0) - points
    length = np.hypot(edges[:, 0], edges[:, 1])
    points, edges, length = points[length > 1e-9], edges[length > 1e-9], length[length > 1e-9]
    area2 = float((points[:, 0] * np.roll(points[:, 1], -1)
                   - points[:, 1] * np.roll(points[:, 0], -1)).sum())
    turn = edges[:, 0] * np.roll(edges[:, 1], -1) - edges[:, 1] * np.roll(edges[:, 0], -1)
    sign = math.copysign(1.0, area2)
    if bool((sign * turn >= -1e-9 * length * np.roll(length, -1)).all()):
        inside = np.ones((height_px, width_px), bool)
        for (px, py), (ex, ey), size in zip(points, edges, length, strict=True):
            nx, ny = sign * ey / size, -sign * ex / size
            mx, my = px + ex / 2, py + ey / 2
            at_frame = (abs(nx) > 0.99 and min(mx, frame_w - mx) < 0.75) or (
                abs(ny) > 0.99 and min(my, frame_h - my) < 0.75
            )
            inset = 0.0 if at_frame else inset_px
            inside &= (x - px) * nx + (y - py) * ny <= -inset + 1e-9
        return inside.astype(np.uint8) * np.uint8(255)
    from skimage.draw import polygon as fill

    rows, cols = fill(  # type: ignore[no-untyped-call]
        points[:, 1] * scale - 0.5, points[:, 0] * scale - 0.5, (height_px, width_px)
    )
    mask = np.zeros((height_px, width_px), np.uint8)
    mask[rows, cols] = 255
    if inset_px > 0:
        distance = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        mask[distance < inset_px * scale + 0.5] = 0
    return mask


def _stretch(inside: NDArray[np.bool_]) -> slice:
    """From the first True to the last; empty without one."""
    first = int(inside.argmax())
    return slice(first, first + int(np.count_nonzero(inside)))


def lit_area_px2(span: FieldSpan) -> float:
    """Area of the lit picture in square pixels: circle cut by the box, or polygon.

    The circle's part is integrated in closed form between the abscissae where
    the circle meets the box: the integral of sqrt(r^2 - x^2) is
    (x sqrt(r^2 - x^2) + r^2 asin(x / r)) / 2.
    """
    if span.outline_px is not None:
        p = np.asarray(span.outline_px, np.float64)
        q = np.roll(p, -1, axis=0)
        return abs(float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum())) / 2
    left, right = span.left_px - span.center_x_px, span.right_px - span.center_x_px
    top, bottom = span.top_px - span.center_y_px, span.bottom_px - span.center_y_px
    if span.shape == "none":
        return max(right - left, 0.0) * max(bottom - top, 0.0)
    r = span.radius_px
    lo, hi = max(left, -r), min(right, r)
    if hi <= lo or bottom <= top:
        return 0.0
    knots = {lo, hi}
    for level in (top, bottom):
        if abs(level) < r:
            half = math.sqrt(r * r - level * level)
            knots |= {v for v in (-half, half) if lo < v < hi}

    def under(v: float) -> float:
        v = min(max(v, -r), r)
        return (v * math.sqrt(r * r - v * v) + r * r * math.asin(v / r)) / 2

    total = 0.0
    order = sorted(knots)
    for a, b in pairwise(order):
        m = (a + b) / 2
        s = math.sqrt(max(r * r - m * m, 0.0))
        if min(s, bottom) <= max(-s, top):
            continue
        lower = under(b) - under(a) if s <= bottom else bottom * (b - a)
        upper = -(under(b) - under(a)) if -s >= top else top * (b - a)
        total += lower - upper
    return total


def given_field(
    numbers: list[float], width_px: int, height_px: int, duration_s: float
) -> FieldSpan:
    """The field that a person gave: 3 numbers (centre x, y, radius) or 7 (and the box), px.

    Raises ValueError if there are neither 3 nor 7 numbers or they leave no picture.
    """
    if len(numbers) not in (3, 7):
        raise ValueError("a field takes 3 or 7 numbers")
    x, y, r = (float(v) for v in numbers[:3])
    box = [0.0, 0.0, float(width_px), float(height_px)]
    if len(numbers) == 7:
        given = [float(v) for v in numbers[3:]]
        box = [max(box[0], given[0]), max(box[1], given[1]),
               min(box[2], given[2]), min(box[3], given[3])]
    cut = x - r < box[0] or y - r < box[1] or x + r > box[2] or y + r > box[3]
    span = FieldSpan(
        start_s=0.0, stop_s=duration_s, shape="circle-clipped" if cut else "circle",
        center_x_px=x, center_y_px=y, radius_px=r,
        left_px=box[0], top_px=box[1], right_px=box[2], bottom_px=box[3], confidence=1.0,
    )
    if r <= 0 or lit_area_px2(span) <= 0:
        raise ValueError("the field given leaves no picture")
    return span


def safest_span(spans: list[FieldSpan]) -> FieldSpan:
    """The mask to blank with where the field is unsure: inside every candidate.

    It covers the time of all spans, lies inside each of them that has a field,
    and another 2 % of the radius further in. Without any candidate it is the
    circle of 0.4 of the shorter side in the middle of the frame. Where the
    candidates do not overlap it lies inside the smallest.
    """
    if not spans:
        raise ValueError("no spans")
    start, stop = min(s.start_s for s in spans), max(s.stop_s for s in spans)
    sure = min(s.confidence for s in spans)
    candidates = [s for s in spans if s.shape != "none"]
    frame = max(spans, key=lambda s: s.right_px * s.bottom_px)
    if not candidates:
        w, h = frame.right_px, frame.bottom_px
        return FieldSpan(
            start_s=start, stop_s=stop, shape="circle", center_x_px=w / 2, center_y_px=h / 2,
            radius_px=0.4 * min(w, h), left_px=0, top_px=0, right_px=w, bottom_px=h,
            confidence=sure,
        )
    outlines = [outline_of(s) for s in candidates]
    smallest = min(range(len(candidates)), key=lambda i: lit_area_px2(candidates[i]))
    w, h = math.ceil(frame.right_px) + 1, math.ceil(frame.bottom_px) + 1
    k = min(1.0, 480 / max(h, 1))
    size = (int(h * k) + 2, int(w * k) + 2)

    def inside(i: int) -> NDArray[np.uint8]:
        return filled(outlines[i] * k, *size)

    common = inside(0)
    for i in range(1, len(outlines)):
        common &= inside(i)
    if cv2.countNonZero(common) < 0.3 * cv2.countNonZero(inside(smallest)):
        common = inside(smallest)
    margin = 0.02 * candidates[smallest].radius_px * k + 1
    padded = np.pad(common, 1)
    deep = cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
    core = (deep > margin).astype(np.uint8)
    if not cv2.countNonZero(core):
        core = common
    contours, _ = cv2.findContours(core, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    ring = max(contours, key=cv2.contourArea)[:, 0].astype(np.float64)
    points = (ring + 0.5) / k
    area = max(float(cv2.contourArea(points.astype(np.float32))), 1.0)
    moment = cv2.moments(points.astype(np.float32))
    cx = moment["m10"] / moment["m00"] if moment["m00"] else float(points[:, 0].mean())
    cy = moment["m01"] / moment["m00"] if moment["m00"] else float(points[:, 1].mean())
    return FieldSpan(
        start_s=start, stop_s=stop, shape="other", center_x_px=cx, center_y_px=cy,
        radius_px=math.sqrt(area / math.pi),
        left_px=float(points[:, 0].min()), top_px=float(points[:, 1].min()),
        right_px=float(points[:, 0].max()), bottom_px=float(points[:, 1].max()),
        outline_px=[(float(px), float(py)) for px, py in points], confidence=sure,
    )
