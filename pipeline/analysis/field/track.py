"""The scope field of a recording: a fold over sampled pictures, and its masks.

About twice a second a picture reduced to at most 480 rows comes in. Pictures
are pooled in blocks of at most 8; a block ends early where the picture leaves
the geometry it had (room, title card, zoom). A block keeps how far each pixel
lies from the surround, at 240 rows, so memory stays flat with length: when
there are too many blocks, neighbours that agree are merged.

Long because its passes over the blocks lean on each other, as the rules of `fit` do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.fit import (
    Fit,
    Plane,
    Points,
    Surround,
    dark_corners,
    filled,
    find_surround,
    fit_field,
    highest,
    lit_limit,
    model_radius,
    support_ratio,
    unit_level,
    without_false_stops,
)
from pipeline.model.field import FieldSpan, whole_picture

EVIDENCE_ROWS_PX = 240
THUMB_ROWS_PX = 60
BLOCK_SAMPLES = 8
MAX_BLOCKS = 120
SAME_RATIO = 0.012
UNSURE = 0.85  # the most where something speaks against a field that fits
_BORDER_MOVES = 0.5  # levels between samples, that of rounding


@dataclass
class _Block:
    """Pooled evidence of consecutive samples.

    evidence: (row, col) uint8, square root companded mean difference from the
    surround; None where no surround was seen. start_s, stop_s: first and last
    sample. noise: levels. bright: mean of the highest channel, levels.
    motion: mean difference between samples where the picture is lit, levels; NaN for one
    sample, or where nothing is.
    tips: motion of the four corners' tips over that of the frame's border; None where the
    border hardly moves.
    """

    start_s: float
    stop_s: float
    samples: int
    evidence: NDArray[np.uint8] | None
    noise: float
    bright: float
    motion: float
    tips: tuple[float, ...] | None = None


def _tips(motion: Plane) -> tuple[float, ...] | None:
    """Motion of the four corners' tips (4 x 4 px) over the median of the frame's border."""
    border = float(
        np.median(np.concatenate([motion[2], motion[-3], motion[:, 2], motion[:, -3]]))
    )
    if border < _BORDER_MOVES:
        return None
    corners = (motion[::a, ::b][:4, :4] for a in (1, -1) for b in (1, -1))
    return tuple(float(c.mean()) / border for c in corners)


def _pack(e: Plane) -> NDArray[np.uint8]:
    return np.asarray(np.round(np.sqrt(np.clip(e, 0, 255) * 255.0)), np.uint8)


def _unpack(p: NDArray[Any]) -> Plane:
    return np.asarray(np.square(p.astype(np.float32)) / np.float32(255), np.float32)


class FieldFold:
    """Finds the scope field of one recording.

    Call `step` with pictures in time order, about SAMPLE_RATE_HZ times a
    second, then `finish` once.
    """

    SAMPLE_RATE_HZ = 2.0
    SAMPLE_MAX_ROWS_PX = 480

    def __init__(self, width_px: int, height_px: int) -> None:
        """width_px, height_px: size of the full working picture."""
        self._width_px = width_px
        self._height_px = height_px
        self._h = min(EVIDENCE_ROWS_PX, max(height_px, 32))
        self._w = max(32, round(self._h * width_px / height_px))
        self._th = min(THUMB_ROWS_PX, self._h)
        self._tw = max(8, round(self._th * width_px / height_px))
        self._blocks: list[_Block] = []
        self._frames: list[NDArray[np.uint8]] = []
        self._times: list[float] = []
        self._low: NDArray[np.uint8] | None = None
        self._high: NDArray[np.uint8] | None = None
        self._last: NDArray[np.uint8] | None = None
        self._restless = 0

    def step(self, time_s: float, rgb: NDArray[np.uint8]) -> None:
        """Takes one picture: rgb (row, col, 3) uint8, at most 480 rows."""
        small = cv2.resize(rgb, (self._w, self._h), interpolation=cv2.INTER_AREA)
        top = highest(small)
        thumb = np.asarray(
            cv2.resize(top, (self._tw, self._th), interpolation=cv2.INTER_AREA), np.uint8
        )
        if self._frames:
            if self._changed(thumb):
                self._restless = self._restless + 1 if len(self._frames) == 1 else 0
                self._close()
                self._low = self._high = None
            elif len(self._frames) >= BLOCK_SAMPLES:
                self._close()
                if self._blocks[-1].evidence is not None:
                    self._restless = 0
        self._last = thumb
        self._frames.append(np.asarray(small))
        self._times.append(time_s)
        if self._low is None or self._high is None:
            self._low, self._high = np.asarray(thumb), np.asarray(thumb)
        else:
            self._low = np.asarray(cv2.min(self._low, thumb))
            self._high = np.asarray(cv2.max(self._high, thumb))

    def _changed(self, thumb: NDArray[np.uint8]) -> bool:
        """Light where the block had a still dark surround, or dark over most of its light."""
        assert self._low is not None and self._high is not None and self._last is not None
        low, high = self._low, self._high
        area = thumb.size
        # one change after the other: there is no surround, until dark comes
        if self._restless < 3:
            calm = (high - low < 10) & (high < 90)
            risen = (thumb.astype(np.int16) - high > 20) & calm
            if risen.sum() > 0.004 * area:
                # only what is joined to the frame's border can be the surround
                _, label = cv2.connectedComponents(calm.astype(np.uint8), connectivity=4)
                edge = np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]])
                calm &= np.isin(label, np.unique(edge[edge > 0]))
                n_calm = int(calm.sum())
                risen &= calm
                seen = (edge > 0).mean() >= 0.04 and n_calm > 0.02 * area
                if seen and risen.sum() > max(0.06 * n_calm, 0.004 * area):
                    return True
        last = self._last
        fallen = (last.astype(np.int16) - thumb > np.maximum(5, last // 2)) & (thumb < 60)
        # a picture that comes back from black, however dim
        back = (thumb.astype(np.int16) - last > np.maximum(5, last)) & (last < 30)
        return bool(fallen.sum() > 0.10 * area or back.sum() > 0.15 * area)

    def _close(self) -> None:
        frames, times = self._frames, self._times
        self._frames, self._times = [], []
        self._pool_up(frames, times)

    def _pool_up(self, frames: list[NDArray[np.uint8]], times: list[float]) -> None:
        """Adds a block; two or more where the boundary moved meanwhile."""
        total = np.zeros((self._h, self._w, 3), np.float32)
        for f in frames:
            cv2.accumulate(f, total)
        mean = total / np.float32(len(frames))
        motion: Plane | None = None
        if len(frames) > 1:
            motion = np.zeros((self._h, self._w), np.float32)
            for a, b in pairwise(frames):
                cv2.accumulate(highest(cv2.absdiff(a, b)), motion)
            motion /= np.float32(len(frames) - 1)
        surround = find_surround(mean, motion)
        peak = highest(mean)
        bright = float(peak.mean())
        moved = math.nan
        if motion is not None:
            lit = peak > max(40.0, 0.3 * float(peak.max()))
            moved = float(motion[lit].mean()) if lit.any() else math.nan
        if surround is None:
            self._add(_Block(times[0], times[-1], len(times), None, 0.0, bright, moved))
            return
        half = len(frames) // 2
        if len(frames) >= 4:
            first, second = (
                self._evidence(part, surround) for part in (frames[:half], frames[half:])
            )
            # the mean of a growing field is as large as its last picture: compare single ones
            start = self._evidence(frames[:1], surround)
            end = self._evidence(frames[-1:], surround)
            if _boundary_moved(start, end, surround.noise * math.sqrt(len(frames))):
                self._pool_up(frames[:half], times[:half])
                self._pool_up(frames[half:], times[half:])
                return
            n = np.float32(len(frames))
            e = first * (np.float32(half) / n) + second * (np.float32(len(frames) - half) / n)
        else:
            e = self._evidence(frames, surround)
        if motion is not None and len(frames) >= 4:
            e = _without_stills(e, motion, surround.noise)
        self._add(
            _Block(
                times[0], times[-1], len(times), _pack(e), surround.noise, bright, moved,
                None if motion is None else _tips(motion),
            )
        )  # fmt: skip

    def _evidence(self, frames: list[NDArray[np.uint8]], surround: Surround) -> Plane:
        """Mean distance from the surround, (row, col) levels."""
        levels: list[tuple[NDArray[np.uint8], NDArray[np.uint8] | None]] = [
            (np.round(surround.level).astype(np.uint8), surround.own)
        ]
        for value, mask in surround.more:
            plane = np.empty_like(frames[0])
            plane[:] = np.round(value).astype(np.uint8)
            levels.append((plane, mask))
        e = np.zeros((self._h, self._w), np.float32)
        for f in frames:
            least: NDArray[np.uint8] | None = None
            for level, own in levels:
                d = np.asarray(highest(cv2.absdiff(f, level)), np.uint8)
                if own is not None:
                    d[own == 0] = 255
                if least is not None:
                    d = np.asarray(cv2.min(least, d), np.uint8)
                least = d
            assert least is not None
            cv2.accumulate(least, e)
        # noise lifts a mean of absolute differences: take off what the surround shows
        mean = e / np.float32(len(frames))
        return np.asarray(np.maximum(mean - np.float32(0.8 * surround.noise), 0), np.float32)

    def _add(self, block: _Block) -> None:
        self._blocks.append(block)
        if len(self._blocks) > MAX_BLOCKS:
            self._thin()

    def _thin(self) -> None:
        """Merges the neighbours that differ least, until there is room again."""
        blocks = self._blocks

        def distance(a: _Block, b: _Block) -> float:
            if a.evidence is None or b.evidence is None:
                return 0.0 if a.evidence is b.evidence else math.inf
            return float(cv2.norm(a.evidence, b.evidence, cv2.NORM_L1)) * (a.samples + b.samples)

        gaps = [distance(a, b) for a, b in pairwise(blocks)]
        while len(blocks) > MAX_BLOCKS * 3 // 4:
            i = int(np.argmin(gaps))
            if not math.isfinite(gaps[i]):
                break
            blocks[i : i + 2] = [_merge(blocks[i], blocks[i + 1])]
            del gaps[i]
            if i < len(gaps):
                gaps[i] = distance(blocks[i], blocks[i + 1])
            if i > 0:
                gaps[i - 1] = distance(blocks[i - 1], blocks[i])

    def finish(self, duration_s: float) -> list[FieldSpan]:
        """The field over [0, duration_s), in pixels of the full working picture.

        Spans are contiguous. 'none' means that the picture fills the frame, or,
        where the recording has a field elsewhere, that it is not seen here.
        """
        if self._frames:
            self._close()
        if not self._blocks:
            return [whole_picture(self._width_px, self._height_px, 0.0, duration_s, 0.0)]
        spans = _track(self._blocks, self._h, self._w)
        return [
            self._span(start, stop, fit) for start, stop, fit in _cover(spans, duration_s)
        ]

    def _span(self, start_s: float, stop_s: float, fit: Fit) -> FieldSpan:
        sx, sy = self._width_px / self._w, self._height_px / self._h
        if fit.shape == "none":
            return whole_picture(self._width_px, self._height_px, start_s, stop_s, fit.confidence)
        outline = None
        if fit.outline is not None:
            outline = [(float(x * sx), float(y * sy)) for x, y in fit.outline]
        return FieldSpan(
            start_s=start_s,
            stop_s=stop_s,
            shape=fit.shape,
            center_x_px=fit.x * sx,
            center_y_px=fit.y * sy,
            radius_px=fit.r * math.sqrt(sx * sy),
            left_px=fit.box[0] * sx,
            top_px=fit.box[1] * sy,
            right_px=fit.box[2] * sx,
            bottom_px=fit.box[3] * sy,
            outline_px=outline,
            confidence=min(max(fit.confidence, 0.0), 1.0),
        )


def _boundary_moved(a: Plane, b: Plane, noise: float) -> bool:
    """Did the outer boundary of what is lit move by about 0.4 % of the height all round?"""
    h, w = a.shape
    limit = max(4.0, 4 * noise, 0.06 * float(np.percentile(a[::4, ::4], 90)))
    inside = []
    for e in (a, b):
        lit = cv2.morphologyEx((e > limit).astype(np.uint8), cv2.MORPH_OPEN,
                               np.ones((3, 3), np.uint8))
        flood = cv2.copyMakeBorder(lit, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
        cv2.floodFill(flood, None, (0, 0), (2.0,))
        inside.append((flood[1:-1, 1:-1] != 2).astype(np.uint8))
    both = cv2.countNonZero(inside[0] & inside[1])
    # a strip that was left or entered, not one that flickers about the limit
    apart = (inside[0] ^ inside[1]) & (cv2.max(a, b) > 2.5 * limit).astype(np.uint8)
    if both < 0.02 * h * w or cv2.countNonZero(apart) < 0.01 * both:
        return False
    m = cv2.moments(inside[0], True)
    x, y = m["m10"] / m["m00"], m["m01"] / m["m00"]
    rows, cols = np.nonzero(apart)
    sector = np.floor((np.arctan2(rows - y, cols - x) / (2 * math.pi) + 0.5) * 23.999).astype(int)
    counted = np.bincount(sector, minlength=24)
    # a strip of 0.4 % of the height along a twenty-fourth of the boundary
    strip = 0.004 * h * 2 * math.sqrt(math.pi * both) / 24
    return bool((counted > strip).sum() >= 12)


def _without_stills(e: Plane, motion: Plane, noise: float) -> Plane:
    """The evidence without lit patches of their own in which nothing moves: drawn ones."""
    limit = max(3.0, 4 * noise)
    lit = np.asarray(cv2.morphologyEx((e > limit).astype(np.uint8), cv2.MORPH_OPEN,
                                      np.ones((3, 3), np.uint8)))
    if not cv2.countNonZero(lit):
        return e
    n, label, stats, _ = cv2.connectedComponentsWithStats(lit, connectivity=8)
    if n <= 2:
        return e
    strong = float(np.percentile(motion[::2, ::2][lit[::2, ::2] > 0], 90))
    moving = (motion > max(2.0, 0.2 * strong)).astype(np.uint8)
    if strong < 4.0:
        return e
    moved = np.bincount(label[moving > 0], minlength=n)
    area = stats[:, cv2.CC_STAT_AREA]
    still = (moved < 0.05 * area) & (area < 0.06 * e.size)
    still[0] = False
    if not still.any():
        return e
    patch = cv2.dilate(still[label].astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    # what is joined to the picture stays as it is
    patch &= ~((lit > 0) & ~still[label])
    return np.where(patch, np.float32(0), e)


def _merge(a: _Block, b: _Block) -> _Block:
    evidence: NDArray[np.uint8] | None = None
    if a.evidence is not None and b.evidence is not None:
        n = a.samples + b.samples
        evidence = _pack(
            (_unpack(a.evidence) * a.samples + _unpack(b.evidence) * b.samples) / np.float32(n)
        )
    k = a.samples / (a.samples + b.samples)
    return _Block(
        a.start_s, b.stop_s, a.samples + b.samples, evidence,
        a.noise * k + b.noise * (1 - k), a.bright * k + b.bright * (1 - k),
        a.motion * k + b.motion * (1 - k),
        tuple(map(max, a.tips, b.tips)) if a.tips and b.tips else a.tips or b.tips,
    )


# --- the track -------------------------------------------------------------------


def _pool(blocks: list[_Block]) -> tuple[Plane, float]:
    total: Plane | None = None
    weight = 0.0
    noise = 0.0
    for b in blocks:
        if b.evidence is None:
            continue
        k = float(min(b.samples, 16))
        e = _unpack(b.evidence) * np.float32(k)
        total = e if total is None else total + e
        weight += k
        noise += k * b.noise
    assert total is not None
    return total / np.float32(weight), noise / weight


def difference_ratio(a: Fit, b: Fit, h: int, w: int) -> float:
    """Largest distance of two boundaries along rays, relative to the frame height."""
    angle = (np.arange(72) + 0.5) * (2 * math.pi / 72)
    x = (max(a.box[0], a.x - a.r, 0) + min(a.box[2], a.x + a.r, w)) / 2
    y = (max(a.box[1], a.y - a.r, 0) + min(a.box[3], a.y + a.r, h)) / 2
    return float(np.abs(_radii(a, x, y, angle) - _radii(b, x, y, angle)).max()) / h


def _radii(f: Fit, x: float, y: float, angle: Points) -> Points:
    if f.outline is None:
        return model_radius(f.x, f.y, f.r, f.box, x, y, angle)
    # a convex outline: the nearest of the sides' lines that a ray runs into
    side = np.roll(f.outline, -1, axis=0) - f.outline
    size = np.hypot(side[:, 0], side[:, 1])
    p, side = f.outline[size > 1e-9], side[size > 1e-9] / size[size > 1e-9, None]
    normal = np.stack([side[:, 1], -side[:, 0]], axis=1)
    normal *= np.sign(((p - f.outline.mean(axis=0)) * normal).sum(axis=1))[:, None]
    gap = (p * normal).sum(axis=1) - normal @ np.array([x, y])
    slope = np.stack([np.cos(angle), np.sin(angle)], axis=1) @ normal.T
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(slope > 1e-9, np.maximum(gap, 0)[None] / slope, np.inf)
    return np.asarray(t.min(axis=1))


def _track(blocks: list[_Block], h: int, w: int) -> list[tuple[float, float, Fit]]:
    """Runs of blocks with one geometry each: first sample, last sample, fit."""
    none = Fit("none", w / 2, h / 2, math.sqrt(w * h / math.pi), (0, 0, w, h), None, 0.95)
    fits: list[Fit] = []
    near: Fit | None = None
    for b in blocks:
        fit = none if b.evidence is None else fit_field(_unpack(b.evidence), b.noise, near)
        fits.append(fit)
        if fit.shape != "none" and fit.confidence > 0.9:
            near = fit
    wandering = _drifting(blocks, fits, h, w)
    label = list(wandering)
    # sure blocks first, large before small: what is only darker must not found a field
    order = [i for i, f in enumerate(fits) if f.shape != "none"]
    order.sort(key=lambda i: (fits[i].confidence < 0.7, -_area(fits[i], h, w)
                              if fits[i].confidence >= 0.7 else -fits[i].confidence))
    for i in order:
        if label[i] is not None:
            continue
        seed = fits[i]
        member = [
            k for k in range(len(blocks))
            if label[k] is None and (k == i or _agrees(seed, blocks[k], fits[k], h, w))
        ]
        best = _settled(seed, [blocks[k] for k in member], [fits[k] for k in member], h, w)
        if seed.confidence >= 0.9 and (
            best.confidence < 0.5 or difference_ratio(seed, best, h, w) > 0.02
        ):
            # the pool shows another field than the block it began with: those alike only
            member = [
                k for k in member
                if k == i or (fits[k].shape != "none"
                              and difference_ratio(seed, fits[k], h, w) < SAME_RATIO)
            ]
            best = _settled(seed, [blocks[k] for k in member], [fits[k] for k in member], h, w)
        for k in member:
            label[k] = best
    final = [fits[i] if f is None else f for i, f in enumerate(label)]
    final = _together(blocks, fits, final, h, w)
    apart = {id(f) for f in wandering if f is not None}
    final = _with_stops(blocks, final, apart, h, w)
    final = _with_corners_of(blocks, final, h, w)
    final = _made_one(blocks, final, apart, h, w)
    final = _between(fits, final, h, w)
    final = _vouched(blocks, fits, final, h, w)
    final = _of_one_kind(blocks, _outnumbered(blocks, fits, final))
    final = _of_one_cut(blocks, final, h)
    sure = max((f.confidence for f in final if f.shape != "none"), default=0.0)
    # a recording in which a block saw a sure field is not without one
    seen = max((_hint(f) for f in fits if f.shape != "none"), default=0.0)
    full = _fills(blocks) * (1 - seen)
    sharp = max((f.parts.get("raw_cover", 0.0) for f in fits if f.shape != "none"), default=0.0)
    if sure < 0.1 and sharp < 0.35:
        # nowhere a rim: what is dark at the border is no surround, or nothing can be seen
        full = max(full, 0.3)
    if sure < 0.5 and full > sure:
        whole = replace(none, confidence=full)
        # what fills the frame elsewhere says nothing of blocks that show a dark border
        fill = [f.shape == "none" or _fills([b]) >= 0.5 for b, f in zip(blocks, fits, strict=True)]
        bright = [b.bright for b, on in zip(blocks, fill, strict=True) if on]
        border = [
            f.shape != "none" and (not bright or (not on and b.bright < 0.6 * np.median(bright)))
            for b, f, on in zip(blocks, fits, fill, strict=True)
        ]
        dark = [b for b, on in zip(blocks, border, strict=True) if on]
        rest = replace(none, confidence=min(full, _fills(dark))) if dark else whole
        if rest.confidence >= full - 0.1:
            return [(blocks[0].start_s, blocks[-1].stop_s, whole)]
        final = [rest if on else whole for on in border]
    if sure >= 0.5:
        # what no sure field explains and that is no sure field itself is not seen here
        main = max((f for f in final if f.shape != "none"), key=lambda f: f.confidence)
        for i, f in enumerate(final):
            if f.shape != "none" and f.confidence < 0.5:
                # another picture, or a card: lit where the field is not, or nothing moves
                light = _light_outside(main, blocks[i], h, w)
                evidence = blocks[i].evidence
                seen = 0.0
                if evidence is not None:
                    seen = support_ratio(_unpack(evidence), blocks[i].noise, main)
                own = fits[i]
                if own.shape != "none" and own.confidence >= 0.5:
                    # it was read by itself: the others do not outvote it, nor it them
                    same = difference_ratio(main, own, h, w) < SAME_RATIO
                    final[i] = main if same else _unsure(own)
                    continue
                if seen > 0.4 and light < 0.08:
                    final[i] = main if main.shape != "other" else _unsure(main)
                    continue
                other = (light > 0.03 and seen < 0.25) or blocks[i].motion < 1.5
                # a field that is not sure itself cannot tell that another is none
                other = other and main.confidence >= 0.9
                final[i] = replace(none, confidence=0.95 - 0.2 * f.confidence if other else 0.5)
            elif f.shape == "none" and f.parts.get("lit", 1.0) < 0.01 and blocks[i].bright < 12:
                final[i] = none
    out: list[tuple[float, float, Fit]] = []
    for b, f in zip(blocks, final, strict=True):
        if out and _one_field(out[-1][2], f):
            kept = min(out[-1][2], f, key=lambda q: q.confidence)
            out[-1] = (out[-1][0], b.stop_s, kept)
        else:
            out.append((b.start_s, b.stop_s, f))
    return _on_the_way(_debounce(out), h, w)


def _unsure(fit: Fit, most: float = UNSURE) -> Fit:
    """The fit with a confidence of at most `most`, and never a sure one."""
    return replace(fit, confidence=min(fit.confidence, most, UNSURE))


def _one_field(a: Fit, b: Fit) -> bool:
    """Are two fits the same field, equally sure, or both none?"""
    if a.shape == b.shape == "none":
        return True
    return a is b or (
        a.outline is b.outline
        and (a.shape, a.x, a.y, a.r, a.box, a.confidence)
        == (b.shape, b.x, b.y, b.r, b.box, b.confidence)
    )


def _on_the_way(
    runs: list[tuple[float, float, Fit]], h: int, w: int
) -> list[tuple[float, float, Fit]]:
    """Short stretches unlike the fields before and after them are not sure: a zoom is running.

    Nor is the sample on either side: the zoom began or ended within it. Where nothing
    explains a stretch between two different fields, the block on either side is not sure: as
    much of the zoom may lie in it unseen.
    """
    step_s = 1 / FieldFold.SAMPLE_RATE_HZ
    reach: dict[int, int] = {}  # run in which a zoom may run: samples on either side
    for i in range(1, len(runs) - 1):
        (_, _, before), (start, stop, fit), (_, _, after) = runs[i - 1 : i + 2]
        if "none" in (before.shape, after.shape):
            continue
        if fit.shape == "none":
            if fit.confidence < 0.9 and difference_ratio(before, after, h, w) > SAME_RATIO:
                reach[i] = BLOCK_SAMPLES
        elif stop - start <= 2.0 and (
            min(difference_ratio(fit, f, h, w) for f in (before, after)) > SAME_RATIO
        ):
            reach[i] = 1
    out: list[tuple[float, float, Fit]] = []
    for i, (start, stop, fit) in enumerate(runs):
        unsure = _unsure(fit)
        if i in reach:
            out.append((start, stop, unsure))
            continue
        first, last = (reach.get(k, 0) * step_s for k in (i - 1, i + 1))
        if stop - start < first + last:
            out.append((start, stop, unsure))
            continue
        if first:
            out.append((start, start + first - step_s, unsure))
        out.append((start + first, stop - last, fit))
        if last:
            out.append((stop - last + step_s, stop, unsure))
    return out


def _together(
    blocks: list[_Block], fits: list[Fit], final: list[Fit], h: int, w: int
) -> list[Fit]:
    """Where no block is sure of its own: what all of them show together, if that is clearer."""
    member = [i for i, f in enumerate(final) if blocks[i].evidence is not None
              and f.shape != "none"]
    sure = max((final[i].confidence for i in member), default=1.0)
    if sure >= 0.9 or len(member) < 2:
        return final
    best = max((final[i] for i in member), key=lambda f: f.confidence)
    whole = _settled(best, [blocks[i] for i in member], [fits[i] for i in member], h, w)
    if whole.shape == "none" or whole.confidence < sure + 0.05:
        return _likeliest(blocks, final, whole, h, w) if sure < 0.5 else final
    out = list(final)
    for i in member:
        if _light_outside(whole, blocks[i], h, w) < 0.02:
            out[i] = whole
    return out


def _likeliest(
    blocks: list[_Block], final: list[Fit], whole: Fit, h: int, w: int
) -> list[Fit]:
    """Nothing is sure: the field of which most of the boundary is seen, where it fits.

    A person will look; they should start from the best guess of all blocks, not from a
    different one in each.
    """
    known = [f for f in (*final, whole) if f.shape != "none"]
    best = max(known, key=lambda f: f.parts.get("raw_cover", 0.0))
    out = list(final)
    for i, f in enumerate(final):
        if f is best or f.shape == "none" or blocks[i].evidence is None:
            continue
        gain = best.parts.get("raw_cover", 0.0) - f.parts.get("raw_cover", 0.0)
        if gain > 0.1 and _light_outside(best, blocks[i], h, w) < 0.03:
            out[i] = _unsure(best, 0.5)
    return out


def _with_stops(
    blocks: list[_Block], final: list[Fit], apart: set[int], h: int, w: int
) -> list[Fit]:
    """A stop that other blocks show holds where the same circle is dark beyond it.

    A stop is part of the scope or the camera: it does not come and go. What lies in the
    dark of one block can be seen in another. Where a block shows the circle's rim beyond
    it, there is no stop: it was a shadow. A circle that wanders (ids in `apart`) takes over
    the sides only and stays where it is; its new id is added.
    """
    known = [
        f for f in {id(f): f for f in final}.values()
        if f.shape in ("circle", "circle-clipped") and f.confidence >= 0.5
    ]
    instead: dict[int, Fit] = {}
    for g in known:
        for f in known:
            if f.confidence >= 0.9 and _same_but_cut(f, g, h):
                own = (b for b, q in zip(blocks, final, strict=True) if q is f)
                if any(_rim_beyond(f, g, b, h) for b in own):
                    instead[id(g)] = f

    def as_in(f: Fit, g: Fit) -> Fit:
        if g is f or id(f) not in apart:
            return g
        moved = replace(f, shape=g.shape, box=g.box, outline=g.outline)
        apart.add(id(moved))
        return moved

    out = [as_in(f, instead.get(id(f), f)) for f in final]
    for i, f in enumerate(out):
        evidence = blocks[i].evidence
        if evidence is None or f.outline is not None or not any(f is q for q in known):
            continue
        best = f
        for g in known:
            if not _same_but_cut(f, g, h) or not _cut_more(g, best, h):
                continue
            if id(g) in instead or _rim_beyond(f, g, blocks[i], h):
                continue
            if g.confidence < f.confidence - 0.1 or g.parts.get("stop", 1.0) < 0.9:
                continue
            more = _light_outside(g, blocks[i], h, w) - _light_outside(f, blocks[i], h, w)
            if 0.003 <= more < 0.03:
                # a glow beyond it, if more of the stop is seen than of the circle there
                e, noise = _unpack(evidence), blocks[i].noise
                more = 1.0 if support_ratio(e, noise, g) < support_ratio(e, noise, f) else 0.0
            if more < 0.003:
                best = g
        out[i] = as_in(f, best)
    return out


def _with_corners_of(blocks: list[_Block], final: list[Fit], h: int, w: int) -> list[Fit]:
    """The outline that other blocks show holds where a part of it lies in the dark.

    Like a stop, a mask does not come and go: an outline that shares most of its sides with a
    larger, sure one is that one with a dark corner. A zoom would move all sides.
    """
    known = [
        f for f in {id(f): f for f in final}.values()
        if f.shape == "other" and f.outline is not None and f.confidence >= 0.7
    ]
    masks = {id(f): filled(f.outline, h, w) for f in known if f.outline is not None}
    angle = (np.arange(120) + 0.5) * (2 * math.pi / 120)
    out = list(final)
    for i, f in enumerate(final):
        if id(f) not in masks:
            continue
        own = masks[id(f)]
        for g in sorted(known, key=lambda q: -q.confidence):
            more = cv2.countNonZero(masks[id(g)] & ~own)
            less = cv2.countNonZero(own & ~masks[id(g)])
            if g is f or g.confidence < 0.9 or more < 0.0015 * h * w or less > 0.004 * h * w:
                continue
            x, y = _middle(f, h, w)
            gap = np.abs(_radii(g, x, y, angle) - _radii(f, x, y, angle))
            if (gap < 0.01 * h).mean() > 0.6:
                out[i] = g
                break
    return out


def _same_but_cut(f: Fit, g: Fit, h: int) -> bool:
    """Is g the circle f with a stop further in, and none further out?"""
    apart = math.hypot(f.x - g.x, f.y - g.y) + abs(f.r - g.r)
    return apart <= 0.01 * h and _cut_more(g, f, h) and not _cut_more(f, g, h)


def _rim_beyond(f: Fit, g: Fit, block: _Block, h: int) -> bool:
    """Does a block show the rim of circle f beyond a stop that only g has?"""
    if block.evidence is None:
        return False
    e = _unpack(block.evidence)
    seen = without_false_stops(e, unit_level(e, block.noise), (f.x, f.y, f.r), g.box)
    return any(abs(a - b) > 0.015 * h for a, b in zip(seen, g.box, strict=True))


def _made_one(
    blocks: list[_Block], final: list[Fit], apart: set[int], h: int, w: int
) -> list[Fit]:
    """Fields that differ by less than SAME_RATIO are one: the one that most samples show.

    apart: ids of fits that stay as they are (a circle that wanders).
    """
    weight: dict[int, float] = {}
    known: dict[int, Fit] = {}
    for b, f in zip(blocks, final, strict=True):
        if f.shape in ("circle", "circle-clipped") and id(f) not in apart:
            known[id(f)] = f
            weight[id(f)] = weight.get(id(f), 0.0) + b.samples * f.confidence
    kept: list[Fit] = []
    into: dict[int, Fit] = {}
    for i in sorted(known, key=lambda i: -weight[i]):
        f = known[i]
        alike = [
            g for g in kept
            if (g.outline is None) is (f.outline is None)
            and difference_ratio(g, f, h, w) < SAME_RATIO
        ]
        into[i] = alike[0] if alike else f
        if not alike:
            kept.append(f)
    return [into.get(id(f), f) for f in final]


def _vouched(
    blocks: list[_Block], fits: list[Fit], final: list[Fit], h: int, w: int
) -> list[Fit]:
    """A field reaches in time as far as blocks that show it themselves, and less surely further.

    Between two such blocks a dark one has the same field. Before the first and after the
    last of a stretch the zoom may have been another.
    """
    out = list(final)
    start = 0
    for i in range(1, len(final) + 1):
        if i < len(final) and (final[i] is final[start] or final[i].shape == "none"):
            continue
        model = final[start]
        if model.shape in ("circle", "circle-clipped"):
            run = [k for k in range(start, i) if final[k] is model]
            own = [k for k in run if _shows(model, blocks[k], fits[k], h, w)]
            for k in run:
                if not own or not own[0] <= k <= own[-1]:
                    out[k] = _unsure(model)
        start = i
    return out


def _outnumbered(blocks: list[_Block], fits: list[Fit], final: list[Fit]) -> list[Fit]:
    """Sure here and there, while most of what is lit fits nothing: nowhere sure."""
    lit = [
        k for k, b in enumerate(blocks)
        if b.evidence is not None and fits[k].shape != "none" and fits[k].parts["lit"] > 0.05
    ]
    seen = sum(blocks[k].samples for k in lit if final[k].confidence >= 0.9)
    lost = sum(blocks[k].samples for k in lit if final[k].confidence < 0.5)
    if lost <= 1.5 * seen:
        return final
    return [f if f.shape == "none" else _unsure(f) for f in final]


def _of_one_kind(blocks: list[_Block], final: list[Fit]) -> list[Fit]:
    """A mask does not turn into a disc and back: what less of the time shows is not sure."""
    time: dict[bool, float] = {}
    for b, f in zip(blocks, final, strict=True):
        if f.shape != "none" and f.confidence >= 0.5:
            time[f.shape == "other"] = time.get(f.shape == "other", 0.0) + b.samples
    if len(time) < 2:
        return final
    rare = min(time, key=lambda k: time[k])
    return [
        _unsure(f) if f.shape != "none" and (f.shape == "other") is rare else f for f in final
    ]


def _of_one_cut(blocks: list[_Block], final: list[Fit], h: int) -> list[Fit]:
    """A stop does not come and go on one circle: what less of the time shows is not sure."""
    time: dict[int, float] = {}
    known: dict[int, Fit] = {}
    for b, f in zip(blocks, final, strict=True):
        if f.shape in ("circle", "circle-clipped") and f.confidence >= 0.9:
            known[id(f)] = f
            time[id(f)] = time.get(id(f), 0.0) + b.samples
    rare: set[int] = set()
    for i, f in known.items():
        for k, g in known.items():
            if _same_but_cut(f, g, h):
                rare.add(i if time[i] <= time[k] else k)
    return [_unsure(f) if id(f) in rare else f for f in final]


def _shows(model: Fit, block: _Block, fit: Fit, h: int, w: int) -> bool:
    """Does a block show the model's boundary by itself?"""
    if block.evidence is None or fit.shape == "none":
        return False
    if difference_ratio(model, fit, h, w) < SAME_RATIO:
        return True
    return support_ratio(_unpack(block.evidence), block.noise, model) > 0.6


