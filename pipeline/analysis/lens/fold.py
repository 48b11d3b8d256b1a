"""Lens disturbances: contrast loss by fog, and the series that tell it from others.

Fog follows Koschmieder's law I = J t + A (1 - t) in linear light, so every
difference of the same scene scales by t, and the contrast loss is 1 - t against
the same scene seen clear. The clear reference comes from the recording: samples
of the same scene are registered, their contrast ratios and brightness compared,
and fog, camera gain and airlight solved for together (`solve`).
"""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np

from pipeline.analysis.lens import bend, finest, pairs, registration
from pipeline.analysis.lens.reading import solve_tables
from pipeline.analysis.lens.tables import (
    BLOCK_WIDTH,
    CELLS,
    CLIPPED_MOST,
    CLIPPED_PIXEL,
    DARK,
    DARK_LEVEL,
    DARK_PIXEL,
    F32,
    F64,
    LAGS,
    LEAST_INLIERS,
    MEAN,
    PAIR_WIDTH,
    SAMPLE_WIDTH,
    SHARP,
    SHARP_WIDTH,
    SHEET,
    SHEET_PX,
    U8,
    WORK_PX,
    GrowingTable,
    LensResult,
    Tables,
    column_bounds,
)
from pipeline.model.field import FieldSpan


