"""Lens disturbances: contrast loss by fog, and the series that tell it from others.

Fog follows Koschmieder's law I = J t + A (1 - t) in linear light, so every
difference of the same scene scales by t, and the contrast loss is 1 - t against
the same scene seen clear. The clear reference comes from the recording: samples
of the same scene are registered, their contrast ratios and brightness compared,
and fog, camera gain and airlight solved for together (`solve`).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens import airlight, events, pairs, smudge, solve
from pipeline.analysis.lens.clear import clear_chroma_gain, clear_luma_lut, clear_rgb
from pipeline.analysis.lens.events import find_events, recovery_time_constant_s
from pipeline.model.field import FieldSpan

__all__ = [
    "LensFold",
    "LensResult",
    "clear_chroma_gain",
    "clear_luma_lut",
    "clear_rgb",
    "find_events",
    "recovery_time_constant_s",
]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

LAGS = (1, 5)
WORK_PX = 88
LEAST_INLIERS = 0.35
DARK_LEVEL = 0.045
CLIPPED_PIXEL = 250
CLIPPED_MOST = 0.65  # share of the field above which nothing can be followed
DARK_PIXEL = 20
# evidence of a veil that stays: from here on the interval reaches up, there is no number,
# and, seen for so long, there is fog of at least so much
VEIL_MAYBE, VEIL_LIKELY, VEIL_SURE = 0.5, 3.0, 4.5
VEIL_SURE_S, VEIL_SURE_LOSS = 8.0, 0.2


@dataclass
class LensResult:
    """Series of one recording, one entry per sample; NaN is unknown.

    time_s: float64 (n,). contrast_loss, contrast_loss_low, contrast_loss_high:
    float32 (n,), share of contrast lost to fog and its interval, which may be known where
    the loss is not: fog that was never seen to leave. veil_level:
    float32 (n,), luma of the veil in linear light, 1 at full scale. detail_ratio:
    fine over coarse contrast. saturation, clipped_share, dark_share: 0..1.
    level: mean luma, gamma-coded, 0..1. blur: loss of fine detail beyond fog, 0..1.
    smudge: loss of detail under a smudge beyond the rest of the field, 0..1, 0 without one.
    foreign_share: share of the lit field whose colour is not red. break_before:
    1 where the view could not be followed from the sample before. gain: factor of
    camera gain. airlight: veil colour in linear light at gain 1, luma of it.
    tile_loss: float16 (n, 4, 4), contrast loss per tile of the field's box.
    """

    time_s: F64
    contrast_loss: F32
    contrast_loss_low: F32
    contrast_loss_high: F32
    veil_level: F32
    detail_ratio: F32
    saturation: F32
    clipped_share: F32
    dark_share: F32
    level: F32
    blur: F32
    smudge: F32
    foreign_share: F32
    break_before: F32
    gain: F32
    airlight: F32
    tile_loss: NDArray[np.float16]

    def series(self) -> dict[str, NDArray[Any]]:
        """Name -> array, as stored in `series.npz`."""
        return {f.name: getattr(self, f.name) for f in dataclass_fields(self)}


class _Table:
    """Rows of float32 that grow by doubling."""

    def __init__(self, width: int) -> None:
        self._data = np.empty((256, width), np.float32)
        self.rows = 0

    def add(self, row: NDArray[Any]) -> None:
        if self.rows == len(self._data):
            self._data = np.concatenate([self._data, np.empty_like(self._data)])
        self._data[self.rows] = row
        self.rows += 1

    @property
    def values(self) -> F32:
        return self._data[: self.rows]


class Tables(NamedTuple):
    """What the fold gathers: all that `solve_tables` needs.

    times: (n,) s. samples: (n, 14). pairs: (p, 65). blocks: (b, 135), for the pairs of
    the longest lag. sharp: (n, 128), sharpness of the blocks and its weight. size:
    (row, col) of the working picture in px.
    """

    times: F64
    samples: F32
    pairs: F32
    blocks: F32
    sharp: F32
    size: tuple[int, int]


# columns of the sample table
_MEAN, _DARK = slice(0, 3), slice(3, 6)
_SAMPLE_WIDTH = 14
# columns of the pair table
_PAIR_WIDTH = 5 + 4 * 3 + 3 * 16
# columns of the block table: row of the pair table, detail per block, its weight, motion
_CELLS = pairs.BLOCKS**2
_DETAIL, _DETAIL_WEIGHT = slice(1, 1 + _CELLS), slice(1 + _CELLS, 1 + 2 * _CELLS)
_BLOCK_WIDTH = 1 + 2 * _CELLS + 6


def _bounds(f: FieldSpan) -> tuple[float, float, float, float]:
    """Left, top, right, bottom in px of the lit picture."""
    box = (f.left_px, f.top_px, f.right_px, f.bottom_px)
    if f.outline_px is not None or f.shape == "none":
        return box
    r = 1.05 * f.radius_px
    return (
        max(box[0], f.center_x_px - r),
        max(box[1], f.center_y_px - r),
        min(box[2], f.center_x_px + r),
        min(box[3], f.center_y_px + r),
    )


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
        self._samples = _Table(_SAMPLE_WIDTH)
        self._pairs = _Table(_PAIR_WIDTH)
        self._blocks = _Table(_BLOCK_WIDTH)
        self._sharp = _Table(2 * _CELLS)
        self._times: list[float] = []
        self._ring: deque[pairs.Prepared | None] = deque(maxlen=max(LAGS))
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
            boxes = [_bounds(f) for f in use]
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
        now = pairs.prepare(small, ok, number)
        row, sharp = self._sample_row(small, ok, now, has_field)
        self._samples.add(row)
        level, clipped = float(row[6]), float(row[8])
        usable = has_field and level > DARK_LEVEL and clipped < CLIPPED_MOST and now.ok.sum() > 300
        self._sharp.add(sharp if usable else np.zeros_like(sharp))
        motion: F64 | None = None
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
                found = pairs.find_motion(before, now, start)
                if found is None or found.inliers < LEAST_INLIERS:
                    continue
                if lag == 1:
                    motion = found.affine
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
                self._pairs.add(_pair_row(reading))
        self._ring.append(now if usable else None)
        self._motions.append(motion)

    def _sample_row(
        self, small: U8, ok: U8, now: pairs.Prepared, has_field: bool
    ) -> tuple[F32, F32]:
        """Row of the sample table and (128,) of the sharpness of the blocks."""
        import cv2

        assert self._comparer is not None
        row = np.full(_SAMPLE_WIDTH, np.nan, np.float32)
        inside = ok > 0
        count = int(inside.sum())
        row[13] = float(has_field)
        if count < 100:
            return row, np.zeros(2 * _CELLS, np.float32)
        row[_MEAN] = cv2.mean(now.stack, ok)[:3]
        row[_DARK] = _dark_bound(now.stack, ok)
        pixels = small[inside]
        gray: Any = pixels @ np.array([0.299, 0.587, 0.114], np.float32)
        top = pixels.max(1)
        red, green, blue = pixels[:, 0], pixels[:, 1], pixels[:, 2]
        lit = top > 40
        lit_count = max(1, int(np.count_nonzero(lit)))
        spread = (top - np.minimum(np.minimum(red, green), blue)) / np.maximum(top, np.uint8(1))
        foreign = (red < np.maximum(green, blue) * np.float32(1.04)) & lit & (top < CLIPPED_PIXEL)
        row[6] = gray.mean() / 255
        row[7] = spread[lit].sum() / lit_count
        row[8] = np.count_nonzero(top >= CLIPPED_PIXEL) / count
        row[9] = np.count_nonzero(gray < DARK_PIXEL) / count
        row[10] = np.count_nonzero(foreign) / lit_count
        # fine and coarse contrast of luma, over the usable pixels
        pair: Any = cv2.merge([now.luma * now.ok, now.ok])
        lows = []
        for sigma, size in ((0.9, 5), (3.6, 19)):
            low: Any = cv2.GaussianBlur(pair, (size, size), sigma, borderType=cv2.BORDER_CONSTANT)
            lows.append(low[..., 0] / (low[..., 1] + np.float32(1e-4)))
        fine, coarse = (now.luma - lows[0]) * now.ok, (lows[0] - lows[1]) * now.ok
        total = max(1.0, float(now.ok.sum()))
        row[11] = np.sqrt(float(np.vdot(fine, fine)) / total)
        row[12] = np.sqrt(float(np.vdot(coarse, coarse)) / total)
        comparer = self._comparer
        planes = np.stack([now.ok, now.luma * now.ok, fine * fine, coarse * coarse])
        sums = (comparer.left @ planes @ comparer.right).astype(np.float64)
        sharp = smudge.sharpness(sums, comparer.noise, comparer.area)
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
    """(3,) upper bound of the mean veil per channel: mean over tiles of the darkest percent.

    The veil may be uneven, so each tile bounds its own part; a tile without dark
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


