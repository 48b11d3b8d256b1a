"""Where the marks go: the search for places that no crop removes and that cover little work."""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.activity import cost_map
from pipeline.analysis.mark.crop import Lit, quick_loss
from pipeline.analysis.mark.geometry import (
    distinct_fields,
    insides,
    mark_frame,
    stroke_points,
    turned,
)
from pipeline.analysis.mark.judge import evaluate, work_covered
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkCandidate, MarkPosition
from pipeline.model.options import MarkOptions

_MOST_HEIGHT = 0.35
"""A tall mark (an emblem) is kept this low, in field radii, whatever width is set."""
_KEPT_CANDIDATES = 6


def place(
    fields: list[FieldSpan],
    activity: dict[str, NDArray[np.float64]] | None,
    glyph_aspect: float,
    options: MarkOptions,
    lettering_boxes: list[tuple[float, float, float, float]],
    *,
    height_px: int | None = None,
    x_height_ratio: float | None = None,
    coverage: NDArray[np.float32] | None = None,
) -> list[MarkCandidate]:
    """Placements of 1 to 4 marks, best first.

    fields: the spans that a mark must serve, all of them.
    activity: from `ActivityFold.finish`, or None.
    glyph_aspect: width / height of one mark.
    lettering_boxes: (x, y, width, height) in px of the working picture.
    height_px: rows of the working picture (None: the lowest lit row).
    x_height_ratio: x-height over the width of the mark (None: an emblem).
    coverage: (row, col) of one mark, for the true strokes in the crop loss.

    A placement counts if it lies inside the lit picture and every export crop. Those that reach
    `options.crop_loss_goal` come first, by what they burden the viewer with; then the others,
    by crop loss. The
    width is that of the settings; if none of that width fits, it is made smaller by tenths.
    Raises ValueError without a field.
    """
    spans = distinct_fields(fields)
    if not spans:
        raise ValueError("place takes at least one field span")
    cost = cost_map(spans, activity, lettering_boxes)
    counts = [options.count] if options.count else [1, 2, 3]
    found: list[tuple[bool, float, float, list[MarkPosition]]] = []
    width = _widest(wanted_width(options, glyph_aspect), glyph_aspect, spans)
    for _ in range(3):
        if found or width <= 0:
            break
        for angles in ((0.0,), (-15.0, 15.0)):
            for angle in angles:
                for count in counts:
                    found += _search(count, width, angle, spans, cost, glyph_aspect, options)
            if any(reached for reached, *_ in found):
                break
        width *= 0.9
    if not found:  # no width fits the export crops: the middle of the picture, and the plan says so
        found = [
            (
                False,
                0.0,
                0.0,
                [MarkPosition(x=0, y=0, width_ratio=wanted_width(options, glyph_aspect))],
            )
        ]
    goal = options.crop_loss_goal
    found.sort(key=lambda f: (not f[0], _burden(f[2], len(f[3]), f[1], goal) if f[0] else -f[1]))
    chosen: list[MarkCandidate] = []
    for _, _, _, positions in found:
        if any(_alike(positions, c.positions) for c in chosen):
            continue
        chosen.append(
            evaluate(
                positions,
                fields,
                activity,
                glyph_aspect,
                options,
                lettering_boxes,
                height_px=height_px,
                x_height_ratio=x_height_ratio,
                coverage=coverage,
            )
        )
        if len(chosen) == _KEPT_CANDIDATES:
            break
    chosen.sort(
        key=lambda c: (
            not c.inside,
            c.crop_loss < goal,
            _burden(c.intrusion, len(c.positions), c.crop_loss, goal)
            if c.crop_loss >= goal
            else -c.crop_loss,
        )
    )
    return chosen


def _burden(intrusion: float, count: int, loss: float, goal: float) -> float:
    """What a placement that reaches the goal costs the viewer, less what it is worth.

    Two marks disturb less than twice as much as one, and a reserve of up to a tenth of crop
    loss above the goal is worth half of itself: common practice, no source.
    """
    return intrusion / math.sqrt(count) - 0.5 * min(loss - goal, 0.1)