def _between(fits: list[Fit], final: list[Fit], h: int, w: int) -> list[Fit]:
    """Beside a change of the circle, a block whose own circle lies between both is not sure.

    A slow zoom ran in it: the mean of its pictures is neither the one nor the other.
    """
    out = list(final)
    for i in range(len(final) - 1):
        a, b = final[i], final[i + 1]
        if a is b or not all(f.shape in ("circle", "circle-clipped") for f in (a, b)):
            continue
        if difference_ratio(a, b, h, w) < SAME_RATIO:
            continue
        ran = False
        for f, own, other in ((fits[i], a, b), (fits[i + 1], b, a)):
            if f.shape not in ("circle", "circle-clipped") or f.confidence < 0.3:
                continue
            way = np.array([other.x - own.x, other.y - own.y, other.r - own.r])
            gone = np.array([f.x - own.x, f.y - own.y, f.r - own.r])
            u = float(gone @ way) / max(float(way @ way), 1e-9)
            ran |= 0.06 < u < 0.94 and bool(np.abs(gone).max() > 0.003 * h)
        if ran:
            for k in (i, i + 1):
                own = out[k]
                f = fits[k] if fits[k].shape == own.shape else own
                out[k] = _unsure(f, own.confidence)
    return out


def _hint(f: Fit) -> float:
    """How much a fit speaks for a field of any kind, even where it is not sure: 0..1."""
    long = min(max((f.parts.get("raw_cover", 0.0) - 0.5) / 0.2, 0.0), 1.0)
    wide = min(max((f.parts.get("raw_span", 0.0) - 0.1) / 0.15, 0.0), 1.0)
    return max(f.confidence, long * wide * f.parts.get("line", 0.0))


