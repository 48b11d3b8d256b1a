"""Disturbances of a report as a table, and what is done about each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.analysis.lens.events import recovery_time_constant_s
from pipeline.model.findings import Event
from pipeline.model.time import format_time, total_s
from pipeline.review.pages import number, plain
from pipeline.review.report.data import EditRow, EventStrip, ReportData
from pipeline.review.words import ACTIONS


def done_words(action: str) -> str:
    known = ACTIONS.get(action)
    return known.done if known else plain(action[:1].upper() + action[1:])


def overlaps(row: EditRow, start_s: float, stop_s: float) -> bool:
    return row.get("start_s", 0.0) < stop_s and row.get("stop_s", math.inf) > start_s


def edit_for(
    data: ReportData, recording: int, kind: str, start_s: float, stop_s: float
) -> EditRow | None:
    """The edit of that kind there, or a cut that takes out the whole span."""
    here = [r for r in data.edits if r.get("recording") == recording]
    for row in here:
        if row.get("kind") == kind and overlaps(row, start_s, stop_s):
            return row
    for row in here:
        whole = row.get("start_s", 0.0) <= start_s and row.get("stop_s", math.inf) >= stop_s
        if row.get("action") == "cut" and whole:
            return row
    return None


class EventRow(NamedTuple):
    """One line of the table of disturbances. Seconds on the axis of the recording."""

    where: str
    event: Event
    recovery_s: float | None
    done: str


def event_rows(data: ReportData) -> list[EventRow]:
    """All disturbances in order of recording and time, strip or not."""
    out = []
    for index, (name, _, series, found) in enumerate(data.recordings):
        for event in sorted(found.events, key=lambda e: (e.start_s, e.kind)):
            row = edit_for(data, index, event.kind, event.start_s, event.stop_s)
            kept = "Kept as it is" if data.state != "surveyed" else "Not planned yet"
            out.append(
                EventRow(
                    name,
                    event,
                    _recovery_s(data, index, event, series),
                    done_words(row.get("action", "keep")) if row else kept,
                )
            )
    return out


def _recovery_s(
    data: ReportData, index: int, event: Event, series: Mapping[str, ArrayLike]
) -> float | None:
    """Time constant of a fog event: of its strip, or from the series; None where unknown."""
    for item in data.event_strips:
        strip = EventStrip(*item)
        same = strip.event.kind == event.kind and strip.event.start_s == event.start_s
        if strip.recording == index and same:
            return strip.recovery_time_constant_s
    if event.kind != "fog" or "time_s" not in series or "contrast_loss" not in series:
        return None

    arrays = {k: np.asarray(series[k]) for k in ("time_s", "contrast_loss")}
    return recovery_time_constant_s(arrays, event)


def warming(rows: Sequence[EventRow]) -> list[tuple[str, str]]:
    """Per recording with fog: how fast the tip warms, as a sentence's end."""
    out = []
    for name in dict.fromkeys(r.where for r in rows if r.event.kind == "fog"):
        known = sorted(r.recovery_s for r in rows if r.where == name and r.recovery_s is not None)
        fogs = sum(r.where == name and r.event.kind == "fog" for r in rows)
        if known:
            middle = float(np.median(known))
            text = f"{number(middle, 1)} s, median of {len(known)} of {fogs} fogged spans"
            if len(known) > 1:
                text += f" ({number(known[0], 1)} to {number(known[-1], 1)} s)"
        else:
            text = f"unknown: none of {fogs} fogged spans clears by itself"
        out.append((name, text))
    return out


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def shares(data: ReportData) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Per recording: name, length, and the share of it that each kind of event covers."""
    out = []
    for name, survey, _, found in data.recordings:
        length = survey.recording.duration_s
        rows: list[tuple[str, str]] = []
        for kind in dict.fromkeys(e.kind for e in found.events):
            covered = total_s((e.start_s, e.stop_s) for e in found.events if e.kind == kind)
            rows.append((kind, f"{covered:.1f} s, {_percent(covered / length if length else 0)}"))
        out.append((name, format_time(length), rows))
    return out
