"""Where the work happens in the field, over a recording: what a mark must not cover."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan

GRID = 33
"""Cells of the activity grids across [-1, 1]."""
_FINE = 4  # samples per cell and axis
_CENTRE_REACH = 0.45  # common practice, no source: the work is kept near the middle of the picture
_COST = {"centre": 0.35, "motion": 0.2, "instrument": 0.2, "detail": 0.1, "glare": 0.15}


class ActivityFold:
    """Where the work happens: field-relative grids over a recording, from small samples.

    fields: spans of the scope field on the picture of width_px x height_px.
    A fold: `step` takes small samples in order (120 to 240 rows), `finish` returns
    arrays (GRID, GRID) float64 over [-1, 1] x [-1, 1], rows down, NaN where nothing was lit:

    motion: mean change of L* between samples, the change of the whole picture taken off.
    instrument: share of samples in which the cell is mostly grey as metal is
        (a* b* chroma under 12 in a scene that is otherwise coloured) and not glare.
    detail: mean absolute second difference of L*.
    lightness_mean, lightness_spread: mean and standard deviation of L* over time.
    glare: share of samples clipped to white (L* above 97).
    samples: (1,) number of samples that counted.
    """

    SAMPLE_RATE_HZ = 2.0
    _KEYS = ("motion", "instrument", "detail", "lightness", "square", "glare")

    def __init__(self, fields: list[FieldSpan], width_px: int, height_px: int) -> None:
        self._fields = fields
        self._size = (width_px, height_px)
        self._sum = {key: np.zeros((GRID, GRID)) for key in self._KEYS}
        self._lit = np.zeros((GRID, GRID))
        self._lit_motion = np.zeros((GRID, GRID))
        self._last: tuple[float, FieldSpan, NDArray[np.float32]] | None = None
        self._samples = 0

    def step(self, time_s: float, rgb: NDArray[np.uint8]) -> None:
        """One sample: rgb (row, col, 3) uint8, the whole picture made smaller."""
        import cv2

        field = next((f for f in self._fields if f.start_s <= time_s < f.stop_s), None)
        if field is None or field.radius_px <= 0:
            return
        scale_x, scale_y = rgb.shape[1] / self._size[0], rgb.shape[0] / self._size[1]
        lab = cv2.cvtColor(rgb.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
        # the first plane is L* 0..100; second differences on the sample itself
        detail = np.abs(cv2.Laplacian(lab[..., 0], cv2.CV_32F))
        fine = GRID * _FINE
        per_px = field.radius_px * 2 / fine
        x = (field.center_x_px + (np.arange(fine) + 0.5 - fine / 2) * per_px).astype(np.float32)
        y = (field.center_y_px + (np.arange(fine) + 0.5 - fine / 2) * per_px).astype(np.float32)
        map_x, map_y = np.meshgrid(x * scale_x - 0.5, y * scale_y - 0.5)
        map_x, map_y = map_x.astype(np.float32), map_y.astype(np.float32)
        planes = cv2.remap(np.dstack([lab, detail]), map_x, map_y, cv2.INTER_LINEAR)
        lit = lit_grid(field, fine)
        light = planes[..., 0]
        colour = np.hypot(planes[..., 1], planes[..., 2])
        glare = light > 97
        coloured = bool(lit.any()) and float(np.median(colour[lit])) > 18
        metal = (colour < 12) & (light > 20) & ~glare if coloured else np.zeros_like(glare)
        count = _cells(lit)
        values = {
            "instrument": (_cells(metal & lit) > 0.5 * np.maximum(count, 1e-9)) * count,
            "detail": _cells(planes[..., 3] * lit),
            "lightness": _cells(light * lit),
            "square": _cells(light * light * lit),
            "glare": _cells(glare & lit),
        }
        for key, value in values.items():
            self._sum[key] += value
        self._lit += count
        self._samples += 1
        if self._last is not None and self._last[1] is field and time_s - self._last[0] < 2.0:
            change = light - self._last[2]
            if lit.any():
                change = change - float(np.median(change[lit]))
            self._sum["motion"] += _cells(np.abs(change) * lit)
            self._lit_motion += count
        self._last = (time_s, field, light.astype(np.float32))

    def finish(self) -> dict[str, NDArray[np.float64]]:
        """The grids; see the class."""
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = {k: v / self._lit for k, v in self._sum.items() if k != "motion"}
            motion = self._sum["motion"] / self._lit_motion
        spread = np.sqrt(np.maximum(mean["square"] - mean["lightness"] ** 2, 0))
        return {
            "motion": np.where(self._lit_motion > 0, motion, np.nan),
            "instrument": mean["instrument"],
            "detail": mean["detail"],
            "lightness_mean": mean["lightness"],
            "lightness_spread": spread,
            "glare": mean["glare"],
            "samples": np.array([float(self._samples)]),
        }


def grid_axis(size: int) -> NDArray[np.float64]:
    return np.asarray((np.arange(size) + 0.5) * 2 / size - 1)


def lit_grid(field: FieldSpan, size: int) -> NDArray[np.bool_]:
    """Which of size x size cells over [-1, 1]^2 are lit."""
    if field.outline_px is not None and len(field.outline_px) >= 3:
        import cv2

        away = np.array(field.outline_px) - (field.center_x_px, field.center_y_px)
        shape = away / field.radius_px
        mask = np.zeros((size, size), np.uint8)
        points = np.round(((shape + 1) * size / 2 - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(mask, [points], 1, shift=4)
        return mask.astype(bool)
    x, y = np.meshgrid(grid_axis(size), grid_axis(size))
    left, top = field.relative(field.left_px, field.top_px)
    right, bottom = field.relative(field.right_px, field.bottom_px)
    inside = (x >= left) & (x < right) & (y >= top) & (y < bottom)
    if field.shape in ("circle", "circle-clipped"):
        inside &= x * x + y * y <= 1
    return np.asarray(inside)


def _cells(fine: NDArray[np.generic]) -> NDArray[np.float64]:
    """Sum the fine samples of each cell."""
    return np.asarray(fine.astype(np.float64).reshape(GRID, _FINE, GRID, _FINE).sum(axis=(1, 3)))


def cost_map(
    fields: list[FieldSpan],
    activity: dict[str, NDArray[np.float64]] | None,
    lettering_boxes: list[tuple[float, float, float, float]],
) -> NDArray[np.float64]:
    """How much a mark would disturb at each place: (GRID, GRID), about 0..1, above 1 on lettering.

    Each measure counts relative to its own spread over the field, so that a calm recording does not
    make its noise into activity.
    """
    x, y = np.meshgrid(grid_axis(GRID), grid_axis(GRID))
    out = _COST["centre"] * np.exp(-(x * x + y * y) / _CENTRE_REACH**2)
    if activity is not None and float(activity["samples"][0]) >= 4:
        # below these values nothing happens, whatever the recording: L* per half second, share, ...
        floor = {"motion": 6.0, "instrument": 0.25, "detail": 8.0, "glare": 0.1}
        for key, least in floor.items():
            grid = activity[key]
            known = np.isfinite(grid)
            if known.any():
                low, high = np.percentile(grid[known], [10, 95])
                part = np.clip((grid - low) / max(high - low, least), 0, 1)
                out += _COST[key] * np.where(known, part, 0.0)
    cell = 1 / GRID
    for box in lettering_boxes:
        for field in fields:
            x0, y0 = field.relative(box[0], box[1])
            x1, y1 = field.relative(box[0] + box[2], box[1] + box[3])
            out[(x > x0 - cell) & (x < x1 + cell) & (y > y0 - cell) & (y < y1 + cell)] += 1.0
    return np.asarray(out)