def _settled(seed: Fit, blocks: list[_Block], fits: list[Fit], h: int, w: int) -> Fit:
    """The fit to the pooled evidence of blocks that agree, its confidence lowered by dissent."""
    if len(blocks) < 2:
        return seed
    e, noise = _pool(blocks)
    pooled = fit_field(e, noise, seed)
    if pooled.shape == "none":
        return replace(seed, confidence=0.5 * seed.confidence)
    if pooled.confidence >= 0.7 * seed.confidence:
        best = pooled
    else:
        best = replace(seed, confidence=math.sqrt(seed.confidence * pooled.confidence))
    apart = [
        difference_ratio(best, f, h, w) for f in fits if f.confidence > 0.5 and f.shape != "none"
    ]
    if not apart:
        return best
    u = min(max((0.03 - float(np.median(apart))) / 0.02, 0.0), 1.0)
    return replace(best, confidence=best.confidence * u)


def _debounce(runs: list[tuple[float, float, Fit]]) -> list[tuple[float, float, Fit]]:
    """Drops stretches of one or two samples that are not sure, between two alike."""
    out: list[tuple[float, float, Fit]] = []
    i = 0
    while i < len(runs):
        start, stop, fit = runs[i]
        short = stop - start <= 1.0 and fit.confidence < 0.9
        if short and out and i + 1 < len(runs):
            before, after = out[-1], runs[i + 1]
            if before[2] is after[2] or before[2].shape == after[2].shape == "none":
                out[-1] = (before[0], after[1], before[2])
                i += 2
                continue
        out.append((start, stop, fit))
        i += 1
    return out


