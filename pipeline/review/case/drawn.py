"""What the page draws of a case: series of the picture, the mix, the place of the mark."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.gain import gain_at
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.time import round_s
from pipeline.model.timeline import Timeline
from pipeline.review.case.documents import KeptSurvey
from pipeline.review.case.listen import sound_key
from pipeline.review.case.session import Ready
from pipeline.review.ducking import Levels, at_clip_times, depth_of
from pipeline.review.report.data import MarkReport, SoundReport
from pipeline.stages.measure import source_inputs
from pipeline.stages.planning.levels import levels_of
from pipeline.stages.survey import load_series


def case_series(surveys: Sequence[KeptSurvey], axis: Timeline) -> dict[str, NDArray[Any]]:
    names = ("contrast_loss", "contrast_loss_low", "contrast_loss_high", "smudge", "blur")
    parts: dict[str, list[NDArray[Any]]] = {name: [] for name in ("time_s", *names)}
    held: dict[int, dict[str, NDArray[Any]]] = {}
    for k in axis.kept:
        if k.source not in held:
            try:
                held[k.source] = load_series(surveys[k.source][1])
            except (OSError, ValueError, KeyError):
                held[k.source] = {}
        series = held[k.source]
        if "time_s" not in series or "contrast_loss" not in series:
            continue
        time_s = np.asarray(series["time_s"], np.float64)
        inside = k.to_case.holds(time_s)
        parts["time_s"].append(k.to_case.at(time_s[inside]))
        for name in names:
            value = series.get(name)
            known = value is not None and np.shape(value) == time_s.shape
            parts[name].append(
                np.asarray(value)[inside] if known else np.full(int(inside.sum()), np.nan)
            )
    if not parts["time_s"]:
        return {}
    return {name: np.concatenate(value) for name, value in parts.items() if value}


def case_sound(
    ready: Ready | None,
    plan: Plan | None,
    axis: Timeline,
    duration_s: float,
) -> SoundReport:
    """What the mix is expected to be, from the measured levels and the planned gains."""
    report = SoundReport()
    if plan is None:
        return report
    report["narration_speech"] = axis.case_of_clip(plan.narration)
    report["procedure_speech"] = [
        (round_s(a), round_s(b))
        for r in plan.redactions
        if r.what == "speech"
        for a, b in axis.case_of_source(r.source, (r.start_s, r.stop_s))
    ]
    if plan.mix is None:
        return report
    report["depth_lu"] = plan.mix.depth_lu
    time_s: NDArray[np.float64] = np.arange(max(1, int(duration_s * 10)), dtype=np.float64) * 0.1
    out_s = axis.clip_times(time_s)
    shown = np.isfinite(out_s)
    gain = np.where(shown, gain_at(plan.mix.background_gain, np.nan_to_num(out_s)), np.nan)
    report["time_s"] = time_s
    report["background_gain_db"] = gain
    levels = None if ready is None else _levels(ready, plan)
    if levels is None:
        return report
    depth = depth_of(levels, plan)
    report["difference_lu"] = at_clip_times(depth, out_s)
    report["difference_share"] = depth.share
    report["difference_heard"] = depth.heard
    return report


def _levels(ready: Ready, plan: Plan) -> Levels | None:
    """Measured on the sound that is mixed as soon as that is made, expected until then."""
    held = ready.levels.get(sound_key(plan, plan.redactions))
    if held is not None or ready.narration is None:
        return held
    behind, front = levels_of(
        source_inputs(ready.run.opened.found, ready.run.surveyed),
        plan.pieces, ready.narration.measured, plan.duration_s,
        plan.redactions, plan.sound_channels, plan.live,
    )  # fmt: skip
    return None if front is None else Levels(front.hop_power, behind.hop_power, 0.1, False)


def case_mark(plan: Plan | None, ready: Ready | None, options: Options) -> MarkReport:
    if plan is None or plan.mark is None:
        return MarkReport()
    mark = plan.mark
    glyph = ready.run.opened.glyph if ready is not None else None
    tall = 1 / glyph.aspect if glyph is not None else 0.0  # unknown: as tall as the page's letters
    return MarkReport(
        text=mark.text,
        places=[
            {
                "x": p.x,
                "y": p.y,
                "angle_deg": p.angle_deg,
                "width_ratio": p.width_ratio,
                "height_ratio": p.width_ratio * tall,
            }
            for p in mark.chosen.positions
        ],
        crop_loss=mark.crop_loss,
        crop_loss_goal=options.mark.crop_loss_goal,
        visibility={"low": mark.band_low, "high": mark.band_high, "median": mark.target},
    )
