"""The list of a report: everything found, its severity, what is done about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.model.kinds import BY_NAME
from pipeline.model.time import format_time
from pipeline.review.case_axis import clip_words
from pipeline.review.pages import data_uri, number, plain
from pipeline.review.plots import Look, look
from pipeline.review.report.data import EditRow, EventStrip, ReportData
from pipeline.review.report.disturbed import done_words, edit_for, overlaps


@dataclass
class Finding:
    """One row of the list: what, when, severity, what is done about it.

    `plots` names the plots that show it: "r0" for the first recording, "sound", or "".
    lost_s: as `Event.lost_s`; None for what is no disturbance.
    """

    plots: str
    where: str
    kind: str
    start_s: float | None
    stop_s: float | None
    severity: str
    level: float | None
    done: str
    needs_person: bool = False
    pictures: Sequence[tuple[str, str]] = ()
    facts: Sequence[tuple[str, str]] = ()
    clip: str = ""
    lost_s: float | None = None

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


def lost_words(lost_s: float) -> str:
    return f"as if {lost_s:.1f} s of picture were missing"


def _reason(row: EditRow) -> list[tuple[str, str]]:
    out = []
    if row.get("reason"):
        out.append(("Reason", plain(row["reason"])))
    if row.get("origin"):
        out.append(("Decided by", plain(row["origin"])))
    return out


def _event_findings(data: ReportData) -> list[Finding]:
    planned = data.state != "surveyed"
    out = []
    for index, (name, _, _, found) in enumerate(data.recordings):
        for event in found.events:
            strip = next(
                (
                    EventStrip(*s)
                    for s in data.event_strips
                    if s[0] == index and s[1].kind == event.kind and s[1].start_s == event.start_s
                ),
                None,
            )
            row = edit_for(data, index, event.kind, event.start_s, event.stop_s)
            facts = [
                ("Greatest contrast loss", number(event.peak_loss)),
                ("Mean contrast loss", number(event.mean_loss)),
                ("Lost to sight", lost_words(event.lost_s)),
                ("Confidence", number(event.confidence)),
            ]
            if strip and strip.recovery_time_constant_s is not None:
                facts.append(
                    ("Falls to a third in", f"{number(strip.recovery_time_constant_s, 1)} s")
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
                    severity=BY_NAME[event.kind].severity.words(event.peak_loss),
                    level=event.peak_loss,
                    lost_s=event.lost_s,
                    done=done_words(row.get("action", "keep"))
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


def _picture_findings(data: ReportData) -> list[Finding]:
    planned = data.state != "surveyed"
    out = []
    for index, (name, survey, _, _) in enumerate(data.recordings):
        for item in survey.lettering:
            row = edit_for(data, index, "lettering", item.start_s, item.stop_s)
            if row:
                done = done_words(row.get("action", "blank"))
            elif not planned:
                done = "Not planned yet"
            elif item.where == "surround":
                done = "Blacked out with the surround"
            else:
                done = "Not resolved"
            out.append(
                Finding(
                    plots=f"r{index}",
                    where=name,
                    kind="lettering",
                    start_s=item.start_s,
                    stop_s=item.stop_s,
                    severity=BY_NAME["lettering"].severity.words(item.where),
                    level=None,
                    done=done,
                    needs_person=planned and done == "Not resolved",
                    facts=[("Confidence", number(item.confidence)), *(_reason(row) if row else [])],
                )
            )
        for face in survey.faces:
            row = edit_for(data, index, "face", face.start_s, face.stop_s)
            out.append(
                Finding(
                    plots=f"r{index}",
                    where=name,
                    kind="face",
                    start_s=face.start_s,
                    stop_s=face.stop_s,
                    severity=BY_NAME["face"].severity.words(None),
                    level=None,
                    done=done_words(row.get("action", "blank"))
                    if row
                    else ("Not resolved" if planned else "Not planned yet"),
                    needs_person=planned and row is None,
                    facts=[("Confidence", number(face.confidence)), *(_reason(row) if row else [])],
                )
            )
    return out


def _sound_findings(data: ReportData) -> list[Finding]:
    out = []
    for kind, key, severity in (
        ("speech", "procedure_speech", BY_NAME["speech"].severity.words(None)),
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
                    and overlaps(r, start, stop)
                ),
                None,
            )
            why = str(pair[2]) if len(pair) > 2 else ""
            unresolved = kind == "undecided" and row is None and not why
            kept = "Kept as it is" if key == "overruled" else "Replaced with room sound"
            out.append(
                Finding(
                    plots="sound",
                    where="sound",
                    kind=kind,
                    start_s=start,
                    stop_s=stop,
                    severity=plain(why) or severity,
                    level=None,
                    done=done_words(row.get("action", "replace"))
                    if row
                    else ("Not resolved" if unresolved else kept),
                    needs_person=unresolved,
                    facts=_reason(row) if row else [],
                )
            )
    return out


def _surveyed_sound(data: ReportData) -> list[Finding]:
    """Speech in the recordings' own sound, while nothing is planned yet."""
    out = []
    parts = data.recordings if data.state == "surveyed" else ()
    for index, (name, _, _, found) in enumerate(parts):
        heard = found.speech
        hows: list[str | None] = list(heard.undecided_why) or [None] * len(heard.undecided)
        rows: list[tuple[str, tuple[float, float], str | None]]
        rows = [("speech", span, None) for span in heard.procedure]
        rows += [("undecided", s, how) for s, how in zip(heard.undecided, hows, strict=True)]
        out += [
            Finding(
                plots=f"r{index}",
                where=name,
                kind=kind,
                start_s=span[0],
                stop_s=span[1],
                severity=BY_NAME[kind].severity.words(how),
                level=None,
                done="Not planned yet",
            )
            for kind, span, how in rows
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
            severity=plain(item.message),
            level=None,
            done="No release until this is resolved",
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
            severity=f"{plain(check.check)}: {number(check.measured)} {check.unit}".strip(),
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
        for f in rest:
            if f.start_s is not None:
                f.clip = clip_words(data.clip_pieces, f.start_s, f.stop_s)
    rest.sort(key=lambda f: (f.plots == "sound", len(f.plots), f.plots, f.start_s or 0.0))
    return first + [f for f in rest if f.needs_person] + [f for f in rest if not f.needs_person]