DRIFT_RATIO = 0.004
SHALLOW_RATIO = 0.006


def _drifting(blocks: list[_Block], fits: list[Fit], h: int, w: int) -> list[Fit | None]:
    """A field of its own for each block of a stretch in which the circle wanders.

    A chain is a row of sure circles of one size whose centres move little from
    one to the next. Where the smoothed centre of a chain moves by more than
    DRIFT_RATIO of the height, its blocks get the smoothed circle; else None.
    """
    label: list[Fit | None] = [None] * len(blocks)
    chain: list[int] = []

    def close() -> None:
        if len(chain) < 4:
            return
        t = np.array([(blocks[i].start_s + blocks[i].stop_s) / 2 for i in chain])
        weight = np.array([float(blocks[i].samples) for i in chain])
        xs, ys = (
            np.array([getattr(fits[i], axis) for i in chain], np.float64) for axis in ("x", "y")
        )
        sx, sy = _smooth(t, xs, weight), _smooth(t, ys, weight)
        if max(np.ptp(sx), np.ptp(sy)) < DRIFT_RATIO * h:
            return
        r = float(np.median([fits[i].r for i in chain]))
        cut = np.median([_cuts(fits[i]) for i in chain], axis=0)
        sides = np.array([fits[i].box for i in chain], np.float64)
        for k in range(4):
            if cut[k] < SHALLOW_RATIO * h:  # touches the circle and would cut it further on
                sides[:, k] = (0, 0, w, h)[k]
                continue
            smooth = _smooth(t, sides[:, k], weight)
            still = np.ptp(smooth) < DRIFT_RATIO * h
            sides[:, k] = np.median(sides[:, k]) if still else smooth
        confidence = float(np.median([fits[i].confidence for i in chain]))
        for i, x, y, box in zip(chain, sx, sy, sides.tolist(), strict=True):
            label[i] = replace(
                fits[i], x=float(x), y=float(y), r=r, box=(box[0], box[1], box[2], box[3]),
                confidence=confidence, outline=None,
            )
        # unsure blocks between two of the chain move along with it
        for a, b in pairwise(chain):
            for i in range(a + 1, b):
                fa, fb = label[a], label[b]
                evidence = blocks[i].evidence
                if evidence is None or fits[i].shape == "none" or not fa or not fb:
                    continue
                u = (i - a) / (b - a)
                between = replace(fa, x=fa.x + u * (fb.x - fa.x), y=fa.y + u * (fb.y - fa.y))
                if support_ratio(_unpack(evidence), blocks[i].noise, between) > 0.4:
                    label[i] = between

    for i, f in enumerate(fits):
        if f.shape in ("other", "none") or f.confidence < 0.8:
            continue
        if chain:
            last = fits[chain[-1]]
            step = 0.016 * h * min(i - chain[-1], 3)
            sides = float(np.abs(_cuts(f) - _cuts(last)).max())
            moved = math.hypot(f.x - last.x, f.y - last.y)
            if moved > step or abs(f.r - last.r) > 0.012 * h or sides > 0.016 * h:
                close()
                chain = []
        chain.append(i)
    close()
    return label


