"""What single blocks show, and the fields of a recording chosen for all blocks at once."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from pipeline.analysis.field.blocks import Block, pooled, unpack
from pipeline.analysis.field.fade import faded
from pipeline.analysis.field.outline import outline
from pipeline.analysis.field.rays import (
    EDGE_PX,
    FLAT_PX,
    RAYS,
    Plane,
    Points,
    Table,
    cast,
    frame_exit,
    radii,
    steps,
    summed,
)
from pipeline.analysis.field.shapes import (
    CLEAR,
    NO_PARTS,
    Form,
    find,
    improved,
    price,
    unexplained,
    valued,
)

ALIKE_RATIO = 0.005  # of the height: forms of two blocks that differ by less are one field
SAME_RATIO = 0.012  # of the height: the same field, read less well
SWITCH = 20.0  # nats: what it takes to say that the field changes
LEAD = 10.0  # nats: neither a form nor none is sure where the other comes so near
SHADOW = 16.0  # nats: what it takes to say that a stretch of the rim lies in a shadow
SHADOW_RAYS = 50  # the longest stretch that one shadow hides: 100 degrees
UNSEEN = -60.0  # nats of any field where no surround is seen, or nothing is lit
STILL = 1.5  # levels: what moves less may be drawn
STILL_RATIO = 0.2  # of what else moves: it is, where it moves less than that
# A panel is one flat level in all its corners: they differ by less than this, and vary by less.
PANEL_LEVELS, PANEL_SPREAD, PANEL_LEAST = 2.0, 1.0, 4.0
PANEL_SHARE = 0.3  # a disc in a panel fills at least so much of it
PANEL_TURN_RAD = 0.03  # a side so near one of the panel, and within two EDGE_PX, is that one
PANEL_PATCH_RATIO, PANEL_INSET_RATIO = 0.012, 0.035  # of the height: the patches looked at


@dataclass(frozen=True)
class Seen:
    """The form that a block, or several pooled, shows, with its table and what else was tried.

    panel: (n, 3) sides of a drawn panel around the form, if any.
    """

    table: Table
    form: Form
    tried: list[Form] = field(default_factory=list)
    panel: Points = field(default_factory=lambda: NO_PARTS)

    def shown(self) -> Points:
        """The form's parts where the picture ends: at its last light, or at the panel's side."""
        t = self.table
        out = faded(t, self.form.parts)
        for i, part in enumerate(out):
            for edge in self.panel:
                apart = math.dist(part[:2], edge[:2]) / FLAT_PX
                gap = abs((math.hypot(t.x - edge[0], t.y - edge[1]) - edge[2])
                          - (math.hypot(t.x - part[0], t.y - part[1]) - part[2]))
                if part[2] >= FLAT_PX and apart < PANEL_TURN_RAD and gap < 2 * EDGE_PX:
                    out[i] = edge
        return out

    def lead(self) -> float:
        """Nats by which no form at all explains the picture better than the best form tried."""
        own = [f.worth - self.tried[0].worth for f in self.tried if len(f.parts)]
        if len(self.form.parts):
            own.append(self.form.worth - valued(self.table, NO_PARTS).worth)
        return -max(own, default=-math.inf)


def logarithm(e: Plane, noise: float) -> Plane:
    """log2(1 + evidence / unit): the unit is noise, and what optics and codec spread around."""
    unit = max(0.8, 2.5 * noise, 0.02 * float(np.percentile(e[::3, ::3], 90)))
    return np.asarray(cv2.log(1 + e / np.float32(unit)) / np.float32(math.log(2)))


def boundary(parts: Points, x: float, y: float, angle: Points, h: int, w: int) -> Points:
    """Distance from (x, y) to a form's boundary, 0 where a part does not hold the point."""
    out = frame_exit(x, y, angle, h, w)
    return np.minimum(out, radii(x, y, angle, parts).min(axis=0)) if len(parts) else out