def wanted_width(options: MarkOptions, aspect: float) -> float:
    """Width of one mark in field radii: the setting, less for an emblem that would be too tall."""
    return min(options.size_ratio, _MOST_HEIGHT * aspect)


def _widest(wanted: float, aspect: float, spans: list[FieldSpan]) -> float:
    """The wanted width, made smaller by tenths until a level mark fits; 0 if none does."""
    axis = np.linspace(-0.9, 0.9, 37)
    centres = np.array(list(itertools.product(axis, axis)))
    width = wanted
    while width > 0.05:
        lit, kept = insides(centres, mark_frame(width, aspect, 0.0), spans)
        if bool((lit & kept).any()):
            return width
        width *= 0.9
    return 0.0


def _alike(a: list[MarkPosition], b: list[MarkPosition]) -> bool:
    return len(a) == len(b) and all(
        math.hypot(p.x - q.x, p.y - q.y) < 0.15 for p, q in zip(a, b, strict=True)
    )


def _search(
    count: int,
    width: float,
    angle: float,
    spans: list[FieldSpan],
    cost: NDArray[np.float64],
    aspect: float,
    options: MarkOptions,
) -> list[tuple[bool, float, float, list[MarkPosition]]]:
    """Groups of `count` marks: (goal reached, quick crop loss, intrusion, positions)."""
    step = {1: 0.04, 2: 0.06}.get(count, 0.1)
    # symmetric about the centre, so that equal halves get equal chances
    axis = np.arange(-round(0.9 / step), round(0.9 / step) + 1) * step
    centres = np.array(list(itertools.product(axis, axis))).round(4)
    lit, kept = insides(centres, mark_frame(width, aspect, angle), spans)
    places = []
    for x, y in centres[lit & kept]:
        position = MarkPosition(x=float(x), y=float(y), angle_deg=angle, width_ratio=width)
        places.append((work_covered(cost, position, aspect), position))
    places.sort(key=lambda p: p[0])
    most = {1: 400, 2: 120, 3: 32, 4: 22}[count]
    if len(places) > most:  # thin out evenly, keeping the best
        picked = np.unique(np.linspace(0, len(places) - 1, most).astype(int))
        places = [places[i] for i in picked]
    groups = []
    for group in itertools.combinations(places, count):
        marks = sorted((p for _, p in group), key=lambda p: (p.y, p.x))
        if any(_crowded(p, q, aspect) for p, q in itertools.combinations(marks, 2)):
            continue
        groups.append((sum(i for i, _ in group), marks))
    groups.sort(key=lambda g: g[0])
    out: list[tuple[bool, float, float, list[MarkPosition]]] = []
    best_short: tuple[bool, float, float, list[MarkPosition]] | None = None
    goal = options.crop_loss_goal + 0.01  # a margin, because the quick estimate searches less
    quick = [Lit(span, 128) for span in spans]
    for intrusion, marks in groups[:60] + groups[60 :: max(1, len(groups) // 120)]:
        if any(_alike(marks, o[3]) for o in out):
            continue
        points, weight = stroke_points(marks, aspect)
        loss = min(quick_loss(points, weight, lit, goal) for lit in quick)
        if loss >= goal:
            out.append((True, loss, intrusion, marks))
            if len(out) >= 3:
                break
        elif best_short is None or loss > best_short[1]:
            best_short = (False, loss, intrusion, marks)
    if not out and best_short is not None:
        out.append(best_short)
    return out


def _crowded(p: MarkPosition, q: MarkPosition, aspect: float) -> bool:
    """True if two marks of the same angle overlap or nearly touch."""
    d = turned(np.array([[p.x - q.x, p.y - q.y]]), -p.angle_deg)[0]
    high = p.width_ratio / aspect
    return bool(abs(d[0]) < 1.1 * p.width_ratio and abs(d[1]) < 2.5 * high)