def _cuts(f: Fit) -> Points:
    """(4,) px by which left, top, right and bottom side cut into the circle; 0 for none."""
    left, top, right, bottom = f.box
    deep = (left - f.x + f.r, top - f.y + f.r, f.x + f.r - right, f.y + f.r - bottom)
    return np.maximum(deep, 0.0)


def _smooth(t: Points, v: Points, weight: Points) -> Points:
    """Local straight lines over about five neighbours, robust against single outliers."""
    scale = 2.0 * float(np.median(np.diff(t))) + 1e-6
    out = np.empty_like(v)
    trust = weight.copy()
    for _ in range(2):
        for k, at in enumerate(t):
            u = trust * np.exp(-0.5 * ((t - at) / scale) ** 2)
            a = np.stack([np.ones_like(t), t - at], axis=1)
            m = (a * u[:, None]).T @ a + np.diag([1e-9, 1e-3 * float(u.sum())])
            out[k] = np.linalg.solve(m, (a * u[:, None]).T @ v)[0]
        trust = weight / (1 + ((v - out) / 0.7) ** 2)
    return out


def _area(f: Fit, h: int, w: int) -> float:
    angle = (np.arange(72) + 0.5) * (2 * math.pi / 72)
    x, y = _middle(f, h, w)
    return float(np.square(_radii(f, x, y, angle)).mean())


