"""What the local page needs from the rest of the program, and how it is shown.

`Backend` is all that `server` calls; stages fill it in, tests give a made-up one.
Everything here is on the case's time axis, except an `Anchor`, which is on its source's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike

from pipeline.analysis.identity.texts import CAPTIONS
from pipeline.model.decisions import Anchor, Decision, Decisions
from pipeline.model.field import FieldSpan
from pipeline.model.options import SoundOptions
from pipeline.model.release import Check
from pipeline.model.time import format_time
from pipeline.review.decisions import (
    MIX_SETTINGS,
    effective,
    redoable,
    undoable,
    undone,
    version,
)
from pipeline.review.plots import loss_plot, sound_plots, spans
from pipeline.review.report import (
    ChecklistRow,
    MarkReport,
    SoundReport,
    field_shape,
    number,
    plain,
)
from pipeline.stages.judged import REASONS
from pipeline.stages.texts import ShownText

CaseState = Literal[
    "needs a person", "planned", "rendered", "ready", "withheld", "released", "closed", "failed"
]


class CaseFile(NamedTuple):
    """A file that was made of a case, or of its clip `clip`. place: relative to OUT."""

    kind: str
    words: str
    place: str
    path: Path
    clip: str = ""


class ClipSummary(NamedTuple):
    """One row below its case: a clip of a part. name: made of its times. clip_s: its length."""

    name: str
    title: str
    state: Literal["ready", "released", "withheld"]
    reason: str = ""
    clip_s: float | None = None


class CaseSummary(NamedTuple):
    """One row of the list of cases.

    open_findings: what a person has to settle. duration_s: of the kept recordings. clip_s: of
    the finished clip; None if nothing is planned. reason: why it is withheld or failed.
    """

    case: str
    title: str
    state: CaseState
    open_findings: int
    duration_s: float
    clip_s: float | None = None
    reason: str = ""
    files: Sequence[CaseFile] = ()
    clips: Sequence[ClipSummary] = ()


@dataclass
class Segment:
    """A stretch of case time that one source shows.

    Its source time starts at `source_start_s`. `proxy` is a small video of the source
    (MP4, H.264, short distance between key frames), whose time 0 is the source's 0; it
    must show nothing that the plan blacks out. `coarse`: it has a few pictures a second only,
    and one with every picture is on its way. Fields and sizes are of the source's
    working picture, field times on the source's axis.
    """

    name: str
    sha256: str
    start_s: float
    length_s: float
    source_start_s: float
    width_px: int
    height_px: int
    frame_rate_hz: float
    fields: Sequence[FieldSpan] = ()
    proxy: Path | None = None
    coarse: bool = False


@dataclass
class CaseFinding:
    """Something found, with what the plan does about it.

    The span is the one that the anchor has in case time: what was found, not what a
    decision made of it. `actions` are those that a person may choose; `action` the planned one.
    `rejectable`: False where the plan does not let it go, whatever a person says.
    `box_px` is in pixels of the source's working picture.
    """

    id: str
    kind: str
    where: str
    start_s: float
    stop_s: float
    bad: str
    level: float | None
    action: str
    actions: Sequence[str]
    anchor: Anchor
    needs_person: bool = False
    rejectable: bool = True
    box_px: tuple[int, int, int, int] | None = None


@dataclass
class CaseView:
    """A case as the page shows it, derived from surveys, settings and decisions.

    `decided` is the version of decisions.json that the plan has seen; -1 if it is not known.
    canvas: width and height of the finished clip; None for those of the first recording.
    files: what was made of it so far.
    series: `time_s`, `contrast_loss` and so on, shape (n,). `waiting`: more comes by
    itself (sound levels, small copies); the page asks again until it is False.
    texts: those that leave and are not of the vocabulary alone.
    """

    case: str
    title: str
    profile: str
    state: CaseState
    duration_s: float
    segments: Sequence[Segment]
    findings: Sequence[CaseFinding]
    series: Mapping[str, ArrayLike]
    sound: SoundReport
    sound_settings: Mapping[str, float]
    mark: MarkReport
    chapters: Sequence[tuple[float, str]]
    checklist: Sequence[ChecklistRow]
    sources: Sequence[str]
    surveys: Sequence[str]
    settings_sha256: str
    plan_sha256: str
    narration_sha256: str
    decided: int
    report: Path | None = None
    canvas: tuple[int, int] | None = None
    files: Sequence[CaseFile] = ()
    waiting: bool = False
    event_loss: float = 0.15
    warnings: Sequence[str] = ()
    cautions: Sequence[str] = field(default_factory=tuple)
    texts: Sequence[ShownText] = ()


class RenderResult(NamedTuple):
    """What became of a render."""

    state: CaseState
    message: str
    checks: Sequence[Check]


Progress = Callable[[float, str], None]


class Backend(Protocol):
    """Calls may block; the server makes them in worker threads, one render at a time."""

    @property
    def root(self) -> Path:
        """The OUT folder. No file outside it is ever sent."""

    def confirm_texts(self, case: str, view: CaseView, by: str) -> None:
        """A person who signs has read `view.texts`: they are remembered as confirmed."""

    def list_cases(self) -> Sequence[CaseSummary]: ...

    def check_open(self, case: str) -> None:
        """Raises NeedsPerson, with what to take down, where consent was withdrawn or refused:
        nothing of such a case is shown or played."""

    def decisions_path(self, case: str) -> Path: ...

    def load_case(self, case: str, decisions: Decisions) -> CaseView:
        """The last plan. It may be older than the decisions (`CaseView.decided`)."""

    def plan_again(self, case: str, decisions: Decisions) -> CaseView:
        """The plan derived anew from these decisions, saved."""

    def preview_sound(
        self, case: str, start_s: float, stop_s: float, settings: Mapping[str, float], mixed: bool
    ) -> bytes:
        """WAV of [start_s, stop_s): as the render would mix it, or the untreated sound.

        Speech that is to be replaced is replaced in the mixed one.
        """

    def crop_loss(
        self, case: str, positions: Sequence[Mapping[str, float]], time_s: float | None = None
    ) -> dict[str, Any]:
        """`crop_loss` (0..1 or None) of a mark put there, and its `visibility` (L* or None):
        on the picture at `time_s`, as the render would paint it.
        """

    def finished_frame(
        self, case: str, time_s: float, positions: Sequence[Mapping[str, float]] | None
    ) -> bytes | None:
        """JPEG of the picture as it will be; None if this is not offered."""

    def render(
        self, case: str, decisions: Decisions, progress: Progress, cancelled: Callable[[], bool]
    ) -> RenderResult:
        """Renders, verifies and releases from a plan frozen at these decisions.

        Looks at `cancelled` now and then, and leaves nothing behind if it says so.
        """


# --- decisions laid over what the machine found ------------------------------------------


def case_span(view: CaseView, anchor: Anchor) -> tuple[float, float] | None:
    """The part of case time that shows an anchor; None if no part is kept."""
    found = [
        (
            max(anchor.start_s, s.source_start_s) - s.source_start_s + s.start_s,
            min(anchor.stop_s, s.source_start_s + s.length_s) - s.source_start_s + s.start_s,
        )
        for s in view.segments
        if s.sha256 == anchor.sha256
    ]
    found = [(a, b) for a, b in found if b > a]
    return (min(a for a, _ in found), max(b for _, b in found)) if found else None


def source_spans(view: CaseView, start_s: float, stop_s: float, kind: str) -> list[Anchor]:
    """Anchors in the sources that [start_s, stop_s) of case time shows."""
    out = []
    for s in view.segments:
        a, b = max(start_s, s.start_s), min(stop_s, s.start_s + s.length_s)
        if b > a:
            shift = s.source_start_s - s.start_s
            out.append(
                Anchor(
                    sha256=s.sha256,
                    start_s=round(a + shift, 6),
                    stop_s=round(b + shift, 6),
                    kind=kind,
                )
            )
    return out


def same_finding(finding: CaseFinding, anchor: Anchor, box: Any = None) -> bool:
    """Same source, kind and box, and the spans overlap by half of the shorter one."""
    own = finding.anchor
    if (own.sha256, own.kind) != (anchor.sha256, anchor.kind):
        return False
    if box is not None and finding.box_px is not None and list(box) != list(finding.box_px):
        return False
    overlap = min(own.stop_s, anchor.stop_s) - max(own.start_s, anchor.start_s)
    return overlap >= 0.5 * min(own.stop_s - own.start_s, anchor.stop_s - anchor.start_s) > 0


def moved(finding: CaseFinding, start_s: float, stop_s: float) -> dict[str, float]:
    """A finding's new span, given in case time, on its source's axis."""
    shift = finding.anchor.start_s - finding.start_s
    return {
        "start_s": round(max(0.0, start_s + shift), 6),
        "stop_s": round(max(0.0, stop_s + shift), 6),
    }


@dataclass
class Laid:
    """A view with the decisions in force laid over it, so that a page shows them at once."""

    view: CaseView
    findings: list[tuple[CaseFinding, Decision | None]]
    positions: list[dict[str, Any]]
    sound_settings: dict[str, float]
    chapters: list[tuple[float, str]]


def lay_over(view: CaseView, decisions: Decisions) -> Laid:
    entries = effective(decisions)
    rows: list[tuple[CaseFinding, Decision | None]] = []
    for finding in view.findings:
        chosen = next(
            (
                e
                for e in reversed(entries)
                if e.anchor is not None
                and e.verb in ("accept", "reject", "change")
                and same_finding(finding, e.anchor, e.value.get("box_px"))
            ),
            None,
        )
        if chosen is not None:
            finding = replace(finding, needs_person=False)
            if chosen.verb == "change":
                shift = finding.start_s - finding.anchor.start_s
                finding = replace(
                    finding,
                    action=str(chosen.value.get("action", finding.action)),
                    start_s=float(chosen.value.get("start_s", finding.anchor.start_s)) + shift
                    if "start_s" in chosen.value
                    else finding.start_s,
                    stop_s=float(chosen.value["stop_s"]) + shift
                    if "stop_s" in chosen.value
                    else finding.stop_s,
                )
        rows.append((finding, chosen))
    for entry in entries:
        if entry.verb != "add" or entry.anchor is None:
            continue
        if any(f.id == f"added-{entry.number}" for f in view.findings):
            continue
        span = case_span(view, entry.anchor)
        if span is None:
            continue
        box = entry.value.get("box_px")
        rows.append(
            (
                CaseFinding(
                    id=f"added-{entry.number}",
                    kind=entry.anchor.kind,
                    where="added by a person",
                    start_s=span[0],
                    stop_s=span[1],
                    bad="redaction",
                    level=None,
                    action="replace" if entry.anchor.kind == "speech" else "blank",
                    actions=(),
                    anchor=entry.anchor,
                    box_px=tuple(box) if box else None,
                ),
                entry,
            )
        )
    positions: list[dict[str, Any]] = [dict(p) for p in view.mark.get("places") or ()]
    settings = {k: float(view.sound_settings[k]) for k in MIX_SETTINGS if k in view.sound_settings}
    chapters = list(view.chapters)
    for entry in entries:
        if entry.verb == "mark":
            heights = [
                float(p.get("height_ratio", 0)) / float(p.get("width_ratio", 1)) for p in positions
            ]
            ratio = max(heights, default=0.25) or 0.25
            positions = [
                {**p, "height_ratio": p["width_ratio"] * ratio} for p in entry.value["positions"]
            ]
        elif entry.verb == "mix":
            settings.update(entry.value)
        elif entry.verb == "chapter":
            chapters = [(float(a), str(b)) for a, b in entry.value["chapters"]]
    rows.sort(key=lambda r: (not r[0].needs_person, r[0].start_s, r[0].id))
    return Laid(view, rows, positions, settings, chapters)


# --- what the page gets ------------------------------------------------------------------

_MOST_WORDS = 60
_WORDS = {
    "accept": "accepted",
    "reject": "rejected",
    "change": "changed",
    "add": "redaction added",
    "mark": "mark moved",
    "mix": "sound changed",
    "chapter": "chapters changed",
    "sign": "anonymity list approved",
    "undo": "undone",
    "redo": "done again",
}


def plan_is_current(view: CaseView, decisions: Decisions) -> bool:
    """True if the plan has seen every entry that could change it."""
    if view.decided < 0:
        return False
    return all(e.verb == "sign" for e in decisions.entries if e.number > view.decided)


def history(decisions: Decisions) -> list[dict[str, Any]]:
    gone = undone(decisions.entries)
    out = []
    for e in decisions.entries:
        text = _WORDS[e.verb]
        if e.anchor is not None:
            text = f"{e.anchor.kind.replace('_', ' ')} {text}"
        if e.target is not None:
            text = f"decision {e.target} {text}"
        out.append(
            {
                "number": e.number,
                "at": e.at,
                "by": e.by,
                "text": text,
                "reason": plain(e.reason),
                "undone": e.number in gone,
            }
        )
    return out


def _limits(name: str) -> dict[str, Any]:
    info = SoundOptions.model_fields[name]
    low = next((getattr(m, "ge", None) for m in info.metadata if hasattr(m, "ge")), 0)
    high = next((getattr(m, "le", None) for m in info.metadata if hasattr(m, "le")), 100)
    extra = info.json_schema_extra
    unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    return {"low": low, "high": high, "unit": unit, "comment": info.description}


def _segment(index: int, s: Segment) -> dict[str, Any]:
    return {
        "name": plain(s.name),
        "start": round(s.start_s, 6),
        "length": round(s.length_s, 6),
        "from": round(s.source_start_s, 6),
        "width": s.width_px,
        "height": s.height_px,
        "rate": s.frame_rate_hz,
        "proxy": index if s.proxy is not None else None,
        "coarse": s.coarse,
        "fields": [
            {
                "start": f.start_s,
                "stop": f.stop_s,
                "shape": field_shape(f),
                "cx": f.center_x_px,
                "cy": f.center_y_px,
                "r": f.radius_px,
            }
            for f in s.fields
        ],
    }


def _finding(row: tuple[CaseFinding, Decision | None]) -> dict[str, Any]:
    f, d = row
    return {
        "id": f.id,
        "kind": f.kind,
        "where": plain(f.where),
        "start": round(f.start_s, 3),
        "stop": round(f.stop_s, 3),
        "bad": plain(f.bad),
        "level": f.level,
        "action": f.action,
        "actions": list(f.actions),
        "needs": f.needs_person,
        "rejectable": f.rejectable,
        "reasons": list(REASONS.get(f.kind, ())),
        "box": list(f.box_px) if f.box_px else None,
        "decision": {"verb": d.verb, "by": d.by, "reason": plain(d.reason)} if d else None,
    }


def page_plots(
    laid: Laid, *, start_s: float | None = None, stop_s: float | None = None, points: int = 1400
) -> dict[str, Any]:
    """Plots of a part of the case at screen resolution; names as in the page."""
    view = laid.view
    domain = [0.0, max(view.duration_s, 0.001)]
    low = domain[0] if start_s is None else start_s
    high = domain[1] if stop_s is None else stop_s
    pad = 0.02 * (high - low)

    def cut(table: Mapping[str, Any]) -> dict[str, Any]:
        if "time_s" not in table:
            return dict(table)
        time = np.asarray(table["time_s"], dtype=np.float64)
        a, b = np.searchsorted(time, (low - pad, high + pad))
        a, b = max(0, int(a) - 1), int(b) + 1
        return {
            k: np.asarray(v)[a:b] if isinstance(v, np.ndarray) and v.shape == time.shape else v
            for k, v in table.items()
        }

    out: dict[str, Any] = {}
    series = {k: np.asarray(v) for k, v in view.series.items()}
    if "contrast_loss" in series:
        plot = loss_plot(
            cut(series), (), name="How clear the picture is", event_loss=view.event_loss,
            points=points,
        )  # fmt: skip
        plot["height"] = 98
        out["loss"] = plot
    sound: dict[str, Any] = dict(view.sound)
    for name, value in list(sound.items()):
        if name.endswith(("_lufs", "_lu", "_db", "time_s")) and not isinstance(value, float):
            sound[name] = np.asarray(value)
    sound.pop("narration_lufs", None)
    sound.pop("background_lufs", None)
    sound["depth_lu"] = laid.sound_settings.get("ducking_depth_lu", 15.0)
    for plot in sound_plots(cut(sound), points=points):
        key = {"difference_lu": "difference", "background_gain_db": "gain"}[plot["lines"][0]["of"]]
        plot["height"] = 54
        plot["ticks"] = False
        plot["lanes"] = []
        out[key] = plot
    for plot in out.values():
        plot["sync"] = "case"
        plot["domain"] = domain
    return out


def page_data(view: CaseView, decisions: Decisions, *, points: int = 1400) -> dict[str, Any]:
    """All that the page of a case shows, without paths and without hashes of sources."""
    laid = lay_over(view, decisions)
    last, again = undoable(decisions), redoable(decisions)
    given = decisions.sign_off
    return {
        "case": view.case,
        "title": plain(view.title),
        "profile": plain(view.profile),
        "state": view.state,
        "duration": view.duration_s,
        "canvas": list(view.canvas or (view.segments[0].width_px, view.segments[0].height_px)),
        "segments": [_segment(i, s) for i, s in enumerate(view.segments)],
        "findings": [_finding(row) for row in laid.findings],
        "plots": page_plots(laid, points=points),
        "narration": spans(view.sound.get("narration_speech") or []),
        "speech": spans(view.sound.get("procedure_speech") or []),
        "mark": {
            "text": plain(view.mark.get("text", "")),
            "positions": laid.positions,
            "crop_loss": view.mark.get("crop_loss"),
            "goal": view.mark.get("crop_loss_goal"),
            "visibility": (view.mark.get("visibility") or {}).get("median"),
            "band": [
                (view.mark.get("visibility") or {}).get("low"),
                (view.mark.get("visibility") or {}).get("high"),
            ],
        },
        "sound": [{"name": k, "value": v, **_limits(k)} for k, v in laid.sound_settings.items()],
        "chapters": [[a, plain(b)] for a, b in laid.chapters],
        "checklist": [
            {k: plain(v) if isinstance(v, str) else v for k, v in row.items()}
            for row in view.checklist
        ],
        "texts": [_text(t) for t in view.texts],
        "warnings": [plain(w) for w in view.warnings],
        "cautions": list(view.cautions),
        "version": version(decisions),
        "current": plan_is_current(view, decisions),
        "plan": view.plan_sha256[:8],
        "undo": history(decisions)[last.number - 1]["text"] if last else None,
        "redo": history(decisions)[again.number - 1]["text"] if again else None,
        "history": history(decisions)[-60:],
        "signed": {"by": given.by, "at": given.at} if given else None,
        "report": view.report is not None,
        "files": [_file(f) for f in view.files],
        "waiting": view.waiting,
    }


def _text(shown: ShownText) -> dict[str, Any]:
    """One text for the sign-off: captions by their words alone, they may be long."""
    found = shown.judged
    return {
        "where": found.where,
        "text": "" if found.unseen or found.where == CAPTIONS else plain(found.text),
        "words": [plain(w) for w in found.words[:_MOST_WORDS]],
        "more": max(0, len(found.words) - _MOST_WORDS),
        "unseen": found.unseen,
        "by": shown.by,
    }


def result_data(result: RenderResult) -> dict[str, Any]:
    return {
        "state": result.state,
        "message": plain(result.message),
        "checks": [
            {
                "check": plain(c.check),
                "measured": number(c.measured, 3),
                "limit": number(c.limit, 3) if c.limit is not None else "–",
                "unit": plain(c.unit),
                "passed": c.passed,
            }
            for c in result.checks
        ],
    }


def _file(f: CaseFile) -> dict[str, str]:
    return {"kind": f.kind, "words": f.words, "place": f.place, "clip": f.clip}


def summary_data(row: CaseSummary) -> dict[str, Any]:
    return {
        "case": row.case,
        "title": plain(row.title),
        "state": row.state,
        "open": row.open_findings,
        "length": format_time(row.clip_s) if row.clip_s is not None else "",
        "recorded": format_time(row.duration_s) if row.duration_s else "",
        "reason": plain(row.reason),
        "files": [_file(f) for f in row.files],
        "clips": [
            {
                "name": plain(c.name),
                "title": plain(c.title),
                "state": c.state,
                "reason": plain(c.reason),
                "length": format_time(c.clip_s) if c.clip_s is not None else "",
            }
            for c in row.clips
        ],
    }
