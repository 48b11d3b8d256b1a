"""`report.html`: one page that opens from disk and asks nothing of a network.

The page names recordings by pseudonym. It never gets paths, hashes of sources or
words found in the picture; `plain` takes out what slips into free text all the same.
The pictures and sounds handed in must be redacted ones.
"""

from __future__ import annotations

import base64
import datetime
import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from typing import Any, NamedTuple, TypedDict

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from numpy.typing import ArrayLike

from pipeline.model.field import FieldSpan
from pipeline.model.plan import Piece
from pipeline.model.release import Check, Looked, Withheld
from pipeline.model.survey import Event, Survey, TrackLoudness
from pipeline.model.time import format_time, total_s
from pipeline.review.plots import KINDS, Look, look, loss_plot, mark_plot, sound_plots
from pipeline.review.standing import State, standing

CAUTIONS = (
    "Not a medical device, and not for diagnosis.",
    "Automatic anonymisation is an aid: a person looks through the whole clip and listens to it"
    " before it is released.",
    "Consent, local law and the policy of your institution decide whether a clip may be shown;"
    " ask whoever is responsible for data protection there.",
)


class RecordingPart(NamedTuple):
    """One recording: pseudonym, what was measured, and series of shape (n,) as in series.npz."""

    name: str
    survey: Survey
    series: Mapping[str, ArrayLike]


class Thumbnail(NamedTuple):
    """A redacted sample frame (JPEG of the whole working picture, any size)."""

    recording: int
    time_s: float
    jpeg: bytes
    field: FieldSpan | None
    caption: str


class EventStrip(NamedTuple):
    """Redacted JPEGs of an event at onset, worst and recovery."""

    recording: int
    event: Event
    jpegs: Sequence[bytes]
    recovery_time_constant_s: float | None


class Player(NamedTuple):
    """Sound of one narrated span, before and after mixing; Ogg, M4A, WAV, FLAC or MP3 bytes."""

    span: tuple[float, float]
    before: bytes
    after: bytes


class SoundPicture(NamedTuple):
    """A track over the whole clip: PNG of its mel spectrum, low frequencies at the foot."""

    name: str
    png: bytes
    duration_s: float


class EditRow(TypedDict, total=False):
    """What is done about a span. Without `recording`, times are case time."""

    recording: int | None
    start_s: float
    stop_s: float
    kind: str
    action: str
    reason: str
    origin: str


class ChecklistRow(TypedDict, total=False):
    """One kind of identifier: how it is treated, whether it was found."""

    identifier: str
    treated: str
    found: str
    needs_person: bool


class SoundReport(TypedDict, total=False):
    """Series have shape (n,), time of the clip; LUFS by ITU-R BS.1770. Spans are pairs of
    seconds. difference_share: of the narrated windows that reach depth_lu. difference_heard: False
    where the difference is expected, not measured. An undecided span that was replaced carries
    the reason as third; one without is not settled. overruled: kept although found, because a
    person heard no speech.
    """

    time_s: ArrayLike
    narration_lufs: ArrayLike
    background_lufs: ArrayLike
    difference_lu: ArrayLike
    difference_share: float | None
    difference_heard: bool
    background_gain_db: ArrayLike
    narration_speech: Sequence[Sequence[float]]
    procedure_speech: Sequence[Sequence[float]]
    undecided: Sequence[Sequence[Any]]
    overruled: Sequence[Sequence[float]]
    pictures: Sequence[tuple[str, bytes, float]]
    depth_lu: float
    ducking: Sequence[tuple[str, float | str | None, str]]
    loudness: Sequence[tuple[str, TrackLoudness | None, TrackLoudness | None]]


class MarkCandidate(TypedDict, total=False):
    name: str
    count: int
    crop_loss: float
    visibility: float
    chosen: bool


class MarkPlace(TypedDict, total=False):
    """Centre and size of one mark relative to the field (radius 1, y down)."""

    x: float
    y: float
    width_ratio: float
    height_ratio: float
    angle_deg: float


class MarkVisibility(TypedDict, total=False):
    low: float
    high: float
    p5: float
    median: float
    p95: float
    share_inside: float


class MarkReport(TypedDict, total=False):
    text: str
    places: Sequence[MarkPlace]
    candidates: Sequence[MarkCandidate]
    crop_loss: float
    crop_loss_goal: float
    visibility: MarkVisibility
    series: Mapping[str, ArrayLike]