def _middle(f: Fit, h: int, w: int) -> tuple[float, float]:
    return (
        (max(f.box[0], f.x - f.r, 0) + min(f.box[2], f.x + f.r, w)) / 2,
        (max(f.box[1], f.y - f.r, 0) + min(f.box[3], f.y + f.r, h)) / 2,
    )


def _agrees(model: Fit, block: _Block, fit: Fit, h: int, w: int) -> bool:
    """Does a block's evidence allow the model?

    Yes if its own field is the same, or lies inside and shares enough of the
    boundary (a part of the picture was dark), or is unsure, and nothing is lit
    outside the model.
    """
    if block.evidence is None or fit.shape == "none":
        return False
    if difference_ratio(model, fit, h, w) < SAME_RATIO:
        return True
    if model.confidence < 0.5:
        return False
    if _light_outside(model, block, h, w) > 0.012 + 0.5 * model.parts.get("raw_light", 0.0):
        return False
    if fit.confidence < 0.5:
        e = _unpack(block.evidence)
        return model.shape == "other" or support_ratio(e, block.noise, model) > 0.25
    if fit.shape != "other" and fit.parts.get("raw_cover", 0.0) > 0.75:
        # a whole circle of its own: another size or place is another field
        apart = math.hypot(fit.x - model.x, fit.y - model.y) + abs(fit.r - model.r)
        if apart > 0.015 * h and not _cut_more(fit, model, h):
            return False
    angle = (np.arange(72) + 0.5) * (2 * math.pi / 72)
    x, y = _middle(model, h, w)
    gap = (_radii(model, x, y, angle) - _radii(fit, x, y, angle)) / h
    return bool((np.abs(gap) < 0.01).mean() > 0.4)


