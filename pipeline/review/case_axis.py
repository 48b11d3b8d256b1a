"""All that a report shows, brought to case time: one axis for list, plots and pictures. Pure.

Surveys come on the axis of their file, sound and mark on that of the clip. What the case does
not keep is left out; what the clip does not show keeps its place in case time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.model.findings import Findings
from pipeline.model.plan import Piece
from pipeline.model.survey import Survey
from pipeline.model.time import format_time, round_s
from pipeline.model.timeline import Timeline
from pipeline.review.report.data import EventStrip, RecordingPart, ReportData, Thumbnail

_SOUND_SPANS = ("narration_speech", "procedure_speech", "undecided", "overruled")


def in_case_time(data: ReportData, axis: Timeline) -> ReportData:
    """The same report with all its times in case time; axis: its pieces of the plan, or none."""
    data.recordings = [
        RecordingPart(
            name, _survey(survey, axis, n), _series(series, axis, n), _findings(found, axis, n)
        )
        for n, (name, survey, series, found) in enumerate(data.recordings)
    ]
    data.thumbnails = [
        t._replace(time_s=round_s(at))
        for t in (Thumbnail(*t) for t in data.thumbnails)
        if (at := axis.case_at_source(t.recording, t.time_s)) is not None
    ]
    data.event_strips = [
        s._replace(event=event)
        for s in (EventStrip(*s) for s in data.event_strips)
        for event in _placed([s.event], axis, s.recording)[:1]
    ]
    edits: list[Any] = []
    for row in data.edits:
        number = row.get("recording")
        if number is None or "start_s" not in row or "stop_s" not in row:
            edits.append(row)
            continue
        for a, b in _in_case(axis, number, row["start_s"], row["stop_s"]):
            edits.append({**row, "start_s": a, "stop_s": b})
    data.edits = edits
    if axis.pieces:
        _sound(data, axis)
        data.clip_pieces = axis.pieces
    return data


def _in_case(
    axis: Timeline, source: int, start_s: float, stop_s: float
) -> list[tuple[float, float]]:
    """What the case shows of a span of one source: pairs of case time."""
    return [(round_s(a), round_s(b)) for a, b in axis.case_of_source(source, (start_s, stop_s))]


def _placed(items: Iterable[Any], axis: Timeline, source: int) -> list[Any]:
    """Findings with a span, each once for every part of it that the case keeps."""
    return [
        item.model_copy(update={"start_s": a, "stop_s": b})
        for item in items
        for a, b in _in_case(axis, source, item.start_s, item.stop_s)
    ]


def _survey(survey: Survey, axis: Timeline, source: int) -> Survey:
    return survey.model_copy(
        update={
            "lettering": _placed(
                [x.model_copy(update={"parts": []}) for x in survey.lettering], axis, source
            ),
            "faces": _placed(survey.faces, axis, source),
        }
    )


def _findings(findings: Findings, axis: Timeline, source: int) -> Findings:
    def spans(pairs: Sequence[Any]) -> list[tuple[float, float]]:
        return [s for a, b in pairs for s in _in_case(axis, source, a, b)]

    heard = findings.speech
    why: list[Any] = list(heard.undecided_why) or [None] * len(heard.undecided)
    doubt = [
        (span, w)
        for (a, b), w in zip(heard.undecided, why, strict=True)
        for span in _in_case(axis, source, a, b)
    ]
    return findings.model_copy(
        update={
            "events": _placed(findings.events, axis, source),
            "speech": heard.model_copy(
                update={
                    "procedure": spans(heard.procedure),
                    "undecided": [span for span, _ in doubt],
                    "undecided_why": [w for _, w in doubt] if heard.undecided_why else [],
                }
            ),
        }
    )


def _series(series: Mapping[str, ArrayLike], axis: Timeline, source: int) -> dict[str, Any]:
    if "time_s" not in series:
        return dict(series)
    time_s = np.asarray(series["time_s"], np.float64)
    parts: dict[str, list[Any]] = {k: [] for k, v in series.items() if np.shape(v) == time_s.shape}
    for to_case in (k.to_case for k in axis.kept if k.source == source):
        on = to_case.holds(time_s)
        for name, found in parts.items():
            value = np.asarray(series[name])[on]
            found.append(to_case.at(value) if name == "time_s" else value)
    return {name: np.concatenate(v) if v else np.zeros(0) for name, v in parts.items()}


def _sound(data: ReportData, axis: Timeline) -> None:
    sound: dict[str, Any] = dict(data.sound)
    for holder in (sound, dict(data.mark.get("series") or {})):
        if "time_s" not in holder:
            continue
        time_s = axis.case_times(holder["time_s"])
        shown = np.isfinite(time_s)
        for name, value in list(holder.items()):
            if isinstance(value, np.ndarray) and name != "time_s" and value.shape == time_s.shape:
                holder[name] = value[shown]
        holder["time_s"] = time_s[shown]
        if holder is not sound:
            data.mark["series"] = holder
    for name in _SOUND_SPANS:
        if sound.get(name):
            sound[name] = [
                (*span, *pair[2:])
                for pair in sound[name]
                for span in axis.case_of_clip([(pair[0], pair[1])])
            ]
    data.sound = sound  # type: ignore[assignment]


def clip_words(pieces: Sequence[Piece], start_s: float, stop_s: float | None) -> str:
    """Where a span of case time is in the clip, for people; "" where that is the same time."""
    if all(p.kind == "card" or abs(p.out_start_s - p.case_start_s) < 0.05 for p in pieces):
        return ""
    span = (start_s, start_s + 0.001 if stop_s is None else stop_s)
    found = Timeline(pieces=pieces).clip_of_case([span])
    if not found:
        return "not in the clip"
    return ", ".join(f"{format_time(a)} – {format_time(b)}" for a, b in found[:2])