@dataclass
class ReportData:
    """All that a report shows. Plain tuples and dicts of the same shape are taken too."""

    case: str
    title: str
    profile: str
    state: State
    program_version: str
    made_on_year: int = field(default_factory=lambda: datetime.date.today().year)
    recordings: Sequence[tuple[str, Survey, Mapping[str, ArrayLike]]] = ()
    thumbnails: Sequence[tuple[int, float, bytes, FieldSpan | None, str]] = ()
    event_strips: Sequence[tuple[int, Event, Sequence[bytes], float | None]] = ()
    sound: SoundReport = field(default_factory=lambda: SoundReport())
    players: Sequence[tuple[tuple[float, float], bytes, bytes]] = ()
    checks: Sequence[Check] = ()
    withheld: Sequence[Withheld] = ()
    edits: Sequence[EditRow] = ()
    checklist: Sequence[ChecklistRow] = ()
    warnings: Sequence[str] = ()
    mark: MarkReport = field(default_factory=lambda: MarkReport())
    cautions: Sequence[str] = CAUTIONS
    event_loss: float = 0.15
    name: str = ""
    looked: Looked | None = None
    clip_pieces: Sequence[Piece] = ()
    links: Sequence[tuple[str, str]] = ()
    approved_by: str | None = None


@dataclass
class Finding:
    """One row of the list: what, when, how bad, what is done about it.

    `plots` names the plots that show it: "r0" for the first recording, "sound", or "".
    """

    plots: str
    where: str
    kind: str
    start_s: float | None
    stop_s: float | None
    bad: str
    level: float | None
    done: str
    needs_person: bool = False
    pictures: Sequence[tuple[str, str]] = ()
    facts: Sequence[tuple[str, str]] = ()
    clip: str = ""

    @property
    def group(self) -> str:
        """The tab with those plots."""
        return "picture" if self.plots.startswith("r") else self.plots

    @property
    def look(self) -> Look:
        return look(self.kind)

    @property
    def when(self) -> str:
        if self.start_s is None:
            return ""
        if self.stop_s is None:
            return format_time(self.start_s)
        return f"{format_time(self.start_s)} – {format_time(self.stop_s)}"

    @property
    def length(self) -> str:
        if self.start_s is None or self.stop_s is None:
            return ""
        return f"{self.stop_s - self.start_s:.1f} s"


_PATH = re.compile(
    r"(?<![\w.])(?:[A-Za-z]:\\|\\\\|file:|~?/)[^\s'\",;)]*[\\/][^\s'\",;)]*"
    r"|(?<![\w.])~?/[^\s'\",;)/]+/"
    r"|[^\s'\"(]+\.(?:mp4|m4v|mov|mkv|avi|m2ts|mts|ts|mpe?g|dv|wav|m4a|mp3|flac|ogg|jpe?g|png|tiff?|bmp)\b",
    re.IGNORECASE,
)
_HASH = re.compile(r"\b(?=[0-9a-fA-F]*\d)[0-9a-fA-F]{9,}\b")


def plain(text: str) -> str:
    """Free text without paths, media file names and hex strings over 8 characters."""
    return _HASH.sub(lambda m: m.group()[:8], _PATH.sub("[a file]", text))


_MAGIC = (
    (b"OggS", "audio/ogg"),
    (b"RIFF", "audio/wav"),
    (b"fLaC", "audio/flac"),
    (b"ID3", "audio/mpeg"),
    (b"\xff\xfb", "audio/mpeg"),
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG", "image/png"),
)