def _cut_more(fit: Fit, model: Fit, h: int) -> bool:
    """Has the fit a side further in than the model?"""
    gap = [fit.box[0] - model.box[0], fit.box[1] - model.box[1],
           model.box[2] - fit.box[2], model.box[3] - fit.box[3]]
    return max(gap) > 0.015 * h


def _light_outside(model: Fit, block: _Block, h: int, w: int) -> float:
    """Part of the frame that is lit although it lies outside the model."""
    assert block.evidence is not None
    e = np.asarray(cv2.morphologyEx(block.evidence, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)))
    n1 = unit_level(_unpack(block.evidence), block.noise)
    limit = lit_limit(np.log2(1 + _unpack(e[::2, ::2]) / np.float32(n1))) + 0.5
    limit = math.sqrt((2**limit - 1) * n1 * 255)
    angle = (np.arange(180) + 0.5) * (2 * math.pi / 180)
    x, y = _middle(model, h, w)
    r = _radii(model, x, y, angle) + 0.02 * h
    ring = np.stack([x + r * np.cos(angle), y + r * np.sin(angle)], axis=1)
    lit = (e > limit).astype(np.uint8)
    cv2.fillPoly(lit, [np.round(ring * 16 - 8).astype(np.int32)], 0, shift=4)
    return float(cv2.countNonZero(lit)) / (h * w)


