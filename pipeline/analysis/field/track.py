"""The scope field of a recording: blocks of pictures fitted, and joined over time.

Long because its passes over the blocks lean on each other, as the rules of `fit` do.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.blocks import BLOCK_SAMPLES, Block, Pooling, pooled, unpack
from pipeline.analysis.field.fade import fade_px, stops_only
from pipeline.analysis.field.fit import (
    Fit,
    dark_corners,
    filled,
    fit_field,
    lit_limit,
    model_radius,
    support_ratio,
    unit_level,
    without_false_stops,
)
from pipeline.analysis.field.level import Points
from pipeline.model.field import FieldSpan, Shape, whole_picture

SAME_RATIO = 0.012
UNSURE = 0.85  # the most where something speaks against a field that fits


class FieldFold(Pooling):
    """Finds the scope field of one recording.

    Call `step` with pictures in time order, about SAMPLE_RATE_HZ times a
    second, then `finish` once.
    """

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
        spans = [(a, b, _faded(self._blocks, a, b, fit, self._h)) for a, b, fit in spans]
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


def _faded(blocks: list[Block], start_s: float, stop_s: float, fit: Fit, h: int) -> Fit:
    """The circle as wide as its light reaches, where that fades instead of ending at a rim."""
    shown = [
        b for b in blocks
        if b.evidence is not None and b.start_s <= stop_s and b.stop_s >= start_s
    ]
    if fit.shape not in ("circle", "circle-clipped") or fit.outline is not None or not shown:
        return fit
    e, _ = pooled(shown)
    if not fade_px(e, fit.x, fit.y, fit.r, fit.box):
        return fit
    box = stops_only(e, fit.x, fit.y, fit.r, fit.box)
    r = fit.r + fade_px(e, fit.x, fit.y, fit.r, box)
    inside = min(fit.x - r - box[0], fit.y - r - box[1], box[2] - fit.x - r, box[3] - fit.y - r)
    shape: Shape = "circle" if inside >= -0.002 * h else "circle-clipped"
    return replace(fit, r=r, box=box, shape=shape)


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


def _track(blocks: list[Block], h: int, w: int) -> list[tuple[float, float, Fit]]:
    """Runs of blocks with one geometry each: first sample, last sample, fit."""
    none = Fit("none", w / 2, h / 2, math.sqrt(w * h / math.pi), (0, 0, w, h), None, 0.95)
    fits: list[Fit] = []
    near: Fit | None = None
    for b in blocks:
        fit = none if b.evidence is None else fit_field(unpack(b.evidence), b.noise, near)
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
                    seen = support_ratio(unpack(evidence), blocks[i].noise, main)
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
    blocks: list[Block], fits: list[Fit], final: list[Fit], h: int, w: int
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
    blocks: list[Block], final: list[Fit], whole: Fit, h: int, w: int
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
    blocks: list[Block], final: list[Fit], apart: set[int], h: int, w: int
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
                e, noise = unpack(evidence), blocks[i].noise
                more = 1.0 if support_ratio(e, noise, g) < support_ratio(e, noise, f) else 0.0
            if more < 0.003:
                best = g
        out[i] = as_in(f, best)
    return out


def _with_corners_of(blocks: list[Block], final: list[Fit], h: int, w: int) -> list[Fit]:
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


def _rim_beyond(f: Fit, g: Fit, block: Block, h: int) -> bool:
    """Does a block show the rim of circle f beyond a stop that only g has?"""
    if block.evidence is None:
        return False
    e = unpack(block.evidence)
    seen = without_false_stops(e, unit_level(e, block.noise), (f.x, f.y, f.r), g.box)
    return any(abs(a - b) > 0.015 * h for a, b in zip(seen, g.box, strict=True))


def _made_one(
    blocks: list[Block], final: list[Fit], apart: set[int], h: int, w: int
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
    blocks: list[Block], fits: list[Fit], final: list[Fit], h: int, w: int
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


def _outnumbered(blocks: list[Block], fits: list[Fit], final: list[Fit]) -> list[Fit]:
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


def _of_one_kind(blocks: list[Block], final: list[Fit]) -> list[Fit]:
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


def _of_one_cut(blocks: list[Block], final: list[Fit], h: int) -> list[Fit]:
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


def _shows(model: Fit, block: Block, fit: Fit, h: int, w: int) -> bool:
    """Does a block show the model's boundary by itself?"""
    if block.evidence is None or fit.shape == "none":
        return False
    if difference_ratio(model, fit, h, w) < SAME_RATIO:
        return True
    return support_ratio(unpack(block.evidence), block.noise, model) > 0.6


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


def _settled(seed: Fit, blocks: list[Block], fits: list[Fit], h: int, w: int) -> Fit:
    """The fit to the pooled evidence of blocks that agree, its confidence lowered by dissent."""
    if len(blocks) < 2:
        return seed
    e, noise = pooled(blocks)
    both = fit_field(e, noise, seed)
    if both.shape == "none":
        return replace(seed, confidence=0.5 * seed.confidence)
    if both.confidence >= 0.7 * seed.confidence:
        best = both
    else:
        best = replace(seed, confidence=math.sqrt(seed.confidence * both.confidence))
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


def _drifting(blocks: list[Block], fits: list[Fit], h: int, w: int) -> list[Fit | None]:
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
                if support_ratio(unpack(evidence), blocks[i].noise, between) > 0.4:
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


def _agrees(model: Fit, block: Block, fit: Fit, h: int, w: int) -> bool:
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
        e = unpack(block.evidence)
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


def _light_outside(model: Fit, block: Block, h: int, w: int) -> float:
    """Part of the frame that is lit although it lies outside the model."""
    assert block.evidence is not None
    e = np.asarray(cv2.morphologyEx(block.evidence, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)))
    n1 = unit_level(unpack(block.evidence), block.noise)
    limit = lit_limit(np.log2(1 + unpack(e[::2, ::2]) / np.float32(n1))) + 0.5
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


def _fills(blocks: list[Block]) -> float:
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
    corners = dark_corners(np.log2(1 + unpack(high) / np.float32(3)))
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
