"""Events from the lens series alone: a new threshold needs no new measurement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan
from pipeline.model.findings import Event
from pipeline.model.kinds import KINDS
from pipeline.model.kinds.kind import Evidence, Kind
from pipeline.model.options import LensOptions
from pipeline.model.time import round_s

ODDS_MOST = 0.99  # nothing read from a series is surer


def find_events(
    series: Mapping[str, NDArray[Any]],
    fields: Sequence[FieldSpan],
    duration_s: float,
    options: Mapping[str, Any] | None = None,
    damaged: Sequence[tuple[float, float]] = (),
    kinds: Sequence[Kind] = KINDS,
) -> list[Event]:
    """Disturbances decided from the series of `LensResult.series`, each kind as it declares.

    options: the settings of the section `lens` by name; those left out have their default.
    damaged: spans of the picture that were not read as written. Spans are half open and end
    at most at duration_s. Sorted by start.
    """
    limits = LensOptions().model_dump() | dict(options or {})
    seen = Evidence(series, fields, duration_s, damaged, limits, kinds)
    out = [e for kind in kinds if kind.event for e in _events_of(seen, kind)]
    return sorted(_shared(out), key=lambda e: (e.start_s, e.kind))


def _shared(events: Sequence[Event]) -> list[Event]:
    """The events with what is left of their confidence where others explain the moment too.

    Each has its share of the odds, and so have the odds that it is none of them: together at
    most 1, and what is left is unknown. An event that stands alone stays as sure as it was.
    """
    odds = [min(e.confidence, ODDS_MOST) / (1 - min(e.confidence, ODDS_MOST)) for e in events]
    cuts = sorted({t for e in events for t in (e.start_s, e.stop_s)})
    out = []
    for event, own in zip(events, odds, strict=True):
        beside = [
            (e, o)
            for e, o in zip(events, odds, strict=True)
            if e is not event and e.start_s < event.stop_s and e.stop_s > event.start_s
        ]
        if not beside:
            out.append(event)
            continue
        within = [t for t in cuts if event.start_s <= t <= event.stop_s]
        share = 0.0
        for a, b in pairwise(within):
            others = sum(o for e, o in beside if e.start_s <= a and e.stop_s >= b)
            share += (b - a) * own / (1 + own + others)
        share /= event.stop_s - event.start_s
        out.append(event.model_copy(update={"confidence": round(share, 3)}))
    return out


def _events_of(seen: Evidence, kind: Kind) -> list[Event]:
    out = [
        Event(kind=kind.kind, start_s=s.start_s, stop_s=s.stop_s, confidence=s.confidence)
        for s in seen.spells(kind.kind)
    ]
    found = seen.found(kind.kind)
    for a, b in found.spans:
        part = found.score[a:b] if found.score is not None else np.array([])
        if np.isfinite(part).any():
            # where it cannot be followed it is no less than where it can
            part = np.where(np.isfinite(part), part, np.nanmax(part))
        else:
            part = part[:0]
        out.append(
            Event(
                kind=kind.kind,
                start_s=round_s(float(seen.time_s[a])),
                stop_s=round_s(min(seen.duration_s, seen.stop_s(b))),
                peak_loss=round(float(part.max()), 4) if len(part) else None,
                mean_loss=round(float(part.mean()), 4) if len(part) else None,
                confidence=round(float(np.clip(found.sure(a, b), 0, 1)), 3),
                covers=1.0 if found.covers is None else round(float(found.covers[a:b].max()), 4),
            )
        )
    return out


def recovery_time_constant_s(series: Mapping[str, NDArray[Any]], event: Event) -> float | None:
    """Time constant in s of an exponential fitted to the loss from its peak to its end.

    How fast the tip warms. None where the fog does not fall, or too little is known.
    """
    time = np.asarray(series["time_s"], np.float64)
    loss = np.asarray(series["contrast_loss"], np.float64)
    sel = (time >= event.start_s) & (time < event.stop_s + 6.0) & np.isfinite(loss)
    if sel.sum() < 4:
        return None
    t, x = time[sel], loss[sel]
    inside = t < event.stop_s
    if inside.sum() < 2:
        return None
    top = float(x[inside].max())
    start = int(np.flatnonzero(inside & (x >= 0.9 * top))[-1])
    t, x = t[start:], x[start:]
    low = np.flatnonzero((x < 0.1 * top) | ((t > event.stop_s) & (x > 0.5 * top)))
    if len(low):
        t, x = t[: low[0]], x[: low[0]]
    if len(t) < 3 or x[-1] > 0.7 * x[0]:
        return None
    u = np.maximum(x, 0.02)
    slope = float(np.polyfit(t - t[0], np.log(u), 1, w=u)[0])
    return -1 / slope if slope < -1e-3 else None
