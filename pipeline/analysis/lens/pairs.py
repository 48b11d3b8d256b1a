"""What the overlap of two registered pictures says: ratios of contrast, detail and brightness.

Small pictures (about 90 rows) in, a few numbers per pair out. The pair is
warped half way each, so that both suffer the same interpolation, then filtered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens import registration
from pipeline.analysis.lens.registration import F32, F64, LUMA, Motion, Prepared

BLOCKS = 8
TILES = 4
# band edges: standard deviation of the Gaussians, px of the small picture
SIGMAS_PX = (0.9, 1.8, 3.6)
BANDS = 3
NOISE_EVERY = 3  # samples between two looks at the noise
NOISE_KEEP = 0.95  # what its sums keep from one look to the next
NOISE_SD = 0.35  # of the noise power, as a share of it
NOISE_MOST = 0.85  # share of a block's power that may be called noise
DETAIL_CLEAR = 0.15  # share above the noise below which a loss is not scaled up further
FOLLOWED = 0.6  # agreement of the middle or the coarse band in a block that was followed


def _block_matrix(n: int, blocks: int) -> F32:
    """(blocks, n), row k sums the pixels of block k."""
    m = np.zeros((blocks, n), np.float32)
    edges = np.linspace(0, n, blocks + 1).round().astype(int)
    for k in range(blocks):
        m[k, edges[k] : edges[k + 1]] = 1
    return m


@dataclass
class PairReading:
    """What one registered pair says (i earlier, j later).

    log_ratio, log_sd: (3,) ln of contrast of j over i per band (fine, middle,
    coarse) and its standard deviation; NaN where too little could be compared.
    mean_i, mean_j: (3,) mean linear light of the same scene, per channel.
    detail: (8, 8) ln ratio of the detail (the two finer bands over the mean) per block, NaN
    where the block was not followed; detail_weight: (8, 8) how far it stands above the
    noise, 0..1.
    """

    i: int
    j: int
    log_ratio: F64
    log_sd: F64
    mean_i: F64
    mean_j: F64
    detail: F64
    detail_weight: F64


class Comparer:
    """Compares registered pairs of one picture size (row, col)."""

    def __init__(self, rows: int, cols: int) -> None:
        yy, xx = np.mgrid[0:rows, 0:cols].astype(np.float32)
        self.rows, self.cols = rows, cols
        self.grid = np.dstack([xx, yy])
        self.left, self.right = _block_matrix(rows, BLOCKS), _block_matrix(cols, BLOCKS).T.copy()
        self.area = rows * cols / BLOCKS**2
        self._planes = np.empty((18, rows, cols), np.float32)
        # sums over blocks of weight, x, x^2, y, x y per band, for the noise
        self._noise_sums = np.zeros((5, BANDS))
        # (3,) noise power per band over the mean luma, linear light, from all pairs so far
        self.noise: F64 = np.zeros(BANDS)

    def compare(self, a: Prepared, b: Prepared, motion: Motion) -> PairReading | None:
        """Contrast and brightness of the overlap, or None if it is too small."""
        import cv2

        m = motion.affine.astype(np.float32)
        shift: Any = cv2.resize(motion.rest, (self.cols, self.rows), interpolation=cv2.INTER_LINEAR)
        shift = np.float32(0.5) * (shift + cv2.transform(self.grid, m))
        none: Any = None
        la: Any = cv2.remap(a.stack, self.grid - shift, none, cv2.INTER_LINEAR)
        lb: Any = cv2.remap(b.stack, self.grid + shift, none, cv2.INTER_LINEAR)
        use = ((la[..., 3] > 0.98) & (lb[..., 3] > 0.98)).astype(np.float32)
        if use.sum() < 250:
            return None
        weights = np.append(LUMA, 0)[None]
        ya: Any = cv2.transform(la, weights)
        yb: Any = cv2.transform(lb, weights)
        planes = self._planes
        planes[0] = use
        pair = [np.multiply(y, use, out=planes[1 + k]) for k, y in enumerate((ya, yb))]
        upper = pair
        for k, sigma in enumerate(SIGMAS_PX):
            weight = registration.blurred(use, sigma) + np.float32(1e-4)
            low = [registration.blurred(y, sigma) / weight for y in pair]
            fa, fb = ((y - y_low) * use for y, y_low in zip(upper, low, strict=True))
            upper = low
            np.multiply(fa, fa, out=planes[3 + 3 * k])
            np.multiply(fb, fb, out=planes[4 + 3 * k])
            np.multiply(fa, fb, out=planes[5 + 3 * k])
        for c in range(3):
            np.multiply(la[..., c], use, out=planes[12 + c])
            np.multiply(lb[..., c], use, out=planes[15 + c])
        sums = (self.left @ planes @ self.right).astype(np.float64)
        count = sums[0]
        enough = count > 0.35 * self.area
        if enough.sum() < 5:
            return None
        safe = np.maximum(count, 1)
        v = sums[3:12].reshape(3, 3, BLOCKS, BLOCKS) / safe
        vaa, vbb, vab = v[:, 0], v[:, 1], v[:, 2]
        corr = vab / np.sqrt(vaa * vbb + 1e-16)
        # a block is aligned if this band or a coarser one agrees
        aligned = np.maximum.accumulate(corr[::-1])[::-1]
        good = enough & (aligned > 0.6) & (np.minimum(vaa, vbb) > 1e-9)
        # dense airlight over a part: texture in one picture, next to none in the other
        strong = np.maximum(vaa, vbb)
        usual = np.median(strong[:, enough], axis=1)[:, None, None]
        lost = enough & ~good & (strong > 0.3 * usual) & (np.minimum(vaa, vbb) < 0.25 * strong)
        # the geometric mean of the two regressions holds under bad fit; noise is taken off
        light_a, light_b = sums[1] / safe, sums[2] / safe
        if b.number - a.number == 1 and b.number % NOISE_EVERY == 0:
            self._hear_noise(vaa, vbb, vab, light_a, light_b, good)
        noise = self.noise[:, None, None]
        naa = np.minimum(noise * light_a, NOISE_MOST * vaa)
        nbb = np.minimum(noise * light_b, NOISE_MOST * vbb)
        saa, sbb = np.maximum(vaa - naa, 1e-12), np.maximum(vbb - nbb, 1e-12)
        ratio = np.where(good | lost, 0.5 * np.log(sbb / saa), np.nan)
        # error of the ratio where the noise is wrong by NOISE_SD of itself
        unsure = 0.5 * NOISE_SD * np.hypot(naa / saa, nbb / sbb)
        # nearly alike: uneven fog leaves the best fit where it leaves most contrast
        weight = np.where(good, 1 / (0.6 + np.maximum(1 - corr**2, 0)), np.where(lost, 0.7, 0))
        weight = weight / (1 + (unsure / 0.3) ** 2)
        flat = (BANDS, BLOCKS * BLOCKS)
        log_ratio, log_sd = robust_mean(ratio.reshape(flat), weight.reshape(flat))
        # which is wrong everywhere alike
        shared = np.abs((weight * 0.5 * NOISE_SD * (nbb / sbb - naa / saa)).sum((1, 2)))
        log_sd = np.hypot(log_sd, shared / np.maximum(weight.sum((1, 2)), 1e-12))
        means = sums[12:18][:, enough].sum(1) / float(count[enough].sum())
        with np.errstate(invalid="ignore", divide="ignore"):
            detail, clear = _detail_ratio(
                vaa[:2], vbb[:2], noise[:2] * light_a, noise[:2] * light_b
            )
            detail -= np.log(sums[2] / sums[1])
        return PairReading(
            a.number,
            b.number,
            log_ratio,
            log_sd,
            means[:3],
            means[3:],
            np.where(enough & (aligned[1] > FOLLOWED), detail, np.nan),
            clear,
        )

    def _hear_noise(
        self, vaa: F64, vbb: F64, vab: F64, light_a: F64, light_b: F64, good: NDArray[np.bool_]
    ) -> None:
        """What neighbours do not share is noise, as the light, and bad fit, as the texture.

        Shot noise goes with the light in linear light, and so, nearly, does equal noise
        of gamma-coded levels. A line over the blocks tells the two apart.
        """
        r = np.sqrt(vbb / np.maximum(vaa, 1e-12))
        per = light_b + r * r * light_a + 1e-6
        y = (vbb - 2 * r * vab + r * r * vaa) / per
        x = 2 * r * np.abs(vab) / per
        self._noise_sums *= NOISE_KEEP
        for k in range(BANDS):
            sel = good[k]
            if sel.sum() < 8:
                continue
            xs, ys = x[k][sel], y[k][sel]
            # smooth blocks say most, and a few stray ones must not
            w = 1 / (np.median(xs) + xs) ** 2
            ys = np.minimum(ys, 4 * np.median(ys))
            w = w / w.sum()
            self._noise_sums[:, k] += [1, w @ xs, w @ xs**2, w @ ys, w @ (xs * ys)]
        n, sx, sxx, sy, sxy = self._noise_sums
        spread = n * sxx - sx * sx
        known = spread > 1e-6 * n * sxx
        line = (sxx * sy - sx * sxy) / np.where(known, spread, 1.0)
        self.noise = np.where(known, np.maximum(line, 0), 0.0)


def _detail_ratio(vaa: F64, vbb: F64, noise_a: F64, noise_b: F64) -> tuple[F64, F64]:
    """(8, 8) ln ratio of contrast over the bands given, and how far it stands above the noise.

    Noise hides a loss: what is left of it in the ratio goes with the share of the stronger
    side that is not noise. A block of noise alone tells nothing, weight 0.
    """
    ratio = 0.5 * np.log(np.maximum(vbb, 1e-12) / np.maximum(vaa, 1e-12))
    clear = np.maximum(
        1 - noise_a / np.maximum(vaa, 1e-12), 1 - noise_b / np.maximum(vbb, 1e-12)
    ).clip(0, 1)
    weight = clear**2 + 1e-6
    out: F64 = (weight * ratio / np.maximum(clear, DETAIL_CLEAR)).sum(0) / weight.sum(0)
    return out, (clear**2).mean(0)


def robust_mean(values: F64, weights: F64) -> tuple[F64, F64]:
    """Weighted mean per row that leaves out stray blocks, and its standard deviation.

    values, weights: (row, block), NaN or weight 0 where unknown. NaN for a row
    with fewer than 4 known.
    """
    w = np.where(np.isfinite(values), weights, 0.0)
    v = np.where(w > 0, values, 0.0)
    known = (w > 0).sum(1)
    few = known < 4
    order = np.argsort(np.where(w > 0, v, np.inf), 1)
    cum = np.cumsum(np.take_along_axis(w, order, 1), 1)
    rows = np.arange(len(v))
    at = np.minimum((cum < cum[:, -1:] / 2).sum(1), v.shape[1] - 1)
    centre = np.take_along_axis(v, order, 1)[rows, at]
    off = np.sort(np.where(w > 0, np.abs(v - centre[:, None]), np.inf), 1)
    spread = 1.4826 * off[rows, np.maximum(known // 2 - (known % 2 == 0), 0)]
    spread = np.where(np.isfinite(spread), spread, 1.0) + 0.02
    h = w
    for _ in range(3):
        h = w / (1 + ((v - centre[:, None]) / (3 * spread[:, None])) ** 2)
        centre = (h * v).sum(1) / np.maximum(h.sum(1), 1e-12)
    eff = h.sum(1) ** 2 / np.maximum((h * h).sum(1), 1e-12)
    nan = np.where(few, np.nan, 1.0)
    return centre * nan, spread / np.sqrt(np.maximum(eff, 1)) * nan
