"""Pictures of a report: samples of each recording, and each disturbance from onset to recovery."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from pipeline.analysis.lens.events import recovery_time_constant_s
from pipeline.model.findings import Event, Findings
from pipeline.model.survey import Survey
from pipeline.model.time import Span
from pipeline.review.report.data import (
    EventStrip,
    Thumbnail,
)
from pipeline.stages.clear_picture import covered_spans
from pipeline.stages.pictures import redacted_jpegs
from pipeline.stages.values import CaseResult

SHOWN_EVENTS = 16  # with pictures, the worst


def thumbnails(run: CaseResult) -> list[Thumbnail]:
    out = []
    for number, surveyed in enumerate(run.surveyed):
        covered = covered_spans(run.plan.redactions if run.plan is not None else (), number)
        for wanted_s, words in sample_times(
            surveyed.survey, surveyed.findings, surveyed.series, covered
        ):
            for time_s, data, span in redacted_jpegs(run, number, [wanted_s]):
                words += "" if span.shape != "none" else "; no round field"
                out.append(Thumbnail(number, time_s, data, span, words))
    return out


def sample_times(
    survey: Survey,
    findings: Findings,
    series: Mapping[str, Any],
    covered: Sequence[Span] = (),
) -> list[tuple[float, str]]:
    """Moments worth a picture, in order: a clear one, each kind of event at its worst, the middle.

    Seconds of the recording, and what is seen there. covered: spans in which a box covers
    something; a clear one is not from there if there is another.
    """
    events = list(findings.events)
    out: list[tuple[float, str]] = []
    if "time_s" in series and "contrast_loss" in series and len(series["time_s"]):
        time_s = np.asarray(series["time_s"], float)
        loss = np.asarray(series["contrast_loss"], float).copy()
        for e in events:
            loss[(time_s >= e.start_s - 0.5) & (time_s < e.stop_s + 0.5)] = np.nan
        free = loss.copy()
        for span in covered:
            free[(time_s >= span.start_s) & (time_s < span.stop_s)] = np.nan
        if np.isfinite(free).any():
            loss = free
        known = np.flatnonzero(np.isfinite(loss))
        if known.size:
            best = known[loss[known] <= np.nanmin(loss) + 0.01]
            out.append((float(time_s[best[best.size // 2]]), "clear"))
    for kind in dict.fromkeys(e.kind for e in events):
        worst = max((e for e in events if e.kind == kind), key=lambda e: e.lost_s)
        words = f"{kind.replace('_', ' ')} at its worst"
        out.append((_worst_s(series, worst), words if len(events) > 1 else kind.replace("_", " ")))
    middle = survey.recording.duration_s / 2
    if all(abs(middle - t) > 1.0 for t, _ in out):
        inside = any(e.start_s <= middle < e.stop_s for e in events)
        out.append((middle, "the middle" if not inside else "the middle, inside an event"))
    return sorted(out)


def strips(run: CaseResult) -> list[EventStrip]:

    out: list[EventStrip] = []
    for number, surveyed in enumerate(run.surveyed):
        shown = [e for e in surveyed.findings.events if e.kind != "out_of_body"]
        shown = sorted(shown, key=lambda e: -e.lost_s)[:SHOWN_EVENTS]
        for event in sorted(shown, key=lambda e: e.start_s):
            times = [event.start_s, _worst_s(surveyed.series, event), max(0.0, event.stop_s - 0.1)]
            pictures = [data for _, data, _ in redacted_jpegs(run, number, times, rows_px=200)]
            constant = (
                recovery_time_constant_s(surveyed.series, event) if event.kind == "fog" else None
            )
            out.append(EventStrip(number, event, pictures, constant))
    return out


def _worst_s(series: Mapping[str, Any], event: Event) -> float:
    time_s, loss = series["time_s"], series.get(event.kind, series["contrast_loss"])
    inside = (time_s >= event.start_s) & (time_s < event.stop_s) & np.isfinite(loss)
    if not inside.any():
        return (event.start_s + event.stop_s) / 2
    index = np.flatnonzero(inside)
    return float(time_s[index[np.argmax(loss[index])]])