def _pair_row(r: pairs.PairReading) -> F32:
    return np.concatenate(
        [
            [r.i, r.j, r.inliers, r.overlap, r.corr],
            r.log_ratio,
            r.log_sd,
            r.mean_i,
            r.mean_j,
            r.tile_ratio.ravel(),
            r.tile_i.ravel(),
            r.tile_j.ravel(),
        ]
    ).astype(np.float32)


def _stray(n: int, i: NDArray[np.int64], j: NDArray[np.int64], u: F64) -> NDArray[np.bool_]:
    """(n,) True in short stretches cut off from the rest where the rest is fogged.

    Such a stretch (under 5 s) has no clear picture of its own to compare with.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    out = np.zeros(n, bool)
    graph = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    size = np.bincount(label)
    for part in np.flatnonzero((size > 1) & (size < 25)):
        at = np.flatnonzero(label == part)
        around = np.r_[u[max(0, at[0] - 5) : at[0]], u[at[-1] + 1 : at[-1] + 6]]
        if len(around) and around.max() > 0.08:
            out[at] = True
    return out


def solve_tables(tables: Tables) -> LensResult:
    """The series from the tables of `LensFold.tables`."""
    times, samples, pair_rows, blocks, sharp, size = tables
    n = len(times)
    s = samples.astype(np.float64).reshape(n, _SAMPLE_WIDTH)
    q = pair_rows.reshape(-1, _PAIR_WIDTH)
    head = q[:, 5:17].astype(np.float64)
    i, j = q[:, 0].astype(np.int64), q[:, 1].astype(np.int64)
    p = solve.Pairs(i, j, head[:, :3], head[:, 3:6], head[:, 6:9], head[:, 9:])
    near = np.zeros(max(n - 1, 0), bool)
    near[i[j - i == 1]] = True
    nan = np.full(n, np.nan)
    if n < 3 or len(i) < 2:
        loss = low = high = veil = blur = gain = air = nan
        tile_loss = np.full((n, 4, 4), np.nan)
        smudged = nan
    else:
        dark = np.where(np.isfinite(s[:, _DARK]), s[:, _DARK], 1.0)
        got = solve.solve(n, p, dark, ~near)
        known = np.zeros(n, bool)
        known[i] = known[j] = True
        # the solver's own spread is too small (readings of neighbours are not
        # independent), and blur takes some of the coarser contrast too
        spread = np.clip(2.5 * got.sd_u + 0.02 + 0.5 * got.b, 0.02, 5)
        known &= ~_stray(n, i, j, got.u)
        loss = np.where(known, 1 - np.exp(-got.u), np.nan)
        # sparse fog and readings in noise both err towards too little
        low = np.where(known, 1 - np.exp(-np.maximum(got.u - 1.1 * spread, 0)), np.nan)
        high = np.where(known, 1 - np.exp(-(got.u + 1.6 * spread)), np.nan)
        step_s = float(np.median(np.diff(times)))
        evidence, hidden, seen = airlight.standing_veil(
            i, j, got.u, np.exp(got.g), got.air, s[:, _MEAN], s[:, _DARK], s[:, 7], s[:, 12]
        )
        high = np.where(evidence >= VEIL_MAYBE, 1 - (1 - high) * (1 - hidden), high)
        loss[evidence >= VEIL_LIKELY] = np.nan
        sure = known & (evidence >= VEIL_SURE) & (seen * step_s >= VEIL_SURE_S)
        low = np.where(sure, np.maximum(low, VEIL_SURE_LOSS), low)
        luma_air = float(got.air @ pairs.LUMA)
        veil = loss * np.exp(got.g) * luma_air
        with np.errstate(invalid="ignore", divide="ignore"):
            blur = events.blur_score(got.b, s[:, 11] / s[:, 12], step_s)
        blur = np.where(known, blur, np.nan)
        gain = np.where(known, np.exp(got.g), np.nan)
        air = np.full(n, luma_air)
        tile_loss = solve.solve_tiles(
            n, p, got, q[:, 17:33], q[:, 33:49], q[:, 49:65], luma_air
        )
        tile_loss[np.isnan(loss)] = np.nan
        at = blocks[:, 0].astype(np.int64)
        light_i, light_j = (mean[at] @ pairs.LUMA for mean in (p.mean_i, p.mean_j))
        readings = smudge.Readings(
            i[at],
            j[at],
            blocks[:, _DETAIL].astype(np.float64),
            blocks[:, _DETAIL_WEIGHT].astype(np.float64),
            blocks[:, -6:].astype(np.float64).reshape(-1, 2, 3),
            np.log((light_j + 1e-4) / (light_i + 1e-4)),
        )
        foreign = np.nan_to_num(s[:, 10], nan=1.0)
        inside = foreign < max(events.FOREIGN_SHARE, float(np.median(foreign)) + 0.35)
        smudges = smudge.find_smudges(
            n,
            readings,
            sharp[:, :_CELLS].astype(np.float64),
            sharp[:, _CELLS:].astype(np.float64) * inside[:, None],
            size,
            np.where(known, got.u, 0),
            np.nan_to_num(blur),
        )
        smudged = smudge.smudge_share(smudges, n)
        tile_loss = tile_loss.reshape(n, 4, 4)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = s[:, 11] / s[:, 12]
    f = np.float32
    return LensResult(
        time_s=times,
        contrast_loss=np.asarray(loss, f),
        contrast_loss_low=np.asarray(low, f),
        contrast_loss_high=np.asarray(high, f),
        veil_level=np.asarray(veil, f),
        detail_ratio=np.asarray(ratio, f),
        saturation=np.asarray(s[:, 7], f),
        clipped_share=np.asarray(s[:, 8], f),
        dark_share=np.asarray(s[:, 9], f),
        level=np.asarray(s[:, 6], f),
        blur=np.asarray(blur, f),
        smudge=np.asarray(smudged, f),
        foreign_share=np.asarray(s[:, 10], f),
        break_before=np.asarray(np.r_[False, ~near][:n], f),
        gain=np.asarray(gain, f),
        airlight=np.asarray(air, f),
        tile_loss=tile_loss.astype(np.float16),
    )
