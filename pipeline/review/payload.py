"""What the page gets of a case, as plain data without paths and hashes of sources."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.analysis.identity.texts import CAPTIONS
from pipeline.model.decisions import Decision, Decisions, sign_off_holds
from pipeline.model.options import SoundOptions
from pipeline.model.placement import Placement
from pipeline.model.time import format_time
from pipeline.review.backend import (
    CaseFile,
    CaseFinding,
    CaseSummary,
    CaseView,
    RenderResult,
    Segment,
)
from pipeline.review.decisions import redoable, undoable, undone, version
from pipeline.review.laid import Laid, lay_over, plan_is_current
from pipeline.review.pages import number, plain
from pipeline.review.plots import loss_plot, sound_plots, spans
from pipeline.review.report.drawn import field_shape
from pipeline.review.words import HISTORY, MIX
from pipeline.stages.judged import REASONS
from pipeline.stages.texts import ShownText

_MOST_WORDS = 60


def history(decisions: Decisions) -> list[dict[str, Any]]:
    gone = undone(decisions.entries)
    out = []
    for e in decisions.entries:
        text = HISTORY[e.verb]
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


def _segment(index: int, s: Segment, canvas: tuple[int, int]) -> dict[str, Any]:
    fitted = Placement.fitted((s.width_px, s.height_px), canvas)
    x, y, wide, high = s.placed or (*fitted.offset_px, *fitted.picture_px)
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
        # Shares of the clip's picture.
        "placed": [x / canvas[0], y / canvas[1], wide / canvas[0], high / canvas[1]],
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
        "severity": plain(f.severity),
        "level": f.level,
        "lost": f.lost_s,
        "action": f.action,
        "actions": list(f.actions),
        "needs": f.needs_person,
        "rejectable": f.rejectable,
        "kept": f.kept,
        "stays": f.stays,
        "reasons": list(REASONS.get(f.kind, ())) if f.rejectable else [],
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


def _holds(view: CaseView, decisions: Decisions) -> bool:
    """Whether there is a sign-off, and nothing that it was given for has changed since."""
    return sign_off_holds(
        decisions, sources=view.sources, surveys=view.surveys, settings=view.settings_sha256,
        plan=view.plan_sha256, narration=view.narration_sha256,
    )  # fmt: skip


def page_data(view: CaseView, decisions: Decisions, *, points: int = 1400) -> dict[str, Any]:
    """All that the page of a case shows, without paths and without hashes of sources."""
    laid = lay_over(view, decisions)
    last, again = undoable(decisions), redoable(decisions)
    given = decisions.sign_off if _holds(view, decisions) else None
    canvas = view.canvas or (view.segments[0].width_px, view.segments[0].height_px)
    return {
        "case": view.case,
        "title": plain(view.title),
        "profile": plain(view.profile),
        "state": view.state,
        "duration": view.duration_s,
        "canvas": list(canvas),
        "segments": [_segment(i, s, canvas) for i, s in enumerate(view.segments)],
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
        "sound": [
            {"name": k, "words": MIX.get(k, k), "value": v, **_limits(k)}
            for k, v in laid.sound_settings.items()
        ],
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
    """One text for the sign-off: captions by their words alone, they may be long; but those that
    a machine wrote whole."""
    found = shown.judged
    hidden = found.unseen or (found.where == CAPTIONS and not found.drafted)
    words = found.words or (("no word looks like a name",) if found.drafted else ())
    return {
        "where": f"{found.where}, written by a machine, read all" if found.drafted else found.where,
        "text": "" if hidden else plain(found.text),
        "words": [plain(w) for w in words[:_MOST_WORDS]],
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
