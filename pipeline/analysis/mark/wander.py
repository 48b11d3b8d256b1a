"""How the marks wander: where each may go, and a smooth seeded way through it. Pure.

A mark that stands still is what every published removal lives on: the median over time of the
pictures shows it (Dekel et al., CVPR 2017). The way is a uniform cubic B-spline over the time of
the recording, so two properties hold by construction (de Boor, A Practical Guide to Splines,
1978): the curve stays in the hull of its control points, and it is nowhere faster than two
neighbouring control points are apart over the step. Its acceleration is continuous: no jerk.

The clock is the recording's own, and the way is seeded by the recording alone: a held picture
holds its mark too (a mark that moves over a picture that stands would uncover it), a part that is
shown twice has its mark at the same place, and all releases of one recording agree, so that the
median over several of them takes nothing off. What differs per release is shape and strength.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.crop import Lit, crop_loss, quick_loss
from pipeline.analysis.mark.geometry import insides, mark_frame, stroke_points, turned
from pipeline.analysis.mark.judge import over_lettering, work_covered
from pipeline.analysis.mark.spline import moved, placed_at
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPath, MarkPosition

STEP_S = 2.0
"""Time between two control points."""
MOST_TURN_DEG = 2.0
_TURN_STEP_DEG = 0.8  # per step: the ends of a mark one radius wide move a third of the drift
_REACH = (0.13, 0.09)  # radii each way, at most: the mark keeps its place for the viewer
_GRID = 0.015
_MORE_WORK = 0.08  # of `cost_map`, over what the planned place covers: common practice, no source
_BEND = (0.5, 1.0)  # rad, change of heading per step: spread and most, where no wall is near
_SLOWEST = 0.65  # of the greatest speed: steps of one length would run in circles that repeat


@dataclass(frozen=True)
class Room:
    """Where one mark may be, relative to its place: left, right, up, down, in field radii."""

    left: float
    right: float
    up: float
    down: float

    def smaller(self, factor: float) -> Room:
        return Room(*(v * factor for v in (self.left, self.right, self.up, self.down)))

    @property
    def corners(self) -> list[tuple[float, float]]:
        return list(itertools.product((-self.left, self.right), (-self.up, self.down)))

    @property
    def wide(self) -> float:
        return self.left + self.right

    @property
    def high(self) -> float:
        return self.up + self.down


def rooms(
    positions: Sequence[MarkPosition],
    spans: list[FieldSpan],
    aspect: float,
    cost: NDArray[np.float64],
    lettering_boxes: list[tuple[float, float, float, float]],
    crop_loss_goal: float,
) -> list[Room]:
    """Where each mark of a group may wander.

    positions: their places. spans: the distinct fields. cost: from `cost_map`.
    Everywhere in its room, whatever the others do, a mark stays inside the lit picture and the
    export crops if its place is, covers hardly more of the work, keeps off lettering and the
    other marks, and no crop that removes all of them gets cheaper than the goal (or than at their
    places, where these do not reach it).
    """
    found = [
        _grown(p, [q for q in positions if q is not p], spans, aspect, cost, lettering_boxes)
        for p in positions
    ]
    lit = [Lit(span, 128) for span in spans]
    home = min(_loss(list(positions), aspect, one) for one in lit)
    goal = min(crop_loss_goal + 0.01, home - 0.005)  # a margin, as the quick estimate searches less
    for factor in (1.0, 0.75, 0.5, 0.3):
        tried = [room.smaller(factor) for room in found]
        groups = list(itertools.product(*(r.corners for r in tried)))
        thinned = groups[:: max(1, len(groups) // 32)]
        if all(
            _loss([moved(p, *d) for p, d in zip(positions, by, strict=True)], aspect, one, goal)
            >= goal
            for by in thinned
            for one in lit
        ):
            return tried
    return [Room(0, 0, 0, 0) for _ in positions]


def _loss(positions: list[MarkPosition], aspect: float, lit: Lit, goal: float = 0.0) -> float:
    points, weight = stroke_points(positions, aspect)
    return quick_loss(points, weight, lit, goal)


def _grown(
    place: MarkPosition,
    others: list[MarkPosition],
    spans: list[FieldSpan],
    aspect: float,
    cost: NDArray[np.float64],
    boxes: list[tuple[float, float, float, float]],
) -> Room:
    """The largest box around the place, side by side opened as long as nothing speaks against."""
    frames = [
        mark_frame(place.width_ratio, aspect, place.angle_deg + turn)
        for turn in (-MOST_TURN_DEG, 0.0, MOST_TURN_DEG)
    ]
    home = np.array([[place.x, place.y]])
    lit_home, kept_home = insides(home, frames[1], spans)
    most_work = work_covered(cost, place, aspect) + _MORE_WORK
    written = over_lettering(place, aspect, spans, boxes)

    def free(x: float, y: float) -> bool:
        at = moved(place, x, y)
        for frame in frames:
            lit, kept = insides(np.array([[at.x, at.y]]), frame, spans)
            if (lit_home[0] and not lit[0]) or (kept_home[0] and not kept[0]):
                return False
        if work_covered(cost, at, aspect) > most_work:
            return False
        if not written and over_lettering(at, aspect, spans, boxes):
            return False
        return not any(_meets(at, other, aspect) for other in others)

    sides = [0.0, 0.0, 0.0, 0.0]  # left, right, up, down
    open_ = [True] * 4
    while any(open_):
        for side in range(4):
            most = _REACH[side // 2] * (2 if sides[side ^ 1] == 0 and not open_[side ^ 1] else 1)
            if not open_[side]:
                continue
            more = sides[side] + _GRID
            along = (-1 if side % 2 == 0 else 1) * more
            low, high = (sides[2], sides[3]) if side < 2 else (sides[0], sides[1])
            edge = np.linspace(-low, high, max(2, round((low + high) / 0.04) + 1))
            points = [(along, float(e)) if side < 2 else (float(e), along) for e in edge]
            open_[side] = more <= most + 1e-9 and all(free(x, y) for x, y in points)
            if open_[side]:
                sides[side] = more
    return Room(*sides)


def _meets(a: MarkPosition, b: MarkPosition, aspect: float) -> bool:
    """True if `a` could meet `b` when that comes as far towards it as it ever may."""
    d = turned(np.array([[a.x - b.x, a.y - b.y]]), -a.angle_deg)[0]
    across = (a.width_ratio + b.width_ratio) / 2 + _REACH[0]
    down = 1.2 * max(a.width_ratio, b.width_ratio) / aspect + _REACH[1]
    return bool(abs(d[0]) < across and abs(d[1]) < down)


def control_points(
    room: Room, speed_ratio: float, count: int, seed: Sequence[int]
) -> NDArray[np.float64]:
    """A way of one mark: (count, 3) control points, x, y in radii and turn in degrees.

    speed_ratio: field radii a second that no part of the way exceeds. The same room and seed give
    the same points, and a longer way begins like a shorter one.
    """
    rng = np.random.default_rng(list(seed))
    # a small room is walked slowly
    longest = min(speed_ratio * STEP_S, (room.wide + room.high) / 3)
    at = np.array([rng.uniform(-room.left, room.right), rng.uniform(-room.up, room.down)])
    heading, turn = rng.uniform(0, 2 * math.pi), rng.uniform(-0.5, 0.5) * MOST_TURN_DEG
    out = np.empty((count, 3))
    for number in range(count):
        out[number] = (*at, turn)
        length = longest * rng.uniform(_SLOWEST, 1.0)
        wish = heading + float(np.clip(rng.normal(0, _BEND[0]), -_BEND[1], _BEND[1]))
        side = 1 if rng.random() < 0.5 else -1
        goal = [rng.uniform(-room.left, room.right), rng.uniform(-room.up, room.down)]
        found = _heading(room, at, wish, length, side)
        if found is not None:
            heading = found
            at = at + length * np.array([math.cos(heading), math.sin(heading)])
        else:  # narrower than a step: as far as it goes
            off = np.array(goal) - at
            at = at + off * min(1.0, length / max(float(np.hypot(*off)), 1e-9))
        turn += rng.uniform(-1, 1) * _TURN_STEP_DEG
        turn = max(-MOST_TURN_DEG, min(MOST_TURN_DEG, turn))
    return out


def _heading(
    room: Room, at: NDArray[np.float64], wish: float, length: float, side: int
) -> float | None:
    """The heading nearest the wished one that stays in the room.

    For two steps if there is one that does, so that the way turns before a wall and does not
    run along it: strokes that only slide along themselves are found by the median.
    """
    for steps in (2, 1):
        for bend in range(0, 181, 15):
            for sign in (side, -side):
                heading = wish + math.radians(bend * sign)
                ahead = np.array([math.cos(heading), math.sin(heading)])
                if _holds(room, at + steps * length * ahead):
                    return heading
    return None


def _holds(room: Room, at: NDArray[np.float64]) -> bool:
    return bool(-room.left <= at[0] <= room.right and -room.up <= at[1] <= room.down)


@dataclass(frozen=True)
class Stretch:
    """What a clip shows of a recording: its number, its content's hash (hexadecimal), seconds."""

    source: int
    content: str
    start_s: float
    stop_s: float


