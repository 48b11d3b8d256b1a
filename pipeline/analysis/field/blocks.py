"""Pooled evidence of a recording: blocks of consecutive pictures with one geometry each.

About twice a second a picture reduced to at most 480 rows comes in. Pictures are pooled in
blocks of at most 8; a block ends early where the picture leaves the geometry it had (room,
title card, zoom). A block keeps how far each pixel lies from the surround, at 240 rows, so
memory stays flat with length: when there are too many blocks, neighbours that agree are merged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.level import Surround, find_surround, highest
from pipeline.analysis.field.rays import Plane

EVIDENCE_ROWS_PX = 240
THUMB_ROWS_PX = 60
BLOCK_SAMPLES = 8
MAX_BLOCKS = 120
_BORDER_MOVES = 0.5  # levels between samples, that of rounding


@dataclass
class Block:
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


def pack(e: Plane) -> NDArray[np.uint8]:
    """Evidence in levels as uint8, companded by its square root."""
    return np.asarray(np.round(np.sqrt(np.clip(e, 0, 255) * 255.0)), np.uint8)


def unpack(p: NDArray[Any]) -> Plane:
    """Evidence of a block in levels, float32."""
    return np.asarray(np.square(p.astype(np.float32)) / np.float32(255), np.float32)


class Pooling:
    """Takes pictures in time order and keeps them as blocks."""

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
        self._blocks: list[Block] = []
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
            self._add(Block(times[0], times[-1], len(times), None, 0.0, bright, moved))
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
            Block(
                times[0], times[-1], len(times), pack(e), surround.noise, bright, moved,
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

    def _add(self, block: Block) -> None:
        self._blocks.append(block)
        if len(self._blocks) > MAX_BLOCKS:
            self._thin()

    def _thin(self) -> None:
        """Merges the neighbours that differ least, until there is room again."""
        blocks = self._blocks

        def distance(a: Block, b: Block) -> float:
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


def _merge(a: Block, b: Block) -> Block:
    evidence: NDArray[np.uint8] | None = None
    if a.evidence is not None and b.evidence is not None:
        n = a.samples + b.samples
        evidence = pack(
            (unpack(a.evidence) * a.samples + unpack(b.evidence) * b.samples) / np.float32(n)
        )
    k = a.samples / (a.samples + b.samples)
    return Block(
        a.start_s, b.stop_s, a.samples + b.samples, evidence,
        a.noise * k + b.noise * (1 - k), a.bright * k + b.bright * (1 - k),
        a.motion * k + b.motion * (1 - k),
        tuple(map(max, a.tips, b.tips)) if a.tips and b.tips else a.tips or b.tips,
    )


# --- the track -------------------------------------------------------------------


def pooled(blocks: list[Block]) -> tuple[Plane, float]:
    """Mean evidence (row, col) of blocks that have some, and its noise, levels."""
    total: Plane | None = None
    weight = 0.0
    noise = 0.0
    for b in blocks:
        if b.evidence is None:
            continue
        k = float(min(b.samples, 16))
        e = unpack(b.evidence) * np.float32(k)
        total = e if total is None else total + e
        weight += k
        noise += k * b.noise
    assert total is not None
    return total / np.float32(weight), noise / weight
