"""Registration of two small pictures of the same scene: how the view moved between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
GAMMA = 2.2
LUMA = np.array([0.3, 0.5, 0.2], np.float32)
CLIP_LEVEL = 250
# a highlight stands this many times the usual deviation, and a few levels, over its surround
HIGHLIGHT_SD, HIGHLIGHT_LEVELS = 2.2, 4.0
_LINEAR = ((np.arange(256) / 255.0) ** GAMMA).astype(np.float32)


@dataclass
class Prepared:
    """One small picture, cropped to the field.

    stack: float32 (row, col, 4), linear light per channel, 1 at full scale, and `ok`.
    luma: float32 (row, col), weighted sum of the channels, linear.
    ok: float32 (row, col), 1 where the pixel may be used.
    norm: uint8 (row, col), locally normalised luma, 128 = local mean.
    """

    stack: F32
    luma: F32
    ok: F32
    norm: U8
    number: int = 0


def brightest(rgb: U8) -> U8:
    """(row, col) greatest of the channels; numpy's own max over a last axis of three is slow."""
    return np.maximum(np.maximum(rgb[..., 0], rgb[..., 1]), rgb[..., 2])


def blurred(plane: F32, sigma: float) -> F32:
    """(row, col) Gaussian blur, nothing beyond the edges; one plane at a time is the quickest."""
    import cv2

    size = 2 * round(2.5 * sigma) + 1
    out: Any = cv2.GaussianBlur(plane, (size, size), sigma, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(out)


def prepare(rgb: U8, ok: U8, number: int = 0) -> Prepared:
    """Prepare a crop. ok: uint8 (row, col), 1 inside the field and not excluded."""
    import cv2

    linear: Any = cv2.LUT(rgb, _LINEAR)
    luma: Any = cv2.transform(linear, LUMA[None])
    top = brightest(rgb)
    field = ok.astype(np.float32)
    gray = cv2.sqrt(luma) * (np.float32(255) * field)
    sums: Any = cv2.boxFilter(cv2.merge([field, gray, gray * gray]), -1, (11, 11))
    weight = sums[..., 0] + np.float32(1e-3)
    mean = sums[..., 1] / weight
    var = np.maximum(sums[..., 2] / weight - mean * mean, 0)
    dev = (gray - mean) * field
    sd = np.sqrt(var)
    norm = np.clip(dev * (np.float32(45) / (sd + 1)) + np.float32(128), 0, 255)
    # a highlight clips before the picture is reduced, so it loses no contrast under fog
    bright = dev > np.float32(HIGHLIGHT_SD) * (sd + np.float32(HIGHLIGHT_LEVELS))
    hot = (bright | (top >= CLIP_LEVEL)).astype(np.uint8)
    clipped: Any = cv2.dilate(hot, np.ones((5, 5), np.uint8))
    use = ok & (1 - clipped)
    usef = use.astype(np.float32)
    stack: Any = cv2.merge([linear[..., 0], linear[..., 1], linear[..., 2], usef])
    return Prepared(stack, luma, usef, norm.astype(np.uint8), number)


@dataclass
class Motion:
    """Displacement field between two pictures: affine on mid points, plus a smooth rest.

    affine: (2, 3), displacement (dx, dy) = affine @ (x, y, 1) at the mid point.
    rest: float32 (gy, gx, 2), smooth rest on a coarse grid.
    inliers: share of grid points that follow; below 0.35 the track is lost.
    points, apart: (n, 2) mid points of all that were found again, those that do not follow
    too, and by how much their displacement is not the affine one.
    """

    affine: F64
    rest: F32
    inliers: float
    points: F64
    apart: F64


def grid_points(ok: F32, step: int = 7) -> F32:
    """float32 (n, 2) x, y of grid points inside the usable picture."""
    rows, cols = ok.shape
    y = np.arange(step // 2 + 2, rows - 3, step)
    x = np.arange(step // 2 + 2, cols - 3, step)
    yy, xx = np.meshgrid(y, x, indexing="ij")
    keep = ok[yy, xx] > 0.5
    return np.stack([xx[keep], yy[keep]], -1).astype(np.float32)


def find_motion(a: Prepared, b: Prepared, start: F64 | None = None) -> Motion | None:
    """Motion from picture a to picture b, or None where the track is lost.

    start: (2, 3) displacement affine to begin the search with.
    """
    import cv2

    p0 = grid_points(a.ok)
    if len(p0) < 12:
        return None
    flags = 0
    guess: Any = None
    if start is not None:
        flags = cv2.OPTFLOW_USE_INITIAL_FLOW
        guess = (p0 + p0 @ start[:, :2].T + start[:, 2]).astype(np.float32)
    p1, status, _err = cv2.calcOpticalFlowPyrLK(
        a.norm,
        b.norm,
        p0,
        guess,
        winSize=(13, 13),
        maxLevel=2,
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 12, 0.03),
        flags=flags,
        minEigThreshold=1e-3,
    )
    p1 = np.asarray(p1, np.float32)
    rows, cols = a.ok.shape
    good = (
        (status.ravel() == 1)
        & (p1[:, 0] > 2)
        & (p1[:, 0] < cols - 3)
        & (p1[:, 1] > 2)
        & (p1[:, 1] < rows - 3)
    )
    if good.sum() < 10:
        return None
    q0, q1 = p0[good], p1[good]
    inside = b.ok[q1[:, 1].astype(int), q1[:, 0].astype(int)] > 0.5
    q0, q1 = q0[inside], q1[inside]
    if len(q0) < 10:
        return None
    _model, keep = cv2.estimateAffinePartial2D(
        q0,
        q1,
        method=cv2.RANSAC,
        ransacReprojThreshold=1.6,
        maxIters=100,
        confidence=0.98,
        refineIters=0,
    )
    if keep is None:
        return None
    sel = keep.ravel() > 0
    share = float(sel.sum()) / len(p0)
    q0, q1 = q0.astype(np.float64), q1.astype(np.float64)
    if sel.sum() < 10:
        return None
    points, moved = 0.5 * (q0 + q1), q1 - q0
    mid, disp = points[sel], moved[sel]
    design = np.c_[mid, np.ones(len(mid))]
    normal = design.T @ design + 1e-6 * np.eye(3)
    affine = np.linalg.solve(normal, design.T @ disp).T
    if np.abs(affine[:, :2]).max() > 0.5:
        return None
    rest = disp - design @ affine.T
    # smooth rest on a grid of 9 px
    gy, gx = -(-rows // 9), -(-cols // 9)
    cell = (mid[:, 1] / 9).astype(int) * gx + (mid[:, 0] / 9).astype(int)
    acc = (
        np.stack(
            [np.bincount(cell, v, gy * gx) for v in (rest[:, 0], rest[:, 1], np.ones(len(rest)))],
            -1,
        )
        .reshape(gy, gx, 3)
        .astype(np.float32)
    )
    acc = np.asarray(cv2.GaussianBlur(acc, (5, 5), 0.9, borderType=cv2.BORDER_CONSTANT))
    smooth = acc[..., :2] / (acc[..., 2:] + np.float32(0.15))
    apart = moved - points @ affine[:, :2].T - affine[:, 2]
    return Motion(affine, smooth, share, points, apart)
