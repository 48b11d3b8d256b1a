"""What a report draws: pictures with outlines over them, sound pictures, plots."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from pipeline.model.field import FieldSpan
from pipeline.model.time import format_time
from pipeline.review.pages import data_uri, plain
from pipeline.review.plots import loss_plot, mark_plot, sound_plots
from pipeline.review.report.data import MarkPlace, ReportData, SoundPicture, Thumbnail


class Overlay(NamedTuple):
    """A picture with what is drawn over it, in pixels of the working picture."""

    uri: str
    width: int
    height: int
    field: dict[str, Any] | None
    marks: list[dict[str, float]]
    boxes: list[dict[str, Any]]
    caption: str
    label: str


def field_shape(span: FieldSpan) -> dict[str, Any] | None:
    """Outline of a field for SVG: a polygon, or a circle with the box that cuts it."""
    if span.shape == "none":
        return None
    if span.outline_px:
        return {"points": " ".join(f"{x:.1f},{y:.1f}" for x, y in span.outline_px)}
    return {
        "cx": round(span.center_x_px, 1),
        "cy": round(span.center_y_px, 1),
        "r": round(span.radius_px, 1),
        "x": round(span.left_px, 1),
        "y": round(span.top_px, 1),
        "w": round(span.right_px - span.left_px, 1),
        "h": round(span.bottom_px - span.top_px, 1),
    }


def mark_shapes(places: Sequence[MarkPlace], span: FieldSpan) -> list[dict[str, float]]:
    """Marks as centre, size and turn in pixels of the working picture."""
    out = []
    for place in places:
        x, y = span.pixel(place.get("x", 0.0), place.get("y", 0.0))
        width = place.get("width_ratio", 0.5) * span.radius_px
        height = place.get("height_ratio", place.get("width_ratio", 0.5) / 4) * span.radius_px
        out.append(
            {
                "x": round(x - width / 2, 1),
                "y": round(y - height / 2, 1),
                "w": round(width, 1),
                "h": round(height, 1),
                "cx": round(x, 1),
                "cy": round(y, 1),
                "turn": round(place.get("angle_deg", 0.0), 1),
            }
        )
    return out


def overlays(data: ReportData) -> list[Overlay]:
    out = []
    for item in data.thumbnails:
        thumb = Thumbnail(*item)
        name, survey, _, _ = data.recordings[thumb.recording]
        boxes: list[dict[str, Any]] = [
            {"kind": kind, "x": box[0], "y": box[1], "w": box[2], "h": box[3]}
            for kind, found in (("lettering", survey.lettering), ("face", survey.faces))
            for box in [f.box_px for f in found if f.start_s <= thumb.time_s < f.stop_s]
        ]
        span = thumb.field
        words = [name, format_time(thumb.time_s)]
        words.append("field found" if span and span.shape != "none" else "no round field")
        if boxes:
            words.append(f"{len(boxes)} redacted")
        out.append(
            Overlay(
                uri=data_uri(thumb.jpeg),
                width=survey.recording.width_px,
                height=survey.recording.height_px,
                field=field_shape(span) if span else None,
                marks=mark_shapes(data.mark.get("places") or (), span) if span else [],
                boxes=boxes,
                caption=f"{format_time(thumb.time_s)} · {plain(name)} · {plain(thumb.caption)}",
                label=", ".join(words),
            )
        )
    return out


class Track(NamedTuple):
    """A sound picture with bars for its spans, on a width of 1000."""

    name: str
    uri: str
    bars: list[tuple[str, float, float]]
    label: str
    length: str


def tracks(data: ReportData) -> list[Track]:
    sound = data.sound
    kinds = {"Narration": [("narration", sound.get("narration_speech") or ())]}
    kinds["Procedure"] = [
        ("speech", sound.get("procedure_speech") or ()),
        ("undecided", sound.get("undecided") or ()),
    ]
    out = []
    for picture in sound.get("pictures") or ():
        item = SoundPicture(*picture)
        scale = 1000.0 / max(item.duration_s, 1e-3)
        bars = [
            (kind, round(s[0] * scale, 1), round(max(1.0, (s[1] - s[0]) * scale), 1))
            for kind, spans in kinds.get(item.name, [])
            for s in spans
        ]
        label = f"{item.name}: low to high frequencies over time, {len(bars)} spans marked"
        out.append(Track(item.name, data_uri(item.png), bars, label, format_time(item.duration_s)))
    return out


def _points(data: ReportData) -> int:
    """Points per plot: twice a plot's width on screen, less where there are many."""
    plots = len(data.recordings) + 4
    return max(240, min(1200, 7800 // plots))


def plots(data: ReportData) -> dict[str, list[tuple[str, dict[str, Any]]]]:
    points = _points(data)
    groups: dict[str, list[tuple[str, dict[str, Any]]]] = {}
    for index, (name, _, series, found) in enumerate(data.recordings):
        if "time_s" in series and "contrast_loss" in series:
            plot = loss_plot(
                series,
                found.events,
                name=f"How clear the picture is, {plain(name)}",
                event_loss=data.event_loss,
                points=points,
                sync=f"r{index}",
            )
            groups.setdefault("picture", []).append((f"loss{index}", plot))
    sound = sound_plots(data.sound, points=points)
    if sound:
        groups["sound"] = [(f"sound{i}", plot) for i, plot in enumerate(sound)]
    visibility = mark_plot(data.mark, points=points, sync="mark")
    if visibility:
        groups["mark"] = [("mark", visibility)]
    return groups
