"""All that a report shows, brought to case time: one axis for list, plots and pictures. Pure.

Surveys come on the axis of their file, sound and mark on that of the clip. What the case does
not keep is left out; what the clip does not show keeps its place in case time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.model.plan import Piece
from pipeline.model.survey import Survey
from pipeline.model.time import Span, format_time, merge_spans, round_s
from pipeline.model.timeline import Timeline
from pipeline.review.report.data import EventStrip, RecordingPart, ReportData, Thumbnail
from pipeline.stages.planning.parts import Kept

_SOUND_SPANS = ("narration_speech", "procedure_speech", "undecided", "overruled")


def in_case_time(data: ReportData, kept: Sequence[Kept], pieces: Sequence[Piece]) -> ReportData:
    """The same report with all its times in case time; pieces: of the plan, or none."""
    own = [[k for k in kept if k.source == n] for n in range(len(data.recordings))]
    data.recordings = [
        RecordingPart(name, _survey(survey, k), _series(series, k))
        for (name, survey, series), k in zip(data.recordings, own, strict=True)
    ]
    data.thumbnails = [
        t._replace(time_s=at)
        for t in (Thumbnail(*t) for t in data.thumbnails)
        if (at := _moment(own[t.recording], t.time_s)) is not None
    ]
    data.event_strips = [
        s._replace(event=event)
        for s in (EventStrip(*s) for s in data.event_strips)
        for event in _placed([s.event], own[s.recording])[:1]
    ]
    edits: list[Any] = []
    for row in data.edits:
        number = row.get("recording")
        if number is None or "start_s" not in row or "stop_s" not in row:
            edits.append(row)
            continue
        for a, b in spans_in_case(own[number], row["start_s"], row["stop_s"]):
            edits.append({**row, "start_s": a, "stop_s": b})
    data.edits = edits
    if pieces:
        _sound(data, pieces)
        data.clip_pieces = pieces
    return data


def spans_in_case(kept: Iterable[Kept], start_s: float, stop_s: float) -> list[tuple[float, float]]:
    """What the case shows of a span of one source: pairs of case time."""
    out = []
    for k in kept:
        a, b = max(start_s, k.start_s), min(stop_s, k.stop_s)
        if b > a:
            shift = k.case_start_s - k.start_s
            out.append((round_s(a + shift), round_s(b + shift)))
    return out


def _moment(kept: Iterable[Kept], time_s: float) -> float | None:
    for k in kept:
        if k.start_s <= time_s < k.stop_s:
            return round_s(time_s - k.start_s + k.case_start_s)
    return None


def _placed(items: Iterable[Any], kept: Sequence[Kept]) -> list[Any]:
    """Findings with a span, each once for every part of it that the case keeps."""
    return [
        item.model_copy(update={"start_s": a, "stop_s": b})
        for item in items
        for a, b in spans_in_case(kept, item.start_s, item.stop_s)
    ]


def _survey(survey: Survey, kept: Sequence[Kept]) -> Survey:
    def spans(pairs: Sequence[Any]) -> list[tuple[float, float]]:
        return [s for a, b in pairs for s in spans_in_case(kept, a, b)]

    heard = survey.speech
    why: list[Any] = list(heard.undecided_why) or [None] * len(heard.undecided)
    doubt = [
        (span, w)
        for (a, b), w in zip(heard.undecided, why, strict=True)
        for span in spans_in_case(kept, a, b)
    ]
    return survey.model_copy(
        update={
            "events": _placed(survey.events, kept),
            "lettering": _placed(survey.lettering, kept),
            "faces": _placed(survey.faces, kept),
            "speech": heard.model_copy(
                update={
                    "procedure": spans(heard.procedure),
                    "undecided": [span for span, _ in doubt],
                    "undecided_why": [w for _, w in doubt] if heard.undecided_why else [],
                }
            ),
        }
    )


def _series(series: Mapping[str, ArrayLike], kept: Sequence[Kept]) -> dict[str, Any]:
    if "time_s" not in series:
        return dict(series)
    time_s = np.asarray(series["time_s"], np.float64)
    parts: dict[str, list[Any]] = {k: [] for k, v in series.items() if np.shape(v) == time_s.shape}
    for k in kept:
        on = (time_s >= k.start_s) & (time_s < k.stop_s)
        for name, found in parts.items():
            value = np.asarray(series[name])[on]
            found.append(value - k.start_s + k.case_start_s if name == "time_s" else value)
    return {name: np.concatenate(v) if v else np.zeros(0) for name, v in parts.items()}


def clip_to_case(pieces: Sequence[Piece], time_s: ArrayLike) -> np.ndarray[Any, Any]:
    """Moments of the clip in case time, shape as time_s; NaN on a card."""
    at = np.asarray(time_s, np.float64)
    out = np.full(at.shape, np.nan)
    for p in pieces:
        if p.kind != "card":
            on = (at >= p.out_start_s - 1e-6) & (at < p.out_start_s + p.length_s)
            out[on] = at[on] - p.out_start_s + p.case_start_s
    return out


def _spans_of_clip(pieces: Sequence[Piece], start_s: float, stop_s: float) -> list[Span]:
    found = []
    for p in pieces:
        a, b = max(start_s, p.out_start_s), min(stop_s, p.out_start_s + p.length_s)
        if b > a and p.kind != "card":
            found.append(
                Span(a - p.out_start_s + p.case_start_s, b - p.out_start_s + p.case_start_s)
            )
    return merge_spans(found, 0.001)


def _sound(data: ReportData, pieces: Sequence[Piece]) -> None:
    sound: dict[str, Any] = dict(data.sound)
    for holder in (sound, dict(data.mark.get("series") or {})):
        if "time_s" not in holder:
            continue
        time_s = clip_to_case(pieces, holder["time_s"])
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
                for span in _spans_of_clip(pieces, pair[0], pair[1])
            ]
    data.sound = sound  # type: ignore[assignment]


def clip_words(pieces: Sequence[Piece], start_s: float, stop_s: float | None) -> str:
    """Where a span of case time is in the clip, for people; "" where that is the same time."""
    if all(p.kind == "card" or abs(p.out_start_s - p.case_start_s) < 0.05 for p in pieces):
        return ""
    span = (start_s, start_s + 0.001 if stop_s is None else stop_s)
    found = Timeline(pieces).clip_of_case([span])
    if not found:
        return "not in the clip"
    return ", ".join(f"{format_time(a)} – {format_time(b)}" for a, b in found[:2])