def inner_point(parts: Points, h: int, w: int) -> tuple[float, float]:
    """The point of an 8 px grid that lies deepest inside a form."""
    x, y = np.meshgrid(np.arange(4, w, 8) + 0.5, np.arange(4, h, 8) + 0.5)
    deep = np.minimum(np.minimum(x, w - x), np.minimum(y, h - y))
    for cx, cy, r in parts:
        deep = np.minimum(deep, r - np.hypot(x - cx, y - cy))
    i = int(deep.argmax())
    return float(x.ravel()[i]), float(y.ravel()[i])


def difference_ratio(a: Points, b: Points, h: int, w: int) -> float:
    """Largest distance of two boundaries along rays, of the height; infinite if they lie apart."""
    angle = (np.arange(120) + 0.5) * (2 * math.pi / 120)
    best = math.inf
    for x, y in (inner_point(a, h, w), inner_point(b, h, w)):
        ra, rb = (boundary(p, x, y, angle, h, w) for p in (a, b))
        if ra.min() > 0 and rb.min() > 0:
            best = min(best, float(np.abs(ra - rb).max()) / h)
    return best


def look(e: Plane, noise: float, near: Points | None) -> Seen | None:
    """The form that evidence shows: `near` where it still explains it, else searched for.

    e: (row, col) float32, levels from the surround; noise: levels; near: parts found
    before. None where nothing is lit.
    """
    e = np.asarray(cv2.morphologyEx(e, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)))
    seen = _look(e, logarithm(e, noise), near)
    level = None if seen is None else panel_level(e, seen)
    if seen is None or level is None:
        return seen
    h, w = e.shape
    y, x = np.mgrid[:h, :w] + 0.5
    inside = np.ones((h, w), bool)
    for cx, cy, r in seen.form.parts:
        inside &= np.hypot(x - cx, y - cy) < r - EDGE_PX
    within = np.where(inside, np.abs(e - np.float32(level)), np.float32(0)).astype(np.float32)
    disc = _look(within, logarithm(within, noise), near)
    if disc is None or not len(disc.form.parts):
        return seen
    area, whole = (np.square(x.form.radius(x.table)).mean() for x in (disc, seen))
    if area < PANEL_SHARE * whole:
        return seen
    return replace(disc, panel=seen.form.parts)


def _look(e: Plane, g: Plane, near: Points | None) -> Seen | None:
    if near is not None and len(near):
        t = cast(e, g, *inner_point(near, *g.shape))
        form = improved(t, valued(t, near), bow=False)
        lead = form.worth - max(valued(t, NO_PARTS).worth, 0.0)
        if lead > LEAD and unexplained(t, form) < CLEAR:
            return Seen(t, form)
    found = find(e, g, near)
    return None if found is None else Seen(found[1], found[0], found[2])


def panel_level(e: Plane, seen: Seen) -> float | None:
    """Level of a drawn panel that fills a polygon's corners, levels; None if it is a picture.

    A picture differs from corner to corner, and within each; a panel is one flat level.
    """
    h, w = e.shape
    t, parts = seen.table, seen.form.parts
    if not 1 <= len(parts) <= 8 or (parts[:, 2] < FLAT_PX).any():
        return None
    corners = outline(parts, t.x, t.y, h, w)
    inward = np.array([t.x, t.y]) - corners
    at = corners + inward / np.hypot(*inward.T)[:, None] * PANEL_INSET_RATIO * h
    r = max(3, round(PANEL_PATCH_RATIO * h))
    patches = [
        e[max(round(y) - r, 0) : round(y) + r + 1, max(round(x) - r, 0) : round(x) + r + 1]
        for x, y in at.tolist()
    ]
    means, spreads = (np.array([float(f(p)) for p in patches]) for f in (np.mean, np.std))
    level = float(np.median(means))
    away = np.abs(means - level)
    # a strong codec ripples a panel, and by as much on either side of its level
    alike = (away < PANEL_LEVELS) & (spreads < PANEL_SPREAD)
    alike |= (away < PANEL_LEVELS / 2) & (spreads < 2 * PANEL_SPREAD)
    return level if level > PANEL_LEAST and alike.sum() >= max(3, len(corners) - 1) else None


