"""One field from one pooled picture: the frame cut by the parts that make it most likely.

At most one circle and up to eight sides, flat or bowed. Parts are added while they make the
evidence likelier by more than it takes to say where they lie, and dropped when they no
longer do; between, each is fitted to the half heights along its own stretch of the boundary.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.rays import (
    FLAT_PX,
    PIXEL_TURN,
    RAY_WEIGHT,
    RAYS,
    Plane,
    Points,
    Steps,
    Table,
    cast,
    crossing,
    radii,
    steps,
    summed,
)

TRIED = 200  # circles, and as many sides, tried at a time
STARTS = 3
BETTER = 3.0  # nats
CLEAR = 0.08  # of the rays: fewer that have a better place do not ask for another form
# what it takes to say where a part lies, nats
PRICE_CIRCLE, PRICE_SIDE = 12.0, 8.0
PRICE_MORE = 20.0  # a circle is cut by one or two stops, hardly by more: for each beyond two
# A stop lies level or upright. A side that does not, and is none of an outline's, is most likely
# the edge of a shadow: what it takes to say that it is a stop, nats
PRICE_TILTED = 40.0
TILTED_RAD = math.radians(3.5)
OUTLINE_SIDES = 4  # an outline without a circle has at least so many
MOST_PARTS = 9
MOST_CURVED = 3  # the circle and two sides that bow so deeply that they are found as circles
ROUND_RATIO = 0.9  # of the frame's diagonal: the radius of the largest disc
OFF = 0.25  # of the frame's sides: how far beyond it a circle's centre may lie
LEVEL_RAD = math.radians(0.35)  # a side so nearly level or upright is so
NO_PARTS = np.zeros((0, 3))


@dataclass(frozen=True)
class Form:
    """parts: (n, 3) circles that cut the frame. worth: nats over no picture, prices paid."""

    parts: Points
    worth: float = 0.0

    def radius(self, t: Table) -> Points:
        """(ray,) of the boundary, 0 where a part does not hold the rays' origin."""
        if not len(self.parts):
            return t.exit_px
        every = radii(t.x, t.y, t.angle, self.parts)
        return np.asarray(np.minimum(every.min(axis=0), t.exit_px))


def is_round(parts: Points, h: int, w: int) -> NDArray[np.bool_]:
    """Which part is the scope's own circle, not a side, flat or bowed: the smallest, if any."""
    out = np.zeros(len(parts), bool)
    if len(parts):
        i = int(parts[:, 2].argmin())
        out[i] = parts[i, 2] < ROUND_RATIO * math.hypot(h, w)
    return out


def tilted(parts: Points, x: float, y: float) -> NDArray[np.bool_]:
    """(n,) which parts, seen as sides from (x, y), are neither level nor upright."""
    turn = np.arctan2(y - parts[:, 1], x - parts[:, 0])
    return np.asarray(np.abs(np.sin(2 * turn)) > math.sin(2 * TILTED_RAD))


def price(parts: Points, t: Table, growing: bool = False) -> float:
    """What it takes to say where the parts lie, nats.

    growing: sides to come may make an outline of what is none yet.
    """
    flat = parts[:, 2] >= FLAT_PX
    disc = is_round(parts, t.height_px, t.width_px)
    more = max(len(parts) - 3, 0) if disc.any() else 0
    askew = 0
    if disc.any() or (len(parts) < OUTLINE_SIDES and not growing):
        askew = int((tilted(parts, t.x, t.y) & ~disc).sum())
        askew += len(parts) == 1 and not disc.any()  # a lone side is no scope's field
    return float(PRICE_SIDE * flat.sum() + PRICE_CIRCLE * (~flat).sum() + PRICE_MORE * more
                 + PRICE_TILTED * askew)


def valued(t: Table, parts: Points, growing: bool = False) -> Form:
    """The form of these parts and its worth."""
    worth = float(summed(t.worth, steps(t, Form(parts).radius(t))))
    return Form(parts, worth - price(parts, t, growing))


def side(x: float, y: float, turn: float) -> Points:
    """The flat side through (x, y) with its outward normal at angle `turn`."""
    return np.array([x - FLAT_PX * math.cos(turn), y - FLAT_PX * math.sin(turn), FLAT_PX])