def data_uri(data: bytes) -> str:
    """A data: address; raises ValueError for anything but a known sound or picture."""
    kind = next((kind for magic, kind in _MAGIC if data.startswith(magic)), None)
    if kind is None and data[4:8] == b"ftyp":
        kind = "audio/mp4"
    if kind is None:
        raise ValueError("neither a sound nor a picture that a browser can show")
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def asset(name: str) -> str:
    """Text of a file in `pipeline/review/assets`."""
    return resources.files("pipeline.review").joinpath("assets", name).read_text("utf-8")


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def environment() -> Environment:
    env = Environment(
        loader=PackageLoader("pipeline.review", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["time"] = format_time
    env.filters["plain"] = plain
    env.filters["number"] = number
    env.globals["kinds"] = KINDS
    env.globals["look"] = look
    return env


def number(value: float | str | None, digits: int = 2) -> str:
    """A measured value for people: 'unknown' for None and NaN, text as it is."""
    if value is None:
        return "unknown"
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not math.isfinite(value):
        return "unknown" if math.isnan(value) else "silent" if value < 0 else "no limit"
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", "−") if text not in ("-0", "") else "0"


_DONE = {
    "keep": "Kept as it is",
    "cut": "Cut out",
    "freeze": "Last clear frame held",
    "clear": "Contrast restored, and said so in the picture",
    "blank": "Blacked out",
    "black": "Blacked out",
    "cover": "Covered",
    "replace": "Replaced with room sound",
}


def _done(action: str) -> str:
    return _DONE.get(action, plain(action[:1].upper() + action[1:]))


def _overlaps(row: EditRow, start_s: float, stop_s: float) -> bool:
    return row.get("start_s", 0.0) < stop_s and row.get("stop_s", math.inf) > start_s


def _edit_for(
    data: ReportData, recording: int, kind: str, start_s: float, stop_s: float
) -> EditRow | None:
    """The edit of that kind there, or a cut that takes out the whole span."""
    here = [r for r in data.edits if r.get("recording") == recording]
    for row in here:
        if row.get("kind") == kind and _overlaps(row, start_s, stop_s):
            return row
    for row in here:
        whole = row.get("start_s", 0.0) <= start_s and row.get("stop_s", math.inf) >= stop_s
        if row.get("action") == "cut" and whole:
            return row
    return None


def _reason(row: EditRow) -> list[tuple[str, str]]:
    out = []
    if row.get("reason"):
        out.append(("Reason", plain(row["reason"])))
    if row.get("origin"):
        out.append(("Decided by", plain(row["origin"])))
    return out


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _event_findings(data: ReportData) -> list[Finding]:
    planned = data.state != "surveyed"
    out = []
    for index, (name, survey, _) in enumerate(data.recordings):
        for event in survey.events:
            strip = next(
                (
                    EventStrip(*s)
                    for s in data.event_strips
                    if s[0] == index and s[1].kind == event.kind and s[1].start_s == event.start_s
                ),
                None,
            )
            row = _edit_for(data, index, event.kind, event.start_s, event.stop_s)
            facts = [
                ("Greatest contrast loss", number(event.peak_loss)),
                ("Mean contrast loss", number(event.mean_loss)),
                ("Confidence", number(event.confidence)),
            ]
            if strip and strip.recovery_time_constant_s is not None:
                facts.append(
                    ("Recovery time constant", f"{number(strip.recovery_time_constant_s, 1)} s")
                )
            if row:
                facts += _reason(row)
            words = ("Onset", "Worst", "Recovery")
            out.append(
                Finding(
                    plots=f"r{index}",
                    where=name,
                    kind=event.kind,
                    start_s=event.start_s,
                    stop_s=event.stop_s,
                    bad=f"{number(event.peak_loss)} lost"
                    if event.peak_loss is not None
                    else "loss unknown",
                    level=event.peak_loss,
                    done=_done(row.get("action", "keep"))
                    if row
                    else ("Kept as it is" if planned else "Not planned yet"),
                    pictures=[
                        (word, data_uri(jpeg))
                        for word, jpeg in zip(words, strip.jpegs if strip else (), strict=False)
                    ],
                    facts=facts,
                )
            )
    return out


class EventRow(NamedTuple):
    """One line of the table of disturbances. Seconds on the axis of the recording."""

    where: str
    event: Event
    recovery_s: float | None
    done: str


def _event_rows(data: ReportData) -> list[EventRow]:
    """All disturbances in order of recording and time, strip or not."""
    out = []
    for index, (name, survey, series) in enumerate(data.recordings):
        for event in sorted(survey.events, key=lambda e: (e.start_s, e.kind)):
            row = _edit_for(data, index, event.kind, event.start_s, event.stop_s)
            kept = "Kept as it is" if data.state != "surveyed" else "Not planned yet"
            out.append(
                EventRow(
                    name,
                    event,
                    _recovery_s(data, index, event, series),
                    _done(row.get("action", "keep")) if row else kept,
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
    from pipeline.analysis.lens.fold import recovery_time_constant_s

    arrays = {k: np.asarray(series[k]) for k in ("time_s", "contrast_loss")}
    return recovery_time_constant_s(arrays, event)


def _warming(rows: Sequence[EventRow]) -> list[tuple[str, str]]:
    """Per recording with fog: how fast the tip warms, as a sentence's end."""
    out = []
    for name in dict.fromkeys(r.where for r in rows if r.event.kind == "fog"):
        known = sorted(
            r.recovery_s for r in rows if r.where == name and r.recovery_s is not None
        )
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


def _picture_findings(data: ReportData) -> list[Finding]:
    planned = data.state != "surveyed"
    out = []
    for index, (name, survey, _) in enumerate(data.recordings):
        for item in survey.lettering:
            row = _edit_for(data, index, "lettering", item.start_s, item.stop_s)
            if row:
                done = _done(row.get("action", "blank"))
            elif not planned:
                done = "Not planned yet"
            elif item.where == "surround":
                done = "Blacked out with the surround"
            else:
                done = "Not settled"
            out.append(
                Finding(
                    plots=f"r{index}",
                    where=name,
                    kind="lettering",
                    start_s=item.start_s,
                    stop_s=item.stop_s,
                    bad="outside the field" if item.where == "surround" else "inside the field",
                    level=None,
                    done=done,
                    needs_person=planned and done == "Not settled",
                    facts=[("Confidence", number(item.confidence)), *(_reason(row) if row else [])],
                )
            )
        for face in survey.faces:
            row = _edit_for(data, index, "face", face.start_s, face.stop_s)
            out.append(
                Finding(
                    plots=f"r{index}",
                    where=name,
                    kind="face",
                    start_s=face.start_s,
                    stop_s=face.stop_s,
                    bad="a face, perhaps",
                    level=None,
                    done=_done(row.get("action", "blank"))
                    if row
                    else ("Not settled" if planned else "Not planned yet"),
                    needs_person=planned and row is None,
                    facts=[("Confidence", number(face.confidence)), *(_reason(row) if row else [])],
                )
            )
    return out


def _sound_findings(data: ReportData) -> list[Finding]:
    out = []
    for kind, key, bad in (
        ("speech", "procedure_speech", "speech in the room"),
        ("undecided", "undecided", "nobody can tell whether somebody speaks"),
        ("speech", "overruled", "found, but a person heard no speech"),
    ):
        pairs: Any = data.sound.get(key) or ()
        for pair in pairs:
            start, stop = float(pair[0]), float(pair[1])
            row = next(
                (
                    r
                    for r in data.edits
                    if r.get("kind") == kind
                    and r.get("recording") is None
                    and _overlaps(r, start, stop)
                ),
                None,
            )
            why = str(pair[2]) if len(pair) > 2 else ""
            unsettled = kind == "undecided" and row is None and not why
            kept = "Kept as it is" if key == "overruled" else "Replaced with room sound"
            out.append(
                Finding(
                    plots="sound",
                    where="sound",
                    kind=kind,
                    start_s=start,
                    stop_s=stop,
                    bad=plain(why) or bad,
                    level=None,
                    done=_done(row.get("action", "replace"))
                    if row
                    else ("Not settled" if unsettled else kept),
                    needs_person=unsettled,
                    facts=_reason(row) if row else [],
                )
            )
    return out


def _surveyed_sound(data: ReportData) -> list[Finding]:
    """Speech in the recordings' own sound, while nothing is planned yet."""
    out = []
    for index, (name, survey, _) in enumerate(data.recordings if data.state == "surveyed" else ()):
        heard = survey.speech
        why: Sequence[str] = heard.undecided_why or ["cannot be judged"] * len(heard.undecided)
        rows = [("speech", span, "speech in the room") for span in heard.procedure]
        rows += [("undecided", s, w) for s, w in zip(heard.undecided, why, strict=True)]
        out += [
            Finding(
                plots=f"r{index}",
                where=name,
                kind=kind,
                start_s=span[0],
                stop_s=span[1],
                bad=bad,
                level=None,
                done="Not planned yet",
            )
            for kind, span, bad in rows
        ]
    return out


def findings(data: ReportData) -> list[Finding]:
    """Everything found, what needs a person first, then in order of recording and time."""
    first = [
        Finding(
            plots="",
            where="case",
            kind="withheld",
            start_s=item.start_s,
            stop_s=None,
            bad=plain(item.message),
            level=None,
            done="No release until this is settled",
            needs_person=True,
            facts=[("Reason code", plain(item.code))],
        )
        for item in data.withheld
    ]
    first += [
        Finding(
            plots="",
            where="finished file",
            kind="check",
            start_s=None,
            stop_s=None,
            bad=f"{plain(check.check)}: {number(check.measured)} {check.unit}".strip(),
            level=None,
            done="No release until it passes",
            needs_person=True,
            facts=[("Limit", f"{number(check.limit)} {check.unit}".strip())],
        )
        for check in data.checks
        if not check.passed
    ]
    rest = _event_findings(data) + _picture_findings(data)
    rest += _surveyed_sound(data) + _sound_findings(data)
    if data.clip_pieces:
        from pipeline.review.case_axis import clip_words

        for f in rest:
            if f.start_s is not None:
                f.clip = clip_words(data.clip_pieces, f.start_s, f.stop_s)
    rest.sort(key=lambda f: (f.plots == "sound", len(f.plots), f.plots, f.start_s or 0.0))
    return first + [f for f in rest if f.needs_person] + [f for f in rest if not f.needs_person]


def _shares(data: ReportData) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Per recording: name, length, and the share of it that each kind of event covers."""
    out = []
    for name, survey, _ in data.recordings:
        length = survey.recording.duration_s
        rows: list[tuple[str, str]] = []
        for kind in dict.fromkeys(e.kind for e in survey.events):
            covered = total_s((e.start_s, e.stop_s) for e in survey.events if e.kind == kind)
            rows.append((kind, f"{covered:.1f} s, {_percent(covered / length if length else 0)}"))
        out.append((name, format_time(length), rows))
    return out


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


def _overlays(data: ReportData) -> list[Overlay]:
    out = []
    for item in data.thumbnails:
        thumb = Thumbnail(*item)
        name, survey, _ = data.recordings[thumb.recording]
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


def _tracks(data: ReportData) -> list[Track]:
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
        out.append(
            Track(item.name, data_uri(item.png), bars, label, format_time(item.duration_s))
        )
    return out


def _points(data: ReportData) -> int:
    """Points per plot: twice a plot's width on screen, less where there are many."""
    plots = len(data.recordings) + 4
    return max(240, min(1200, 7800 // plots))


def _plots(data: ReportData) -> dict[str, list[tuple[str, dict[str, Any]]]]:
    points = _points(data)
    groups: dict[str, list[tuple[str, dict[str, Any]]]] = {}
    for index, (name, survey, series) in enumerate(data.recordings):
        if "time_s" in series and "contrast_loss" in series:
            plot = loss_plot(
                series,
                survey.events,
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


def script_json(value: Any) -> Markup:
    """JSON that can stand inside a script element."""
    text = json.dumps(value, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def build_report(data: ReportData) -> str:
    """The report as one HTML text.

    Raises ValueError for a picture or sound that no browser can show, IndexError for
    a thumbnail of a recording that is not there.
    """
    groups = _plots(data)
    listed = findings(data)
    needed = sum(f.needs_person for f in listed)
    rows = _event_rows(data)
    style = asset("uplot.min.css") + "\n" + asset("page.css") + "\n" + asset("report.css")
    script = "\n;\n".join(asset(n) for n in ("uplot.min.js", "plots.js", "report.js"))
    payload = {
        "looks": {k: v._asdict() for k, v in KINDS.items()},
        "plots": {name: plot for plots in groups.values() for name, plot in plots},
    }
    return (
        environment()
        .get_template("report.html")
        .render(
            policy=Markup(
                "default-src 'none'; img-src data:; media-src data:; base-uri 'none'; "
                f"form-action 'none'; script-src {_hash(script)}; style-src {_hash(style)}"
            ),
            style=Markup(style),
            script=Markup(script),
            payload=script_json(payload),
            data=data,
            findings=listed,
            needed=needed,
            standing=standing(
                data.name or data.case, data.state, checks=data.checks,
                looked=data.looked, approved_by=data.approved_by, needed=needed,
            ),
            groups=groups,
            shares=_shares(data),
            event_rows=rows,
            warming=_warming(rows),
            overlays=_overlays(data),
            tracks=_tracks(data),
            players=[(Player(*p).span, data_uri(p[1]), data_uri(p[2])) for p in data.players],
            failed=sum(not c.passed for c in data.checks),
            used_kinds=[k for k in KINDS if any(f.kind == k for f in listed)],
        )
    )
