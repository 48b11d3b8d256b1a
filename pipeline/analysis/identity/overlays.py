"""Lettering as a person would list it: one entry an overlay, with the place that it really has."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from pipeline.analysis.boxes import Pixels, overlap, union
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Lettering

COVER_PAD_S = 0.25  # a box is there so long before and after what it covers was seen
NEAR_S = 0.5  # a gap up to this, and a change of the field so near, count as the same time
MOST_WASTE = 1.5  # of area and time that a joined entry may cover, over that of its parts


def tidied(
    found: Sequence[Lettering], fields: Sequence[FieldSpan], width_px: int, height_px: int
) -> list[Lettering]:
    """`found` with the place of each by the field at its time, and what is one overlay as one.

    Every pixel that an entry of `found` covers at a time is covered by what comes back.
    """
    placed = [
        item.model_copy(update={"where": where(item, fields, width_px, height_px)})
        for item in found
    ]
    return _joined(placed)


def where(
    item: Lettering, fields: Sequence[FieldSpan], width_px: int, height_px: int
) -> Literal["surround", "field"]:
    """'surround' if the box lies wholly outside the field as long as it is seen."""
    from pipeline.analysis.field.masks import field_mask

    near = [
        f for f in fields
        if f.start_s < item.stop_s + NEAR_S and f.stop_s > item.start_s - NEAR_S
    ]  # fmt: skip
    x, y, wide, high = (int(v) for v in item.box_px)
    rows, cols = slice(max(0, y), max(0, y + high)), slice(max(0, x), max(0, x + wide))
    if not any(f.shape != "none" for f in fields):
        return "field"
    for field in near:
        if field.shape == "none":
            continue  # nothing of that picture is shown
        if np.any(field_mask(field, height_px, width_px)[rows, cols]):
            return "field"
    return "surround" if near else "field"


def _joined(found: Sequence[Lettering]) -> list[Lettering]:
    groups = [[item] for item in sorted(found, key=lambda i: (i.start_s, i.box_px))]
    again = True
    while again:
        again = False
        out: list[list[Lettering]] = []
        for group in groups:
            for n, other in enumerate(out):
                if _are_one(other, group):
                    out[n], again = other + group, True
                    break
            else:
                out.append(group)
        groups = out
    return sorted((_whole(g) for g in groups), key=lambda i: (i.start_s, i.box_px))


def _are_one(one: Sequence[Lettering], other: Sequence[Lettering]) -> bool:
    """True if both touch in place and time, and one box over all would cover little else."""
    a, b = _whole(one), _whole(other)
    if a.where != b.where or min(a.stop_s, b.stop_s) + NEAR_S < max(a.start_s, b.start_s):
        return False
    if overlap(_reaching(a.box_px, b.box_px), b.box_px) <= 0:
        return False
    parts: list[Lettering] = []
    for item in sorted((*one, *other), key=_volume, reverse=True):
        if not any(_holds(p, item) for p in parts):
            parts.append(item)
    return _volume(_whole(parts)) <= MOST_WASTE * sum(map(_volume, parts))


def _whole(items: Sequence[Lettering]) -> Lettering:
    box = items[0].box_px
    for item in items[1:]:
        box = union(box, item.box_px)
    return items[0].model_copy(
        update={
            "start_s": min(i.start_s for i in items), "stop_s": max(i.stop_s for i in items),
            "box_px": box, "confidence": max(i.confidence for i in items),
        }
    )  # fmt: skip


def _volume(item: Lettering) -> float:
    return item.box_px[2] * item.box_px[3] * (item.stop_s - item.start_s)


def _holds(a: Lettering, b: Lettering) -> bool:
    inside = overlap(a.box_px, b.box_px) >= b.box_px[2] * b.box_px[3]
    return inside and a.start_s <= b.start_s and a.stop_s >= b.stop_s


def _reaching(box: Pixels, other: Pixels) -> Pixels:
    """The box with a line's height more on every side."""
    line = min(box[3], other[3])
    return box[0] - line, box[1] - line, box[2] + 2 * line, box[3] + 2 * line

