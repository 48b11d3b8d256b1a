"""Where a plan puts things in the finished picture and when: verify's own reading of its numbers.

The renderer has `model.placement` and `model.timeline`; these few lines do the same sums apart
from them, so that a mistake there, or in what obeys them, is seen in the finished file.
Masks are (row, col) bool, spans half open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan
from pipeline.model.plan import Compared, Piece, Plan, PlannedSource, Redaction

Mask = NDArray[np.bool_]
TICK_S = 6e-4  # the time of a picture may be rounded in a file, to milliseconds in some
_AT_FRAME_PX = 0.75  # an edge so near the frame is the frame: nothing is taken off there


class Box(NamedTuple):
    """A filled box in pixels of the clip, and when it is seen, in time of the clip."""

    left: float
    top: float
    right: float
    bottom: float
    start_s: float
    stop_s: float


def piece_number(plan: Plan, clip_s: float) -> int:
    """Number of the piece that is shown at a moment of the clip."""
    begun = [k for k, p in enumerate(plan.pieces) if p.out_start_s <= clip_s + TICK_S]
    return begun[-1] if begun else 0


def shot_numbers(plan: Plan) -> list[int]:
    """Shot of each piece, from 0: a new one wherever a piece does not play on from the last."""
    shots = [0]
    for before, piece in zip(plan.pieces, plan.pieces[1:], strict=False):
        on = (
            before.kind == piece.kind == "play"
            and before.source == piece.source
            and abs(before.start_s + before.length_s - piece.start_s) < 1e-3
        )
        shots.append(shots[-1] + (not on))
    return shots


def source_time(piece: Piece, clip_s: float) -> float:
    """Source time of the picture shown at `clip_s`; a held one stands still."""
    return piece.start_s + (clip_s - piece.out_start_s if piece.kind == "play" else 0.0)


def scaled_size(source: PlannedSource) -> tuple[int, int]:
    """(width, height) of the source's picture in the clip, even."""
    scale = source.moved[0]
    if scale == 1.0:
        return source.width_px, source.height_px
    return (
        max(2, round(source.width_px * scale / 2) * 2),
        max(2, round(source.height_px * scale / 2) * 2),
    )


def has_circle(source: PlannedSource) -> bool:
    """False where no field was ever seen: then the whole picture is shown."""
    return any(f.shape != "none" for f in source.fields)


def field_of(source: PlannedSource, source_s: float) -> FieldSpan:
    """The field in force; outside of all of them the nearest in time."""
    away = [max(f.start_s - source_s, source_s - f.stop_s) for f in source.fields]
    inside = [f for f, s in zip(source.fields, away, strict=True) if s < 0 or f.start_s == source_s]
    return inside[0] if inside else source.fields[int(np.argmin(away))]


def in_clip(source: PlannedSource, span: FieldSpan) -> FieldSpan:
    """The field in pixels of the clip."""
    scale, dx, dy = source.moved
    outline = span.outline_px
    return span.model_copy(
        update={
            "center_x_px": dx + scale * span.center_x_px,
            "center_y_px": dy + scale * span.center_y_px,
            "radius_px": scale * span.radius_px,
            "left_px": dx + scale * span.left_px,
            "right_px": dx + scale * span.right_px,
            "top_px": dy + scale * span.top_px,
            "bottom_px": dy + scale * span.bottom_px,
            "outline_px": None
            if outline is None
            else [(dx + scale * x, dy + scale * y) for x, y in outline],
        }
    )


class Lit:
    """What a source shows in the clip while one field is in force, as masks.

    inset_px: of the source, how far inside the field the picture ends.
    """

    def __init__(
        self, source: PlannedSource, span: FieldSpan, size_px: tuple[int, int], inset_px: float
    ) -> None:
        rows, cols = size_px
        scale, dx, dy = source.moved
        self._scale = scale
        # In pixels of the source.
        self._x = np.asarray((np.arange(cols)[None, :] + 0.5 - dx) / scale, np.float64)
        self._y = np.asarray((np.arange(rows)[:, None] + 0.5 - dy) / scale, np.float64)
        self._source, self._span, self._inset_px = source, span, inset_px
        self._whole = not has_circle(source)
        self._away_px: NDArray[np.float32] | None = None

    def within(self, grown_px: float) -> Mask:
        """True up to `grown_px` (of the clip) beyond the edge of what is seen; less is inside."""
        grow = grown_px / self._scale
        wide, high = self._source.width_px, self._source.height_px
        frame = (self._x > -grow) & (self._x < wide + grow)
        frame = frame & (self._y > -grow) & (self._y < high + grow)
        span = self._span
        if self._whole:
            return frame
        if span.shape == "none":
            return np.zeros_like(frame)
        if span.outline_px is not None:
            return frame & (self._from_outline(span.outline_px) <= grow - self._inset_px)
        reach = span.radius_px - self._inset_px + grow
        if reach <= 0:
            return np.zeros_like(frame)
        off_x = np.square(self._x - span.center_x_px).astype(np.float32)
        off_y = np.square(self._y - span.center_y_px).astype(np.float32)
        sides = [
            (self._x, span.left_px, span.left_px),
            (self._y, span.top_px, span.top_px),
            (-self._x, -span.right_px, wide - span.right_px),
            (-self._y, -span.bottom_px, high - span.bottom_px),
        ]
        for at, edge, from_frame in sides:
            inset = self._inset_px if from_frame > _AT_FRAME_PX else 0.0
            frame &= at >= edge + inset - grow
        return np.asarray(frame & (off_x + off_y <= reach * reach), bool)

    def _from_outline(self, points: Sequence[tuple[float, float]]) -> NDArray[np.float32]:
        """Distance from a closed polygon in px of the source, less than 0 inside (row, col)."""
        if self._away_px is None:
            from scipy.ndimage import distance_transform_edt

            inside = _even_odd(self._x[0], self._y[:, 0], points)
            out, into = distance_transform_edt(~inside), distance_transform_edt(inside)
            signed = np.where(inside, 0.5 - into, out - 0.5) / self._scale
            wide, high = self._source.width_px, self._source.height_px
            edge = np.array(points)
            # Along the frame the picture goes on to its last pixel.
            if min(edge[:, 0].min(), edge[:, 1].min()) <= _AT_FRAME_PX or (
                edge[:, 0].max() >= wide - _AT_FRAME_PX or edge[:, 1].max() >= high - _AT_FRAME_PX
            ):
                near = np.minimum(
                    np.minimum(self._x, wide - self._x), np.minimum(self._y, high - self._y)
                )
                signed = np.where(inside & (near < 3 * self._inset_px), -2 * self._inset_px - 1,
                                  signed)  # fmt: skip
            self._away_px = signed.astype(np.float32)
        return self._away_px


