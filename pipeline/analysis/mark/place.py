"""Where the work happens, and where the marks go."""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.crop import Lit, crop_loss, quick_loss
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkCandidate, MarkPosition
from pipeline.model.options import MarkOptions

GRID = 33
"""Cells of the activity grids across [-1, 1]."""
_FINE = 4  # samples per cell and axis
MARGIN = 0.04
"""The mark stays this far, in field radii, inside the lit edge."""
LEGIBLE_PX = 9.0
"""Least x-height at 360 rows of output."""
_MOST_HEIGHT = 0.35
"""A tall mark (an emblem) is kept this low, in field radii, whatever width is set."""
_CENTRE_REACH = 0.45  # common practice, no source: the work is kept near the middle of the picture
_COST = {"centre": 0.35, "motion": 0.2, "instrument": 0.2, "detail": 0.1, "glare": 0.15}
_KEPT_CANDIDATES = 6


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
        lit = _lit_grid(field, fine)
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


def _axis(size: int) -> NDArray[np.float64]:
    return np.asarray((np.arange(size) + 0.5) * 2 / size - 1)


def _lit_grid(field: FieldSpan, size: int) -> NDArray[np.bool_]:
    """Which of size x size cells over [-1, 1]^2 are lit."""
    x, y = np.meshgrid(_axis(size), _axis(size))
    if field.outline_px is not None and len(field.outline_px) >= 3:
        import cv2

        shape = np.array([field.relative(px, py) for px, py in field.outline_px])
        mask = np.zeros((size, size), np.uint8)
        points = np.round(((shape + 1) * size / 2 - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(mask, [points], 1, shift=4)
        return mask.astype(bool)
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
    x, y = np.meshgrid(_axis(GRID), _axis(GRID))
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


def stroke_points(
    positions: list[MarkPosition], aspect: float, coverage: NDArray[np.float32] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points (n, 2) and weights (n,) of the strokes of a group, relative to the field.

    coverage: (row, col) of one mark; None for an evenly filled box of the aspect (width / height).
    """
    if coverage is None:
        across = max(9, min(41, round(5 * aspect)))
        down = max(3, min(41, round(5 / min(aspect, 5.0))))
        grid = np.ones((down, across))
        x = np.linspace(-0.5, 0.5, across)
        y = np.linspace(-0.5, 0.5, down) / aspect
    else:
        import cv2

        across = 48
        down = max(4, min(48, round(across / aspect)))
        grid = cv2.resize(coverage, (across, down), interpolation=cv2.INTER_AREA).astype(np.float64)
        x = (np.arange(across) + 0.5) / across - 0.5
        y = ((np.arange(down) + 0.5) / down - 0.5) / aspect
    gx, gy = np.meshgrid(x, y)
    inked = grid > 0.02
    base = np.column_stack([gx[inked], gy[inked]])
    points = [_turned(base * p.width_ratio, p.angle_deg) + np.array([p.x, p.y]) for p in positions]
    return np.concatenate(points), np.asarray(np.tile(grid[inked], len(positions)))


def _turned(points: NDArray[np.float64], angle_deg: float) -> NDArray[np.float64]:
    a = math.radians(angle_deg)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    return np.asarray(points @ turn)


def _frame(width_ratio: float, aspect: float, angle_deg: float) -> NDArray[np.float64]:
    """Corners and side middles of a mark at the centre: (8, 2)."""
    half_x, half_y = width_ratio / 2, width_ratio / aspect / 2
    ring = ((-1, -1), (0, -1), (1, -1), (1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0))
    return _turned(np.array([[i * half_x, j * half_y] for i, j in ring]), angle_deg)


def is_inside(position: MarkPosition, aspect: float, fields: list[FieldSpan]) -> tuple[bool, bool]:
    """(inside the lit picture with its margin, inside every export crop), for every span.

    The crops 16:9, square and 9:16 are taken to fill the lit box, centred on it: the
    mark survives a crop that wastes no surround.
    """
    frame = _frame(position.width_ratio, aspect, position.angle_deg)
    lit, kept = _insides(np.array([[position.x, position.y]]), frame, fields)
    return bool(lit[0]), bool(kept[0])


def _insides(
    centres: NDArray[np.float64], frame: NDArray[np.float64], fields: list[FieldSpan]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """`is_inside` of a mark of outline `frame` at each of `centres` (n, 2): two (n,)."""
    corners = centres[:, None, :] + frame[None]
    x, y = corners[..., 0], corners[..., 1]
    lit = np.ones(len(centres), bool)
    kept = np.ones(len(centres), bool)
    for field in fields:
        left, top = field.relative(field.left_px, field.top_px)
        right, bottom = field.relative(field.right_px, field.bottom_px)
        if field.shape in ("circle", "circle-clipped"):
            left, top, right, bottom = max(left, -1), max(top, -1), min(right, 1), min(bottom, 1)
            lit &= (np.hypot(x, y) <= 1 - MARGIN).all(axis=1)
        elif field.outline_px is not None:
            grid = _lit_grid(field, 200)
            at = np.clip(((corners * (1 + MARGIN) + 1) * 100).astype(int), 0, 199)
            lit &= grid[at[..., 1], at[..., 0]].all(axis=1)
        lit &= ((x >= left + MARGIN) & (x <= right - MARGIN)).all(axis=1)
        lit &= ((y >= top + MARGIN) & (y <= bottom - MARGIN)).all(axis=1)
        half_x, half_y = _kept_by_exports(right - left, bottom - top)
        kept &= (np.abs(x - (left + right) / 2) <= half_x).all(axis=1)
        kept &= (np.abs(y - (top + bottom) / 2) <= half_y).all(axis=1)
    return lit, kept


def _kept_by_exports(wide: float, high: float) -> tuple[float, float]:
    """Half sizes of what the crops 16:9, square and 9:16 of a lit box all keep.

    Each crop is the largest of its shape inside the box.
    """
    half_x = half_y = math.inf
    for shape in (16 / 9, 1.0, 9 / 16):
        half_x = min(half_x, min(wide, high * shape) / 2)
        half_y = min(half_y, min(high, wide / shape) / 2)
    return half_x, half_y


def distinct_fields(fields: list[FieldSpan]) -> list[FieldSpan]:
    """At most six spans that stand for all: those that differ most in what is lit.

    Relative to themselves most spans of a recording are alike. Spans under a second (or under 2 %
    of the whole) are left out. Of many, the longest and the tightest at each side remain.
    """
    out: dict[tuple[float, ...], FieldSpan] = {}
    length_s: dict[tuple[float, ...], float] = {}
    for field in lasting_fields(fields):
        box: tuple[float, ...] = (
            *field.relative(field.left_px, field.top_px),
            *field.relative(field.right_px, field.bottom_px),
        )
        if field.shape in ("circle", "circle-clipped"):
            box = tuple(max(-1.0, min(1.0, v)) for v in box)
        key = (*(round(v * 50) / 50 for v in box), float(len(field.outline_px or [])))
        out.setdefault(key, field)
        length_s[key] = length_s.get(key, 0.0) + field.stop_s - field.start_s
    if len(out) <= 6:
        return list(out.values())
    keys = [max(length_s, key=lambda k: length_s[k])]
    keys += [max(out, key=lambda k: k[0]), max(out, key=lambda k: k[1])]
    keys += [min(out, key=lambda k: k[2]), min(out, key=lambda k: k[3])]
    return [out[k] for k in dict.fromkeys(keys)]


def lasting_fields(fields: list[FieldSpan]) -> list[FieldSpan]:
    """Spans long enough to matter: at least a second, or 2 % of all; all if none is."""
    known = [f for f in fields if f.radius_px > 0]
    least_s = min(1.0, 0.02 * sum(max(0.0, f.stop_s - f.start_s) for f in known))
    return [f for f in known if f.stop_s - f.start_s >= least_s] or known


def _intrusion(cost: NDArray[np.float64], position: MarkPosition, aspect: float) -> float:
    points, _ = stroke_points([position], aspect)
    at = np.clip(((points + 1) * GRID / 2).astype(int), 0, GRID - 1)
    # tilted or off the axis, a mark catches the eye a little more: common practice, no source
    unrest = 0.001 * abs(position.angle_deg) + 0.1 * abs(position.x)
    return float(cost[at[:, 1], at[:, 0]].mean()) + unrest


def evaluate(
    positions: list[MarkPosition],
    fields: list[FieldSpan],
    activity: dict[str, NDArray[np.float64]] | None,
    glyph_aspect: float,
    options: MarkOptions,
    lettering_boxes: list[tuple[float, float, float, float]],
    *,
    height_px: int | None = None,
    x_height_ratio: float | None = None,
    coverage: NDArray[np.float32] | None = None,
) -> MarkCandidate:
    """Numbers of one placement, for example a dragged one. Arguments as in `place`."""
    spans = distinct_fields(fields)
    cost = cost_map(spans, activity, lettering_boxes)
    points, weight = stroke_points(positions, glyph_aspect, coverage)
    loss = _least_loss(points, weight, spans)
    checks = [is_inside(p, glyph_aspect, spans) for p in positions]
    intrusion = sum(_intrusion(cost, p, glyph_aspect) for p in positions)
    x_px = None
    if x_height_ratio is not None:
        radius = min(field.radius_px for field in lasting_fields(fields))
        rows = height_px or max(round(span.bottom_px) for span in spans)
        width_ratio = min(p.width_ratio for p in positions)
        x_px = x_height_ratio * width_ratio * radius * 360 / rows
    reasons = [
        f"any crop that removes it loses {100 * loss:.0f} % of the lit picture"
        + (
            ""
            if loss >= options.crop_loss_goal
            else f", less than the goal of {100 * options.crop_loss_goal:.0f} %"
        )
    ]
    near = min(math.hypot(p.x, p.y) for p in positions)
    reasons.append(f"nearest mark is {near:.2f} radii from the centre")
    if activity is None:
        reasons.append("activity unknown: only the centre was kept free")
    if any(_over_lettering(p, glyph_aspect, spans, lettering_boxes) for p in positions):
        reasons.append("lies over lettering")
    if not all(lit for lit, _ in checks):
        reasons.append("reaches over the edge of the lit picture")
    if not all(kept for _, kept in checks):
        reasons.append("a 16:9, square or 9:16 export would cut it")
    if x_px is not None and x_px < LEGIBLE_PX:
        reasons.append(f"x-height {x_px:.1f} px at 360 rows, below {LEGIBLE_PX:.0f}")
    return MarkCandidate(
        positions=positions,
        crop_loss=round(loss, 4),
        intrusion=round(intrusion, 4),
        x_height_px=None if x_px is None else round(x_px, 2),
        legible=x_px is None or x_px >= LEGIBLE_PX,
        inside=all(lit and kept for lit, kept in checks),
        reasons=reasons,
    )


def _least_loss(
    points: NDArray[np.float64], weight: NDArray[np.float64], spans: list[FieldSpan]
) -> float:
    """Crop loss in the span where it is least; only spans near the least are searched finely."""
    if len(spans) == 1:
        return crop_loss(points, weight, spans[0])
    quick = [crop_loss(points, weight, span, fine=False) for span in spans]
    near = min(quick) + 0.06  # more than the quick estimate was ever seen to be off
    return min(
        crop_loss(points, weight, span)
        for span, loss in zip(spans, quick, strict=True)
        if loss <= near
    )


def _over_lettering(
    position: MarkPosition,
    aspect: float,
    spans: list[FieldSpan],
    boxes: list[tuple[float, float, float, float]],
) -> bool:
    corners = _frame(position.width_ratio, aspect, position.angle_deg)
    corners = corners + np.array([position.x, position.y])
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    for box in boxes:
        for span in spans:
            bx0, by0 = span.relative(box[0], box[1])
            bx1, by1 = span.relative(box[0] + box[2], box[1] + box[3])
            if bx0 < x1 and x0 < bx1 and by0 < y1 and y0 < by1:
                return True
    return False


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
        lit, kept = _insides(centres, _frame(width, aspect, 0.0), spans)
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
    lit, kept = _insides(centres, _frame(width, aspect, angle), spans)
    places = []
    for x, y in centres[lit & kept]:
        position = MarkPosition(x=float(x), y=float(y), angle_deg=angle, width_ratio=width)
        places.append((_intrusion(cost, position, aspect), position))
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
    d = _turned(np.array([[p.x - q.x, p.y - q.y]]), -p.angle_deg)[0]
    high = p.width_ratio / aspect
    return bool(abs(d[0]) < 1.1 * p.width_ratio and abs(d[1]) < 2.5 * high)
