"""Burned-in lettering: where it is and how long it lasts, never what it says.

`letter_watch` looks at every decoded picture, `letter_spans` says which looks count;
`merge_lettering` joins those into spans with boxes to fill.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import reduce
from itertools import groupby
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, iou, joined, overlap, swept, union, widened
from pipeline.analysis.identity.letter_cells import PAD
from pipeline.analysis.identity.letter_spans import AVERAGES, FAINT
from pipeline.analysis.identity.letter_watch import LONGEST_S, Sight
from pipeline.analysis.identity.overlays import joined_in_time
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Lettering
from pipeline.model.time import round_s

Box = tuple[int, int, int, int, float]

_STILL_S = 1.0  # between two looks at the same place: lettering stood there all the time
_SAME_PLACE = 0.5  # intersection over union
_APART_S = 0.5  # between two looks at a line that moves
_NEAR, _NEAR_STILL = 3.0, 0.5  # `_distance` to the next look at a line that moves, or stood still
_STOOD = 3  # looks at one place
_JOINED = 1.3  # of area and time that boxes of one entry may cover, over that of its own


def field_mask(
    field: FieldSpan | None, width_px: int, height_px: int, scale: int = 1, inset_px: float = 0.0
) -> NDArray[np.bool_]:
    """True inside the scope field: bool (row, col) of a picture reduced `scale` times."""
    import cv2

    if field is None:
        return np.ones((height_px, width_px), bool)
    if field.outline_px:
        mask = np.zeros((height_px, width_px), np.uint8)
        points = np.round(np.array(field.outline_px) / scale - 0.5).astype(np.int32)
        cv2.fillPoly(mask, [points.reshape(-1, 1, 2)], 1)
        return mask.astype(bool)
    x = (np.arange(width_px) + 0.5) * scale
    y = (np.arange(height_px)[:, None] + 0.5) * scale
    mask_ = (x >= field.left_px + inset_px) & (x < field.right_px - inset_px)
    mask_ = mask_ & (y >= field.top_px + inset_px) & (y < field.bottom_px - inset_px)
    if field.shape in ("circle", "circle-clipped"):
        radius = max(0.0, field.radius_px - inset_px)
        mask_ &= (x - field.center_x_px) ** 2 + (y - field.center_y_px) ** 2 <= radius**2
    return mask_


def field_box(field: FieldSpan | None, width: int, height: int) -> Pixels:
    """Box around the lit field, x, y, width, height in pixels; the whole picture without one."""
    left, top, right, bottom = 0, 0, width, height
    if field is not None and field.shape != "none":
        x_px, y_px, r_px = field.center_x_px, field.center_y_px, field.radius_px
        left, right = max(0, int(field.left_px)), min(width, int(np.ceil(field.right_px)))
        top, bottom = max(0, int(field.top_px)), min(height, int(np.ceil(field.bottom_px)))
        if field.shape in ("circle", "circle-clipped"):
            left, right = max(left, int(x_px - r_px)), min(right, int(x_px + r_px) + 1)
            top, bottom = max(top, int(y_px - r_px)), min(bottom, int(y_px + r_px) + 1)
    if right - left < 32 or bottom - top < 32:
        return 0, 0, width, height
    return left, top, right - left, bottom - top


def _where(box: Sequence[float], fields: Sequence[FieldSpan]) -> Literal["surround", "field"]:
    """field if any part of the box lies in a field."""
    for field in fields:
        left, top = max(box[0], field.left_px), max(box[1], field.top_px)
        right = min(box[0] + box[2], field.right_px)
        bottom = min(box[1] + box[3], field.bottom_px)
        if right <= left or bottom <= top:
            continue
        if field.shape not in ("circle", "circle-clipped"):
            return "field"
        x = min(max(field.center_x_px, left), right)
        y = min(max(field.center_y_px, top), bottom)
        if (x - field.center_x_px) ** 2 + (y - field.center_y_px) ** 2 <= field.radius_px**2:
            return "field"
    return "field" if not fields else "surround"


def merge_lettering(
    sights: Sequence[Sight],
    margin_s: float,
    fields: Sequence[FieldSpan],
    width_px: int,
    height_px: int,
    stop_s: float | None = None,
) -> list[Lettering]:
    """Sights that count, as spans with boxes to fill.

    sights: as from `letter_spans.counted`, times rising. A line is followed from look to look;
    between two looks the box holds both places: at most 2 margin_s apart, or a second where it
    stands still, since small letters are seen by close looks only. It reaches margin_s before
    its first and after its last look, in the way it moved. Boxes are padded. stop_s: end of the
    file.
    """
    end = float("inf") if stop_s is None else stop_s
    pieces: list[Lettering] = []
    open_: list[dict[str, Any]] = []

    def piece(start_s: float, until_s: float, boxes: Iterable[Pixels], odds: float) -> None:
        start_s, until_s = max(0.0, start_s), min(until_s, end)
        for box in (widened(b, 0, 0, width_px, height_px) for b in boxes):
            if until_s > start_s and box[2] and box[3]:
                pieces.append(
                    Lettering(
                        start_s=round_s(start_s),
                        stop_s=round_s(until_s),
                        box_px=box,
                        where=_where(box, _fields_in(fields, start_s, until_s)),
                        confidence=round(float(1 / (1 + np.exp(-min(odds, 30)))), 3),
                    )
                )

    def padded(sight: Sight) -> list[Pixels]:
        """The box, or the boxes along it, of a line aslant or of what was seen in parts."""
        out = []
        for box in sight.parts or (sight.box,):
            high = sight.line_px or min(box[2:])
            # Of faint lettering less than its height is seen, now and then.
            high = min(*box[2:], 2 * high) if sight.kind in FAINT else high
            pad = max(4.0, PAD * high)
            out.append(widened(box, pad, pad, width_px, height_px))
        return out

    def ended(track: dict[str, Any]) -> None:
        last_s, first_s = track["time_s"], track["first_s"]
        for start_s, stop_s, parts, way, past_s in (
            (last_s, last_s + margin_s, track["parts"], track["way"], LONGEST_S),
            (first_s - margin_s, first_s, track["first"], track["first_way"] or (0, 0), -LONGEST_S),
        ):
            boxes = [union(box, _moved(box, way, past_s)) for box in parts]
            piece(start_s, stop_s, boxes, track["odds"])

    for sight in (s for s in sights if s.kind in AVERAGES):
        piece(sight.since_s - margin_s, sight.time_s + margin_s, padded(sight), sight.odds)
    singles = [s for s in sights if s.kind not in AVERAGES]
    for time_s, group in groupby(singles, key=lambda s: s.time_s):
        seen = list(group)
        here, odds = [padded(s) for s in seen], max(s.odds for s in seen)
        for track in [t for t in open_ if time_s - t["time_s"] > _STILL_S]:
            open_.remove(track)
            ended(track)
        taken: set[int] = set()
        for wide in joined([_around(boxes) for boxes in here]):
            parts = sorted({b for boxes in here if overlap(_around(boxes), wide) for b in boxes})
            free = [
                t for t in open_ if id(t) not in taken
                and (time_s - t["time_s"] <= _APART_S or iou(t["box"], wide) > _SAME_PLACE)
            ]  # fmt: skip
            best = min(
                (t for t in free if _distance(t["box"], wide) < _reach(t)),
                key=lambda t: _distance(t["box"], wide),
                default=None,
            )
            if best is not None:
                same = iou(best["box"], wide) > _SAME_PLACE
                between = {*best["parts"], *parts} if same else swept(best["box"], wide)
                piece(best["time_s"], time_s, between, odds)
                way = _way(best["box"], wide, time_s - best["time_s"])
                best["first_way"] = best["first_way"] or way
                still = best["still"] + 1 if same else 0
                best.update(
                    time_s=time_s, box=wide, parts=parts, odds=odds, way=way, still=still
                )
            else:
                best = {
                    "first_s": time_s, "first": parts, "first_way": None, "time_s": time_s,
                    "box": wide, "parts": parts, "odds": odds, "way": (0.0, 0.0), "still": 0,
                }  # fmt: skip
                open_.append(best)
            taken.add(id(best))
    for track in open_:
        ended(track)
    return joined_in_time(pieces, _JOINED)


def _around(boxes: Sequence[Pixels]) -> Pixels:
    return reduce(union, boxes)


def _reach(track: dict[str, Any]) -> float:
    """How far off a line may be at the next look: one that stood still is not somewhere else."""
    return _NEAR_STILL if track["still"] >= _STOOD else _NEAR


def _way(a: Pixels, b: Pixels, time_s: float) -> tuple[float, float]:
    """Speed of the middle in px a second; none for a box that rather grew or shrank."""
    if max(abs(a[2] - b[2]), abs(a[3] - b[3])) > 0.5 * min(a[2], a[3]):
        return 0.0, 0.0
    x = a[0] + a[2] / 2 - b[0] - b[2] / 2
    y = a[1] + a[3] / 2 - b[1] - b[3] / 2
    return -x / time_s, -y / time_s


def _moved(box: Pixels, way: tuple[float, float], time_s: float) -> Pixels:
    return round(box[0] + way[0] * time_s), round(box[1] + way[1] * time_s), box[2], box[3]


def _distance(a: Pixels, b: Pixels) -> float:
    """How far two lines are apart, in heights, if they could be the same line; else infinity."""
    if not 0.5 < (a[3] + 1) / (b[3] + 1) < 2.0 or not 0.4 < (a[2] + 1) / (b[2] + 1) < 2.5:
        return 9.0 if overlap(a, b) <= 0 else 1.0
    dx = abs(a[0] + a[2] / 2 - b[0] - b[2] / 2) / max(a[2], b[2])
    dy = abs(a[1] + a[3] / 2 - b[1] - b[3] / 2) / (4.0 * max(a[3], b[3]))
    return dx + dy


def _fields_in(fields: Sequence[FieldSpan], start_s: float, stop_s: float) -> list[FieldSpan]:
    return [f for f in fields if f.start_s < stop_s and f.stop_s > start_s] or list(fields)