def worth_in(seen: Seen, parts: Points) -> float:
    """Worth of a form in a block that shows its own: a shadow may hide stretches of its rim."""
    t = seen.table
    k, own = steps(t, Form(parts).radius(t)), steps(t, seen.form.radius(t))
    if not k.min():
        return 3 * UNSEEN
    row = np.arange(RAYS)
    loss = (t.worth[row, own] - t.worth[row, k]).astype(np.float64)
    wider = k > own + 2
    lost = float(loss[~wider].sum())
    order = np.roll(row, -int(np.flatnonzero(~wider)[0])) if not wider.all() else row
    for run in np.split(order, np.flatnonzero(np.diff(wider[order])) + 1):
        if wider[run[0]]:
            s = float(loss[run].sum())
            lost += min(s, SHADOW) if run.size <= SHADOW_RAYS else s
    return float(summed(t.worth, own)) - lost - price(parts, t)


def views(blocks: list[Block]) -> list[Seen | None]:
    """What each block shows; None without a surround, where nothing is lit, or what is drawn."""
    out: list[Seen | None] = []
    near: Points | None = None
    for b in blocks:
        seen = None if b.evidence is None else look(unpack(b.evidence), b.noise, near)
        out.append(seen)
        if seen is not None and len(seen.form.parts):
            near = seen.form.parts
    moves = [b.motion for b in blocks if b.motion >= STILL]
    least = min(STILL, STILL_RATIO * float(np.median(moves))) if moves else 0.0
    still = [b.motion < least for b in blocks]
    moving = [
        s.form.parts for s, on in zip(out, still, strict=True)
        if s is not None and not on and len(s.form.parts)
    ]
    for i, s in enumerate(out):
        if moving and s is not None and still[i] and len(s.form.parts):
            size = (s.table.height_px, s.table.width_px)
            if min(difference_ratio(s.form.parts, m, *size) for m in moving) > SAME_RATIO:
                out[i] = None
    return out


def candidates(blocks: list[Block], seen: list[Seen | None]) -> list[Points]:
    """The fields that a recording may show: of alike blocks together, and of all of them."""
    shown = {i: s for i, s in enumerate(seen) if s is not None and len(s.form.parts)}
    groups: list[list[int]] = []
    for i in sorted(shown, key=lambda i: -shown[i].form.worth):
        t = shown[i].table
        for group in groups:
            one = shown[group[0]].form.parts
            if difference_ratio(one, shown[i].form.parts, t.height_px, t.width_px) < ALIKE_RATIO:
                group.append(i)
                break
        else:
            groups.append([i])
    pools = groups if len(groups) < 2 else [*groups, list(shown)]
    out = []
    for group in pools:
        parts = shown[group[0]].form.parts
        if len(group) > 1:
            all_of = look(*pooled([blocks[i] for i in group]), parts)
            parts = all_of.form.parts if all_of is not None and len(all_of.form.parts) else parts
        out.append(parts)
    return out


def best_path(score: Points) -> list[int]:
    """The state of each block: highest sum of score (block, state) less SWITCH for each change."""
    n, m = score.shape
    total, back = score[0].copy(), np.zeros((n, m), int)
    change = SWITCH * (1 - np.eye(m))
    for i in range(1, n):
        way = total[:, None] - change
        back[i] = way.argmax(axis=0)
        total = way.max(axis=0) + score[i]
    path = [int(total.argmax())]
    for i in range(n - 1, 0, -1):
        path.append(int(back[i][path[-1]]))
    return path[::-1]


def chosen(blocks: list[Block], seen: list[Seen | None], states: list[Points]) -> list[int]:
    """For each block the number of its field in `states`, -1 for none.

    A field is worth what its form is in the block; none what a picture that fills the
    frame is, or nothing where nothing is lit.
    """
    score = np.zeros((len(blocks), len(states) + 1))
    for i, s in enumerate(seen):
        if s is None:
            score[i, :-1] = UNSEEN
            continue
        score[i, :-1] = [worth_in(s, parts) for parts in states]
        score[i, -1] = max(0.0, valued(s.table, NO_PARTS).worth)
    return [k if k < len(states) else -1 for k in best_path(score)]