def _even_odd(
    x: NDArray[np.float64], y: NDArray[np.float64], points: Sequence[tuple[float, float]]
) -> Mask:
    """(row, col) True inside a closed polygon, by the number of its sides to the left."""
    inside = np.zeros((y.size, x.size), bool)
    for (x0, y0), (x1, y1) in zip(points, [*points[1:], points[0]], strict=True):
        rows = np.flatnonzero((y0 > y) != (y1 > y))
        if rows.size:
            at = x0 + (y[rows] - y0) / (y1 - y0) * (x1 - x0)
            inside[rows] ^= x[None, :] > at[:, None]
    return inside


def boxes_of(plan: Plan) -> list[Box]:
    """Every box that is filled, whoever asked for it, where and when the clip shows it."""
    found = []
    for redaction in plan.redactions:
        for start_s, stop_s, place in _places(plan, redaction):
            for piece in plan.pieces:
                if piece.source != redaction.source or piece.kind not in ("play", "freeze"):
                    continue
                length_s = piece.length_s
                begin, end = start_s - piece.start_s, stop_s - piece.start_s
                if piece.kind == "freeze":
                    begin, end = (0.0, length_s) if begin <= 0 < end else (0.0, 0.0)
                begin, end = max(0.0, begin), min(length_s, end)
                if end > begin:
                    found.append(Box(*place, piece.out_start_s + begin, piece.out_start_s + end))
    return found


def _places(
    plan: Plan, redaction: Redaction
) -> list[tuple[float, float, tuple[float, float, float, float]]]:
    """From when to when what is filled, in source time; left, top, right, bottom in the clip."""
    if redaction.box_px is None:
        return []
    scale, dx, dy = plan.sources[redaction.source].moved
    rows = [(p.start_s, p.stop_s, p.box_px) for p in redaction.parts] or [
        (redaction.start_s, redaction.stop_s, redaction.box_px)
    ]
    return [
        (a, b, (dx + scale * x, dy + scale * y, dx + scale * (x + w), dy + scale * (y + h)))
        for a, b, (x, y, w, h) in rows
    ]


def box_pixels(box: Box, size_px: tuple[int, int], less_px: float = 0.0) -> tuple[slice, slice]:
    """(rows, cols) of the pixels that lie in a box by at least `less_px`, inside the picture."""
    rows, cols = size_px

    def part(low: float, high: float, most: int) -> slice:
        first = min(most, max(0, math.ceil(low + less_px)))
        return slice(first, max(first, min(most, math.floor(high - less_px))))

    return part(box.top, box.bottom, rows), part(box.left, box.right, cols)


def with_moved(plan: Plan, shown: Compared) -> Plan:
    """The plan with the source of a compared picture where that lies on its card."""
    sources = [
        s.model_copy(update={"moved": shown.moved}) if k == shown.source else s
        for k, s in enumerate(plan.sources)
    ]
    return plan.model_copy(update={"sources": sources})


def captions_cut(plan: Plan) -> tuple[slice, slice] | None:
    """(rows, cols) of the place of drawn captions; None without any."""
    if plan.drawn is None:
        return None
    x, y, wide, high = plan.drawn.box_px
    return slice(y, y + high), slice(x, x + wide)


def own_boxes(plan: Plan, number: int, source_s: float) -> list[Box]:
    """Boxes of a source at its own time, in pixels of the clip."""
    return [
        Box(*place, 0.0, 0.0)
        for r in plan.redactions
        if r.source == number
        for start_s, stop_s, place in _places(plan, r)
        if start_s <= source_s < stop_s
    ]