# Motion of a corner's tip over that of the frame's border, at its highest. Of 12 discs that
# cut only corners the stillest tip reached 0.44, of 12 dark pictures without a field 11 had
# 0.49 or more.
STILL_TIP = 0.46


def _fills(blocks: list[_Block]) -> float:
    """Confidence that the picture fills the frame: its border is lit at some time."""
    lit: NDArray[np.float32] | None = None
    high: NDArray[np.uint8] | None = None
    free = sum(b.samples for b in blocks if b.evidence is None)
    total = sum(b.samples for b in blocks)
    for b in blocks:
        if b.evidence is None:
            continue
        e = b.evidence
        edge = np.concatenate([e[2], e[-3], e[:, 2], e[:, -3]]).astype(np.float32)
        lit = edge if lit is None else np.maximum(lit, edge)
        high = e if high is None else np.maximum(high, e)
    if lit is None or high is None:
        return 0.95
    corners = dark_corners(np.log2(1 + _unpack(high) / np.float32(3)))
    share = float((np.square(lit) / 255 > 8).mean())
    if corners >= 2 and free < 0.2 * total:
        share = min(share, 0.65)
    u = min(max((max(share, free / total) - 0.5) / 0.3, 0.0), 1.0)
    # A disc a little larger than the frame cuts nothing but the tips of its corners: they
    # stand still, dark or not, while the picture along the frame moves.
    tips = [b.tips for b in blocks if b.evidence is not None and b.tips is not None]
    still = bool(tips) and float(np.max(tips, axis=0).min()) < STILL_TIP
    return (0.85 if still else 0.95) * u


def _cover(
    runs: list[tuple[float, float, Fit]], duration_s: float
) -> list[tuple[float, float, Fit]]:
    """Spans without gaps over [0, duration_s); changes lie midway between samples."""
    out = []
    start = 0.0
    for i, (_, last, fit) in enumerate(runs):
        stop = duration_s if i == len(runs) - 1 else (last + runs[i + 1][0]) / 2
        stop = min(round(stop, 6), duration_s)
        if stop > start:
            out.append((start, stop, fit))
            start = stop
    return out


# --- masks -----------------------------------------------------------------------


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
    r = model_radius(span.center_x_px, span.center_y_px, span.radius_px, box, x, y, angle)
    return np.stack([x + r * np.cos(angle), y + r * np.sin(angle)], axis=1)


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
        inside = (x - span.center_x_px) ** 2 + (y - span.center_y_px) ** 2 <= r * r
        inside &= (x >= left) & (x < -right) & (y >= top) & (y < -bottom)
        return inside.astype(np.uint8) * np.uint8(255)
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
