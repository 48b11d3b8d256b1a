"""From a run of a case to what its report shows. Redacted pictures and sound only."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline import __version__
from pipeline.model.timeline import Timeline
from pipeline.review.case_axis import in_case_time
from pipeline.review.report.checklist import checklist, one_surround
from pipeline.review.report.data import (
    EditRow,
    MarkReport,
    RecordingPart,
    ReportData,
)
from pipeline.review.report.named import clip_name, recording_name
from pipeline.review.report.pictured import strips, thumbnails
from pipeline.review.report.sounded import players, sound_report
from pipeline.review.report.write import build_report
from pipeline.review.standing import State
from pipeline.review.words import removal_words
from pipeline.stages.measure import source_inputs
from pipeline.stages.planning.parts import case_axis
from pipeline.stages.values import CaseResult


def case_report(run: CaseResult) -> str:
    """The text of report.html."""
    return build_report(report_data(run))


def report_data(run: CaseResult) -> ReportData:
    """Gathers everything; decodes a few pictures anew, blanked."""
    case = run.opened.case
    state: State = "surveyed"
    if run.plan is not None:
        state = run.state
    recordings = [
        RecordingPart(
            recording_name(case, run, n), one_surround(s.survey), _per_frame(s.series), s.findings
        )
        for n, s in enumerate(run.surveyed)
    ]
    warnings = list(run.plan.warnings) if run.plan else []
    for surveyed in run.surveyed:
        warnings += surveyed.recording.warnings + surveyed.survey.warnings
    data = ReportData(
        case=case.case,
        title=run.plan.title if run.plan else case.title,
        profile=run.options.output.profile,
        state=state,
        program_version=__version__,
        recordings=recordings,
        thumbnails=thumbnails(run),
        event_strips=strips(run),
        sound=sound_report(run),
        players=players(run),
        checks=run.checks,
        withheld=run.withheld,
        edits=_edits(run),
        checklist=checklist(run),
        warnings=list(dict.fromkeys(warnings)),
        mark=_mark(run),
        event_loss=run.options.lens.event_loss,
        name=clip_name(run),
        looked=run.looked,
        approved_by=run.approved_by,
        links=_links(run),
    )

    pieces = run.plan.pieces if run.plan is not None else ()
    kept = case_axis(case, source_inputs(run.opened.found, run.surveyed)).kept
    return in_case_time(data, Timeline(kept, pieces))


def _links(run: CaseResult) -> list[tuple[str, str]]:
    """What was made, from where the report lies; the clip is found wherever it stands now."""
    here = run.folder.private_dir
    end = run.ending
    poster = end.released.path.with_suffix(".jpg") if end.released is not None else None
    made = (
        ("The released clip", end.released.path if end.released is not None else None),
        ("Its poster", poster if poster is not None and poster.is_file() else None),
        ("The clip that is ready", end.ready if end.released is None else None),
        ("The draft", end.draft),
    )
    return [(words, os.path.relpath(path, here)) for words, path in made if path is not None]


def _per_frame(series: Mapping[str, Any]) -> dict[str, Any]:
    length = len(series.get("time_s", ()))
    return {k: v for k, v in series.items() if v.ndim == 1 and len(v) == length}


def _edits(run: CaseResult) -> list[EditRow]:
    if run.plan is None:
        return []
    rows = [
        EditRow(
            recording=e.source, start_s=e.start_s, stop_s=e.stop_s, kind=e.kind, action=e.action,
            reason=e.reason, origin=e.origin,
        )
        for e in run.plan.edits
    ]  # fmt: skip
    words = {"speech": "replace", "lettering": "cover", "face": "cover"}
    rows += [
        EditRow(
            recording=r.source, start_s=r.start_s, stop_s=r.stop_s, kind=r.what,
            action=words[r.what], reason=r.reason, origin=r.origin,
        )
        for r in run.plan.redactions
        if r.what in words
    ]  # fmt: skip
    return rows


def _where(x: float, y: float, angle_deg: float) -> str:
    """A place in the field in words, in radii from its centre: 'up 0.48, left 0.10'."""
    parts = [(y, "up", "down"), (x, "left", "right")]
    said = ", ".join(f"{a if v < 0 else b} {abs(v):.2f}" for v, a, b in parts if abs(v) >= 0.005)
    turned = f", turned {angle_deg:.0f}\u00b0" if abs(angle_deg) >= 0.5 else ""
    return (said or "centre") + turned


def _mark(run: CaseResult) -> MarkReport:
    plan = run.plan
    if plan is None or plan.mark is None:
        return MarkReport()
    mark = plan.mark
    report = MarkReport(
        text=mark.text or "emblem",
        places=[
            {"x": p.x + (x0 + x1) / 2, "y": p.y + (y0 + y1) / 2,
             "width_ratio": p.width_ratio + x1 - x0, "angle_deg": p.angle_deg,
             "height_ratio": p.width_ratio / run.opened.glyph.aspect + y1 - y0}
            for p, (x0, x1, y0, y1) in zip(mark.chosen.positions, mark.reach, strict=True)
        ],
        candidates=[
            {
                "name": "; ".join(_where(p.x, p.y, p.angle_deg) for p in c.positions),
                "count": len(c.positions),
                "crop_loss": c.crop_loss,
                "chosen": c == mark.chosen,
            }
            for c in mark.candidates
        ],
        crop_loss=mark.crop_loss,
        removal=removal_words(moves=bool(mark.paths)),
        crop_loss_goal=run.options.mark.crop_loss_goal,
    )  # fmt: skip
    seen = run.verified.visibility if run.verified else []
    if not seen and run.rendered is not None:
        seen = run.rendered.visibility
    if seen:
        values = np.array([v for _, v in seen], float)
        good = values[np.isfinite(values)]
        if good.size:
            report["visibility"] = {
                "low": mark.band_low,
                "high": mark.band_high,
                "p5": float(np.percentile(good, 5)),
                "median": float(np.median(good)),
                "p95": float(np.percentile(good, 95)),
                "share_inside": float(((good >= mark.band_low) & (good <= mark.band_high)).mean()),
            }
        report["series"] = {"time_s": np.array([t for t, _ in seen], float), "visibility": values}
    return report
