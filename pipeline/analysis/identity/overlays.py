"""Lettering as a person would list it: one entry an overlay, with the place that it really has."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, area, overlap, union
from pipeline.model.cover import Cover
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Lettering

COVER_PAD_S = 0.25  # a box is there so long before and after what it covers was seen
NEAR_S = 0.5  # a gap up to this, and a change of the field so near, count as the same time
MOST_WASTE = 1.5  # of area and time that a joined entry may cover, over that of its parts
FOLLOWS = 0.5  # of the smaller of two boxes one after the other, from which they are one line
PARTS_WASTE = 1.15  # as MOST_WASTE: one box is filled, not those of the parts
DOUBTED = 0.25  # confidence of what looks a little like lettering; of what counts it is over .8
MOST_PARTS = 100  # of an entry


def tidied(
    found: Sequence[Lettering], fields: Sequence[FieldSpan], width_px: int, height_px: int
) -> list[Lettering]:
    """`found` with the place of each by the field at its time, and what is one overlay as one.

    Every pixel that an entry of `found` covers at a time is covered by what comes back, by its
    parts where it has some.
    """
    from pipeline.analysis.field.masks import field_mask

    mask = cache(lambda number: field_mask(fields[number], height_px, width_px))
    placed = [
        item.model_copy(update={"where": _where(item, fields, mask)})
        for entry in found
        for item in entry.loose
    ]
    return _joined(placed)


def _where(
    item: Lettering, fields: Sequence[FieldSpan], mask: Callable[[int], NDArray[np.uint8]]
) -> Literal["surround", "field"]:
    """'surround' if the box lies wholly outside the field as long as it is seen.

    mask: (row, col) of the field of that number, not 0 inside.
    """
    near = [
        n for n, f in enumerate(fields)
        if f.start_s < item.stop_s + NEAR_S and f.stop_s > item.start_s - NEAR_S
    ]  # fmt: skip
    x, y, wide, high = (int(v) for v in item.box_px)
    rows, cols = slice(max(0, y), max(0, y + high)), slice(max(0, x), max(0, x + wide))
    if not any(f.shape != "none" for f in fields):
        return "field"
    for number in near:
        if fields[number].shape == "none":
            continue  # nothing of that picture is shown
        if np.any(mask(number)[rows, cols]):
            return "field"
    return "surround" if near else "field"


def _joined(found: Sequence[Lettering]) -> list[Lettering]:
    groups = _followed(sorted(found, key=lambda i: (i.start_s, i.box_px)))
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
    return sorted((_finding(g) for g in groups), key=lambda i: (i.start_s, i.box_px))


def _followed(found: Sequence[Lettering]) -> list[list[Lettering]]:
    """Groups of what follows each other, as a line that moves does, or lies beside each other, as
    the parts of one aslant do."""
    groups: dict[int, list[Lettering]] = {}
    live: list[tuple[Lettering, int]] = []
    for number, item in enumerate(found):
        live = [(other, n) for other, n in live if other.stop_s >= item.start_s - NEAR_S]
        mine = {n for other, n in live if _follow(other, item)}
        groups[number] = [i for n in mine for i in groups.pop(n)] + [item]
        live = [(other, number if n in mine else n) for other, n in live] + [(item, number)]
    return list(groups.values())


def _follow(one: Lettering, other: Lettering) -> bool:
    """True for boxes of one line, one after the other or at the same time."""
    both_s = min(one.stop_s, other.stop_s) - max(one.start_s, other.start_s)
    a, b = one.box_px, other.box_px
    small, large = sorted((min(a[2:]), min(b[2:])))
    if one.where != other.where or both_s < -NEAR_S or large > 2 * small:
        return False
    beside = both_s >= 0.5 * min(one.stop_s - one.start_s, other.stop_s - other.start_s)
    return overlap(a, b) > (0 if beside else FOLLOWS * min(a[2] * a[3], b[2] * b[3]))


def _are_one(one: Sequence[Lettering], other: Sequence[Lettering]) -> bool:
    """True if both touch in place and time, and one box over all would cover little else."""
    a, b = _whole(one), _whole(other)
    if a.where != b.where or min(a.stop_s, b.stop_s) + NEAR_S < max(a.start_s, b.start_s):
        return False
    if overlap(_reaching(a.box_px, b.box_px), b.box_px) <= 0:
        return False
    return volume(_whole([*one, *other])) <= MOST_WASTE * _own([*one, *other])


def _finding(items: Sequence[Lettering]) -> Lettering:
    """One entry, with parts where one box would cover much else."""
    whole = _whole(items)
    if whole.where == "surround" or volume(whole) <= PARTS_WASTE * _own(items):
        return whole
    parts, waste = joined_in_time(_without_gaps(items), PARTS_WASTE), PARTS_WASTE
    while len(parts) > MOST_PARTS:
        waste *= 1.2
        parts = joined_in_time(parts, waste)
    covers = [Cover(start_s=i.start_s, stop_s=i.stop_s, box_px=i.box_px) for i in parts]
    return whole.model_copy(update={"parts": covers})


def _without_gaps(items: Sequence[Lettering]) -> list[Lettering]:
    """Where nothing is seen for a moment, what was before and what comes after stay."""
    out = sorted(items, key=lambda i: i.start_s)
    until_s = out[0].stop_s
    for number, item in enumerate(out):
        if item.start_s > until_s:
            gap = until_s, item.start_s
            for n, other in enumerate(out):
                if n < number and other.stop_s == gap[0]:
                    out[n] = other.model_copy(update={"stop_s": gap[1]})
                elif n >= number and other.start_s == gap[1]:
                    out[n] = other.model_copy(update={"start_s": gap[0]})
        until_s = max(until_s, item.stop_s)
    return out


def joined_in_time(found: Sequence[Lettering], most_waste: float) -> list[Lettering]:
    """One entry for those that touch in time and lie at nearly the same place: it covers
    `most_waste` times the area and time of its own at most."""
    out: list[Lettering] = []
    own: list[float] = []  # px x s that the entries of `out` were made of
    open_: list[int] = []  # those that what comes can still touch
    for entry in sorted(found, key=lambda e: (e.start_s, e.box_px)):
        open_ = [n for n in open_ if entry.start_s <= out[n].stop_s + 0.05]
        for index in open_:
            both, more = _whole([out[index], entry]), own[index] + _added(out[index], entry)
            if volume(both) <= most_waste * more:
                out[index], own[index] = both, more
                break
        else:
            open_.append(len(out))
            out.append(entry)
            own.append(volume(entry))
    return out


def _whole(items: Sequence[Lettering]) -> Lettering:
    box = items[0].box_px
    for item in items[1:]:
        box = union(box, item.box_px)
    return items[0].model_copy(
        update={
            "start_s": min(i.start_s for i in items), "stop_s": max(i.stop_s for i in items),
            "box_px": box, "confidence": max(i.confidence for i in items),
            "where": "field" if any(i.where == "field" for i in items) else "surround",
        }
    )  # fmt: skip


def volume(item: Lettering) -> float:
    return item.box_px[2] * item.box_px[3] * (item.stop_s - item.start_s)


def _own(items: Sequence[Lettering]) -> float:
    """Area and time that entries cover together."""
    total, live = 0.0, list[Lettering]()
    rest = sorted(items, key=lambda i: -i.start_s)
    for start_s, stop_s in pairwise(sorted({t for i in items for t in (i.start_s, i.stop_s)})):
        while rest and rest[-1].start_s <= start_s:
            live.append(rest.pop())
        live = [i for i in live if i.stop_s > start_s]
        total += (stop_s - start_s) * area({i.box_px for i in live})
    return total


def _added(one: Lettering, other: Lettering) -> float:
    """Area and time that `other` covers and `one` does not."""
    both_s = min(one.stop_s, other.stop_s) - max(one.start_s, other.start_s)
    return volume(other) - max(0.0, both_s) * overlap(one.box_px, other.box_px)


def _reaching(box: Pixels, other: Pixels) -> Pixels:
    """The box with a line's height more on every side."""
    line = min(box[3], other[3])
    return box[0] - line, box[1] - line, box[2] + 2 * line, box[3] + 2 * line