def circle_through(p: Points) -> Points:
    """Circles through three points each: (n, 3, 2) -> (n, 3) x, y, r; NaN if in line."""
    a, b, c = p[:, 0], p[:, 1], p[:, 2]
    d = 2 * ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
    d = np.where(np.abs(d) < 1e-9, np.nan, d)
    b2 = ((b - a) ** 2).sum(axis=1)
    c2 = ((c - a) ** 2).sum(axis=1)
    ux = ((c[:, 1] - a[:, 1]) * b2 - (b[:, 1] - a[:, 1]) * c2) / d
    uy = ((b[:, 0] - a[:, 0]) * c2 - (c[:, 0] - a[:, 0]) * b2) / d
    return np.stack([a[:, 0] + ux, a[:, 1] + uy, np.hypot(ux, uy)], axis=1)


def beside(circles: Points, h: int, w: int) -> NDArray[np.bool_]:
    """(n,) whose centres lie in the frame or so near that it shows a scope's picture."""
    x, y = circles[:, 0], circles[:, 1]
    return np.asarray((x > -OFF * w) & (x < (1 + OFF) * w) & (y > -OFF * h) & (y < (1 + OFF) * h))


def fit_circle(
    x: Points, y: Points, weight: Points, start: tuple[float, float, float], scale_px: float
) -> tuple[float, float, float]:
    """Least geometric distance circle with Cauchy weights (Gauss-Newton).

    x, y, weight: (n,) points and their weights; start: x, y, r; scale_px: the
    distance at which a point counts half.
    """
    cx, cy, r = start
    for _ in range(8):
        dx, dy = x - cx, y - cy
        rho = np.maximum(np.hypot(dx, dy), 1e-6)
        miss = rho - r
        u = weight / (1 + (miss / scale_px) ** 2)
        j = np.stack([dx / rho, dy / rho, np.ones_like(rho)], axis=1)
        a = (j * u[:, None]).T @ j + np.eye(3) * 1e-6
        step = np.linalg.solve(a, (j * u[:, None]).T @ miss)
        cx, cy, r = cx + step[0], cy + step[1], r + step[2]
        if np.abs(step).max() < 4e-3:
            break
    return float(cx), float(cy), float(r)


def fit_side(p: Points, weight: Points, part: Points) -> Points:
    """The flat side along points (n, 2), least distance with Cauchy weights of 1 px."""
    mid = p.mean(axis=0)
    turn = math.atan2(mid[1] - part[1], mid[0] - part[0])
    d = math.nan
    for _ in range(4):
        normal = np.array([math.cos(turn), math.sin(turn)])
        along = np.array([-normal[1], normal[0]])
        if math.isnan(d):
            d = float(np.median(p @ normal))
        miss = p @ normal - d
        u = weight / (1 + miss**2)
        tang = p @ along - (u * (p @ along)).sum() / u.sum()
        # a short side hardly tells its angle: 1 px of doubt over 7 px
        turn -= float((u * tang * miss).sum() / ((u * tang**2).sum() + 50.0))
        d = float(u @ p @ np.array([math.cos(turn), math.sin(turn)]) / u.sum())
    straight = round(turn / (math.pi / 2)) * (math.pi / 2)
    if abs(turn - straight) < LEVEL_RAD:
        turn = straight
        d = float(np.median(p @ np.array([math.cos(turn), math.sin(turn)])))
    return side(d * math.cos(turn), d * math.sin(turn), turn)


def refined(t: Table, parts: Points, reach_px: int, bow: bool = False) -> Points:
    """Each part fitted anew along its own stretch of the boundary."""
    if not len(parts):
        return parts
    every = radii(t.x, t.y, t.angle, parts)
    own, radius = every.argmin(axis=0), every.min(axis=0)
    at, worth = crossing(t, np.minimum(radius, t.exit_px), reach_px)
    p, seen = t.place(at), np.isfinite(at)
    out = parts.copy()
    for i, part in enumerate(parts):
        use = seen & (own == i)
        if part[2] < FLAT_PX and use.sum() >= 10:
            out[i] = fit_circle(p[use, 0], p[use, 1], worth[use], (part[0], part[1], part[2]), 1.0)
            disc = out[i, 2] < ROUND_RATIO * math.hypot(t.height_px, t.width_px)
            off = disc and not beside(out[i : i + 1], t.height_px, t.width_px).all()
            if off or out[i, 2] > 8 * t.height_px:
                out[i] = part
        elif part[2] >= FLAT_PX and use.sum() >= 4:
            out[i] = fit_side(p[use], worth[use], part)
            if bow and use.sum() >= 12:
                m, big = p[use].mean(axis=0), 4.0 * t.height_px
                turn = math.atan2(m[1] - part[1], m[0] - part[0])
                start = (m[0] - big * math.cos(turn), m[1] - big * math.sin(turn), big)
                c = fit_circle(p[use, 0], p[use, 1], worth[use], start, 1.0)
                if t.height_px < c[2] < 8 * t.height_px:
                    out[i] = c
    return out