class LensFold:
    """Measure the lens over one recording.

    fields: field geometry on the working picture of width_px x height_px.
    Feed samples in time order with `step`, then call `finish` once. Memory: about
    2 kB per sample and a ring of six small pictures.
    """

    SAMPLE_RATE_HZ = 5.0
    SAMPLE_MAX_ROWS_PX = 120

    def __init__(self, fields: list[FieldSpan], width_px: int, height_px: int) -> None:
        self._fields = list(fields)
        self._size = (width_px, height_px)
        self._has_round = any(f.shape != "none" for f in self._fields)
        self._samples = GrowingTable(SAMPLE_WIDTH)
        self._pairs = GrowingTable(PAIR_WIDTH)
        self._blocks = GrowingTable(BLOCK_WIDTH)
        self._sharp = GrowingTable(SHARP_WIDTH)
        self._times: list[float] = []
        self._ring: deque[registration.Prepared | None] = deque(maxlen=max(LAGS))
        self._motions: deque[F64 | None] = deque(maxlen=max(LAGS))
        self._comparer: pairs.Comparer | None = None
        self._shape: tuple[int, int] = (0, 0)
        self._box: tuple[int, int, int, int] = (0, 0, 0, 0)
        self._work: tuple[int, int] = (0, 0)
        self._mask_of: tuple[int, U8] | None = None

    # -- geometry ---------------------------------------------------------------

    def _start(self, rows: int, cols: int) -> None:
        """Crop box over all spans that have a field, and the working size."""
        self._shape = (rows, cols)
        sx, sy = cols / self._size[0], rows / self._size[1]
        use = [f for f in self._fields if f.shape != "none"] or self._fields
        if use:
            boxes = [column_bounds(f) for f in use]
            left, top = min(b[0] for b in boxes), min(b[1] for b in boxes)
            right, bottom = max(b[2] for b in boxes), max(b[3] for b in boxes)
        else:
            left, top, right, bottom = 0.0, 0.0, float(self._size[0]), float(self._size[1])
        x0, x1 = max(0, int(left * sx)), min(cols, int(np.ceil(right * sx)))
        y0, y1 = max(0, int(top * sy)), min(rows, int(np.ceil(bottom * sy)))
        if x1 - x0 < 24 or y1 - y0 < 24:
            x0, y0, x1, y1 = 0, 0, cols, rows
        self._box = (x0, y0, x1, y1)
        scale = min(1.0, WORK_PX / np.sqrt((x1 - x0) * (y1 - y0)))
        self._work = (_eights((y1 - y0) * scale), _eights((x1 - x0) * scale))
        self._comparer = pairs.Comparer(*self._work)

    def _span(self, time_s: float) -> int:
        for k, f in enumerate(self._fields):
            if f.start_s <= time_s < f.stop_s:
                return k
        return -1

    def _mask(self, span: int) -> U8:
        """uint8 (row, col) of the working crop: 1 well inside the field."""
        if self._mask_of is not None and self._mask_of[0] == span:
            return self._mask_of[1]
        import cv2

        rows, cols = self._work
        mask = np.ones((rows, cols), np.uint8)
        if span >= 0 and self._fields[span].shape != "none":
            f = self._fields[span]
            x0, y0, x1, y1 = self._box
            kx = (x1 - x0) / cols * self._size[0] / self._shape[1]
            ky = (y1 - y0) / rows * self._size[1] / self._shape[0]
            xs = (np.arange(cols) + 0.5) * kx + x0 * self._size[0] / self._shape[1]
            ys = (np.arange(rows) + 0.5) * ky + y0 * self._size[1] / self._shape[0]
            if f.outline_px is not None and len(f.outline_px) >= 3:
                poly = np.array([[(x - xs[0]) / kx, (y - ys[0]) / ky] for x, y in f.outline_px])
                mask[:] = 0
                cv2.fillPoly(mask, [np.rint(poly).astype(np.int32)], (1,))
            else:
                inside = (
                    np.hypot(xs[None] - f.center_x_px, ys[:, None] - f.center_y_px) < f.radius_px
                )
                inside &= (xs > f.left_px)[None] & (xs < f.right_px)[None]
                inside &= (ys > f.top_px)[:, None] & (ys < f.bottom_px)[:, None]
                mask = inside.astype(np.uint8)
            mask = np.asarray(cv2.erode(mask, np.ones((3, 3), np.uint8), iterations=2), np.uint8)
        self._mask_of = (span, mask)
        return mask

    # -- fold -------------------------------------------------------------------

    def step(self, time_s: float, rgb: U8, exclude: U8 | None = None) -> None:
        """One sample.

        rgb: uint8 (row, col, 3), gamma-coded working picture, reduced by area.
        exclude: uint8 (row, col), nonzero where a mark or lettering lies.
        Raises ValueError if the size changes or time does not grow.
        """
        import cv2

        if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
            raise ValueError(f"rgb must be uint8 (row, col, 3), got {rgb.dtype} {rgb.shape}")
        if self._comparer is None:
            self._start(rgb.shape[0], rgb.shape[1])
        if rgb.shape[:2] != self._shape:
            raise ValueError(f"sample size changed from {self._shape} to {rgb.shape[:2]}")
        if self._times and time_s <= self._times[-1]:
            raise ValueError("samples must be in time order")
        assert self._comparer is not None
        number = len(self._times)
        self._times.append(float(time_s))
        span = self._span(time_s)
        has_field = span >= 0 and (self._fields[span].shape != "none" or not self._has_round)
        ok = self._mask(span)
        x0, y0, x1, y1 = self._box
        rows, cols = self._work
        small: Any = cv2.resize(rgb[y0:y1, x0:x1], (cols, rows), interpolation=cv2.INTER_AREA)
        if exclude is not None:
            part: Any = cv2.resize(
                (exclude[y0:y1, x0:x1] > 0).astype(np.uint8),
                (cols, rows),
                interpolation=cv2.INTER_NEAREST,
            )
            grown: Any = cv2.dilate(part, np.ones((3, 3), np.uint8))
            ok = ok & (1 - grown)
        now = registration.prepare(small, ok, number)
        row, sharp = self._sample_row(small, ok, now, has_field)
        row[SHARP] = finest.finest(rgb[y0:y1, x0:x1], now.ok)
        self._samples.add(row)
        level, clipped = float(row[6]), float(row[8])
        usable = has_field and level > DARK_LEVEL and clipped < CLIPPED_MOST and now.ok.sum() > 300
        motion: F64 | None = None
        bent = np.zeros(CELLS)
        if usable:
            for lag in LAGS:
                if lag > len(self._ring):
                    continue
                before = self._ring[-lag]
                if before is None:
                    continue
                start = None
                if lag > 1:
                    parts = [motion, *list(self._motions)[::-1][: lag - 1]]
                    if any(m is None for m in parts):
                        continue
                    start = np.sum([m for m in parts if m is not None], axis=0)
                found = registration.find_motion(before, now, start)
                if found is None or found.inliers < LEAST_INLIERS:
                    continue
                if lag == 1:
                    motion = found.affine
                    bent = bend.anyhow(found, *self._work)
                reading = self._comparer.compare(before, now, found)
                if reading is None:
                    continue
                if lag == max(LAGS):
                    self._blocks.add(
                        np.concatenate(
                            [
                                [self._pairs.rows],
                                reading.detail.ravel(),
                                reading.detail_weight.ravel(),
                                found.affine.ravel(),
                            ]
                        )
                    )
                r = reading
                self._pairs.add(np.r_[r.i, r.j, r.log_ratio, r.log_sd, r.mean_i, r.mean_j])
        self._sharp.add(np.r_[sharp, bent] if usable else np.zeros(SHARP_WIDTH))
        self._ring.append(now if usable else None)
        self._motions.append(motion)

    def _sample_row(
        self, small: U8, ok: U8, now: registration.Prepared, has_field: bool
    ) -> tuple[F32, F32]:
        """Row of the sample table and (128,) of the sharpness of the blocks."""
        import cv2

        assert self._comparer is not None
        row = np.full(SAMPLE_WIDTH, np.nan, np.float32)
        inside = ok > 0
        count = int(inside.sum())
        row[13] = float(has_field)
        if count < 100:
            return row, np.zeros(2 * CELLS, np.float32)
        row[MEAN] = cv2.mean(now.stack, ok)[:3]
        row[DARK] = _dark_bound(now.stack, ok)
        pixels = small[inside]
        gray: Any = pixels @ np.array([0.299, 0.587, 0.114], np.float32)
        top = registration.brightest(pixels)
        red, green, blue = pixels[:, 0], pixels[:, 1], pixels[:, 2]
        lit = top > 40
        lit_count = max(1, int(np.count_nonzero(lit)))
        spread = (top - np.minimum(np.minimum(red, green), blue)) / np.maximum(top, np.uint8(1))
        foreign = (red < np.maximum(green, blue) * np.float32(1.04)) & lit & (top < CLIPPED_PIXEL)
        row[6] = gray.mean() / 255
        row[7] = spread[lit].sum() / lit_count
        row[8] = np.count_nonzero(top >= CLIPPED_PIXEL) / count
        clipped = (registration.brightest(small) >= CLIPPED_PIXEL).astype(np.uint8) & ok
        sheet: Any = cv2.morphologyEx(clipped, cv2.MORPH_OPEN, np.ones((SHEET_PX, SHEET_PX)))
        row[SHEET] = np.count_nonzero(sheet) / count
        row[9] = np.count_nonzero(gray < DARK_PIXEL) / count
        row[10] = np.count_nonzero(foreign) / lit_count
        # fine and coarse contrast of luma, over the usable pixels
        lit_luma = now.luma * now.ok
        lows = [
            registration.blurred(lit_luma, sigma)
            / (registration.blurred(now.ok, sigma) + np.float32(1e-4))
            for sigma in (0.9, 3.6)
        ]
        fine, coarse = (now.luma - lows[0]) * now.ok, (lows[0] - lows[1]) * now.ok
        total = max(1.0, float(now.ok.sum()))
        row[11] = np.sqrt(float(np.vdot(fine, fine)) / total)
        row[12] = np.sqrt(float(np.vdot(coarse, coarse)) / total)
        comparer = self._comparer
        planes = np.stack([now.ok, lit_luma, fine * fine, coarse * coarse])
        sums = (comparer.left @ planes @ comparer.right).astype(np.float64)
        sharp = finest.sharpness(sums, comparer.noise, comparer.area)
        return row, np.concatenate(sharp).ravel().astype(np.float32)

    def tables(self) -> Tables:
        """What was gathered, for trials and tests."""
        return Tables(
            np.array(self._times),
            self._samples.values,
            self._pairs.values,
            self._blocks.values,
            self._sharp.values,
            self._work,
        )

    def finish(self) -> LensResult:
        """Solve and return the series."""
        return solve_tables(self.tables())


def _dark_bound(stack: F32, ok: U8) -> F32:
    """(3,) upper bound of the mean airlight per channel: mean over tiles of the darkest percent.

    The airlight may be uneven, so each tile bounds its own part; a tile without dark
    content bounds loosely, so no more than four times the darkest tile and a bit.
    """
    import cv2

    rows, cols = ok.shape
    n = pairs.TILES
    soft: Any = cv2.blur(stack[..., :3], (3, 3))
    soft[cv2.erode(ok, np.ones((3, 3), np.uint8)) == 0] = 9.0
    low = soft.reshape(n, rows // n, cols, 3).min(1).reshape(n, n, cols // n, 3).min(2)
    has = low[..., 0] < 9
    if not has.any():
        return np.full(3, np.nan, np.float32)
    known = low[has]
    return np.asarray(np.minimum(known.mean(0), 4 * known.min(0) + 0.02), np.float32)


def _eights(length: float) -> int:
    """The nearest multiple of eight, at least 24: blocks and tiles divide it."""
    return max(24, 8 * round(length / 8))