def paths(
    found: Sequence[Room],
    shown: Sequence[Stretch],
    speed_ratio: float,
) -> list[MarkPath]:
    """The ways of the marks over each recording. speed_ratio: as in `control_points`."""
    out = []
    for part in shown:
        first = math.floor(part.start_s / STEP_S) - 2
        last = math.ceil(part.stop_s / STEP_S) + 3
        marks = []
        for number, room in enumerate(found):
            seed = (int(part.content[:16] or "0", 16), number)
            way = control_points(room, speed_ratio, last + 3, seed)[first + 2 :]
            marks.append([(round(x, 5), round(y, 5), round(t, 3)) for x, y, t in way.tolist()])
        out.append(MarkPath(source=part.source, start_s=first * STEP_S, step_s=STEP_S, marks=marks))
    return out


def least_on_way(
    positions: Sequence[MarkPosition],
    ways: Sequence[MarkPath],
    spans: list[FieldSpan],
    aspect: float,
    coverage: NDArray[np.float32],
) -> float:
    """Crop loss at the worst moment: searched quickly over the way, then finely at the least."""
    times = [
        (w.source, w.start_s + w.step_s * k) for w in ways for k in range(1, len(w.marks[0]) - 1)
    ]
    times = times[:: max(1, len(times) // 60)]
    lit = [Lit(span, 128) for span in spans]
    quick = []
    for source, time_s in times:
        at = placed_at(positions, ways, source, time_s)
        points, weight = stroke_points(at, aspect)
        quick.append((min(quick_loss(points, weight, one, 0.0) for one in lit), source, time_s))
    losses = []
    for _, source, time_s in sorted(quick)[:3]:
        at = placed_at(positions, ways, source, time_s)
        points, weight = stroke_points(at, aspect, coverage)
        losses += [crop_loss(points, weight, span) for span in spans]
    return min(losses)