@dataclass(frozen=True)
class Guesses:
    """Parts to try (n, 3), their columns in the table (n, ray), prices (n,), which are round.

    tilted: (n,) the sides that no stop would have.
    """

    parts: Points
    k: Steps
    price: Points
    round: NDArray[np.bool_]
    tilted: NDArray[np.bool_]


def guesses(t: Table, rng: np.random.Generator) -> Guesses:
    """Circles through three likely places of a rim, lines through two, level ones through one."""
    n = len(t.rim)
    h, w = t.height_px, t.width_px
    if n < 12:
        return Guesses(NO_PARTS, np.zeros((0, RAYS), np.int32), np.zeros(0), np.zeros(0, bool),
                       np.zeros(0, bool))
    chance = t.rim_worth / t.rim_worth.sum()
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        c = circle_through(t.rim[rng.choice(n, (2 * TRIED, 3), p=chance)])
        ok = np.isfinite(c).all(axis=1) & (c[:, 2] > 0.12 * h)
        ok &= c[:, 2] < ROUND_RATIO * math.hypot(h, w)
        ok &= (np.hypot(c[:, 0] - t.x, c[:, 1] - t.y) < c[:, 2]) & beside(c, h, w)
    c = c[ok][:TRIED]
    # a side may be short: the second point a few to 40 rays on
    strongest = np.full(RAYS, -1)
    order = np.argsort(t.rim_worth)
    strongest[t.rim_ray[order]] = order
    i = rng.choice(n, TRIED, p=chance)
    on = np.rint(np.exp(rng.uniform(math.log(4), math.log(40), TRIED))).astype(int)
    j = strongest[(t.rim_ray[i] + on) % RAYS]
    ok = j >= 0
    p, d = t.rim[i[ok]], t.rim[j[ok]] - t.rim[i[ok]]
    normal = np.arctan2(-d[:, 0], d[:, 1])
    one = t.rim[rng.choice(n, TRIED // 2, p=chance)]
    quarters = np.round(np.arctan2(one[:, 1] - t.y, one[:, 0] - t.x) / (math.pi / 2))
    normal = np.concatenate([normal, quarters * (math.pi / 2)])
    p = np.concatenate([p, one])
    unit = np.stack([np.cos(normal), np.sin(normal)], axis=1)
    gap = ((p - np.array([t.x, t.y])) * unit).sum(axis=1)
    unit *= np.sign(gap)[:, None]
    flat = np.column_stack([p - FLAT_PX * unit, np.full(len(p), FLAT_PX)])[np.abs(gap) > 4]
    parts = np.concatenate([c, flat])
    circle = np.arange(len(parts)) < len(c)
    return Guesses(parts, steps(t, radii(t.x, t.y, t.angle, parts)),
                   np.where(circle, PRICE_CIRCLE, PRICE_SIDE), circle,
                   tilted(parts, t.x, t.y) & ~circle)


def pruned(t: Table, form: Form, growing: bool = False) -> Form:
    """Without the parts that are not worth their price."""
    while len(form.parts):
        fewer = [
            valued(t, np.delete(form.parts, i, axis=0), growing) for i in range(len(form.parts))
        ]
        best = max(fewer, key=lambda f: f.worth)
        if best.worth <= form.worth:
            break
        form = best
    return form


def grown(t: Table, parts: Points, g: Guesses, circles: bool = True) -> Form:
    """Parts added, each the one that makes the evidence likelier most, while it pays."""
    h, w = t.height_px, t.width_px
    form = valued(t, parts, growing=True)
    for _ in range(MOST_PARTS):
        if len(form.parts) >= MOST_PARTS or not len(g.parts):
            break
        k = steps(t, form.radius(t))
        gain = summed(t.guess, np.minimum(g.k, k)) - g.price
        if is_round(form.parts, h, w).any():
            gain[g.tilted] -= PRICE_TILTED
        curved = int((form.parts[:, 2] < ROUND_RATIO * math.hypot(h, w)).sum())
        if not circles or curved >= MOST_CURVED:
            gain[g.round] = -np.inf
        i = int(gain.argmax())
        if not np.isfinite(gain[i]):
            break
        best = valued(t, refined(t, np.vstack([form.parts, g.parts[i]]), 4), growing=True)
        if best.worth <= form.worth:
            break
        form = pruned(t, best, growing=True)
    return pruned(t, valued(t, form.parts))


def unexplained(t: Table, form: Form) -> float:
    """Share of the rays on which another place is likelier by more than a step is worth."""
    short = t.worth.max(axis=1) - t.worth[np.arange(RAYS), steps(t, form.radius(t))]
    return float((short > BETTER * RAY_WEIGHT).mean())


def middle(t: Table, form: Form) -> tuple[float, float]:
    """Centroid of what a boundary holds, px."""
    m = cv2.moments(t.place(form.radius(t)).astype(np.float32))
    return (m["m10"] / m["m00"], m["m01"] / m["m00"]) if m["m00"] else (t.x, t.y)


def improved(t: Table, form: Form, bow: bool = True, tried: list[Form] | None = None) -> Form:
    """Fitted closer, and sides bowed where that pays; the other way is added to `tried`."""
    for reach in (3, 3):
        fine = valued(t, refined(t, form.parts, reach))
        if fine.worth > form.worth - 3:
            form = fine
    for i in range(len(form.parts) if bow else 0):
        # flat sides bowed, bowed ones flat: what makes the evidence likelier for its price
        if form.parts[i, 2] < FLAT_PX:
            x, y, r = form.parts[i]
            turn = math.atan2(t.y - y, t.x - x)
            changed = form.parts.copy()
            changed[i] = side(x + r * math.cos(turn), y + r * math.sin(turn), turn)
        else:
            changed = refined(t, form.parts, 3, bow=True)
            changed = np.where(np.arange(len(changed))[:, None] == i, changed, form.parts)
        if changed[i, 2] != form.parts[i, 2]:
            one = valued(t, refined(t, changed, 3))
            form, other = (one, form) if one.worth > form.worth else (form, one)
            if tried is not None:
                tried.append(other)
    return form


def find(e: Plane, g: Plane, near: Points | None = None) -> tuple[Form, Table, list[Form]] | None:
    """The form that explains the evidence best, its table and what else was tried.

    e: (row, col) evidence, levels; g: its logarithm (`log_evidence`).
    """
    lit = (g > PIXEL_TURN).astype(np.uint8)
    if lit.mean() < 0.01:
        return None
    _, _, stats, centre = cv2.connectedComponentsWithStats(lit, connectivity=4)
    big = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    t = cast(e, g, float(centre[big][0]) + 0.5, float(centre[big][1]) + 0.5)
    rng = np.random.default_rng(7)
    tried = guesses(t, rng)
    starts = [] if near is None else [near]
    if tried.round.any():
        gain = summed(t.guess, tried.k[tried.round])
        starts += [tried.parts[tried.round][i][None] for i in np.argsort(-gain)[: 4 * STARTS : 4]]
    found = [valued(t, NO_PARTS)]
    for start in [*starts, NO_PARTS]:
        if unexplained(t, found[-1]) < CLEAR:
            break
        found.append(grown(t, refined(t, refined(t, start, 6), 4), tried))
    best = max(found, key=lambda f: f.worth)
    many = len(best.parts) > 3 and is_round(best.parts, *g.shape).any()
    if many or unexplained(t, best) >= CLEAR:
        found.append(grown(t, NO_PARTS, tried, circles=False))
        corners = best.parts[~is_round(best.parts, *g.shape)]
        if len(corners) not in (0, len(best.parts)):
            found.append(grown(t, corners, tried, circles=False))
    best = max(found, key=lambda f: f.worth)
    t = cast(e, g, *middle(t, best))
    best = improved(t, grown(t, refined(t, best.parts, 3), guesses(t, rng)), tried=found)
    if len(best.parts) >= OUTLINE_SIDES and not is_round(best.parts, *g.shape).any():
        # the last short sides of an outline are easily missed
        best = improved(t, grown(t, best.parts, guesses(t, rng), circles=False), tried=found)
    whole = valued(t, NO_PARTS)
    return (best if best.worth > whole.worth else whole), t, found
