"""Run apart: one more kind of finding is registered, and everything that shows kinds is asked.

What stands in `BUBBLES` is the module that a new kind takes, and the line after it the line.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

from pipeline.model import kinds
from pipeline.model.kinds.kind import Evidence, Found, Kind, Option, Severity


def find(seen: Evidence) -> Found:
    share = seen.get("bubbles")
    on = share >= seen.options["bubbles_share"]
    return Found(on, seen.spans(on), share, lambda a, b: np.mean(share[a:b]))


BUBBLES = Kind(
    kind="bubbles",
    name="Bubbles on the lens",
    sign="E",
    color="#009E73",
    pattern="dots",
    setting="what the plan proposes for bubbles",
    options=(Option("bubbles_share", 0.2, "share of the field they take", "", {"ge": 0}),),
    severity=Severity(measured="{} of the field"),
    find=find,
)
kinds.KINDS = (*kinds.KINDS, BUBBLES)
# Derived from KINDS where the real line stands:
kinds.BY_NAME = {k.kind: k for k in kinds.KINDS}
kinds.EVENT_KINDS = tuple(k.kind for k in kinds.KINDS if k.event)


def main(here: Path) -> None:
    sys.path[:0] = [str(here.parent / "stages"), str(here.parent / "review")]
    from test_plan import GLYPH, case, source

    from pipeline.model.findings import Event, Findings
    from pipeline.model.options import Options
    from pipeline.review.plots import kinds_payload
    from pipeline.review.report.data import RecordingPart, ReportData
    from pipeline.review.report.write import build_report
    from pipeline.settings import default_toml
    from pipeline.stages.decide import decide
    from pipeline.stages.planning.plan import make_plan

    time_s = np.arange(0.0, 20.0, 0.2)
    names = (
        "contrast_loss", "contrast_loss_low", "contrast_loss_high", "level", "clipped_share",
        "foreign_share", "blur", "smudge", "break_before", "bubbles",
    )  # fmt: skip
    series = {"time_s": time_s, **{name: np.zeros(100) for name in names}}
    series["level"][:] = 0.5
    series["bubbles"][(time_s >= 6) & (time_s < 9)] = 0.6
    options = Options.model_validate({"lens": {"bubbles": "cut"}})
    made = source(20.0)
    found = decide(made.survey, series, options)
    strict = Options.model_validate({"lens": {"bubbles_share": 0.9}})
    given = type(made)(0, False, made.recording, made.survey, made.series | series, found)
    plan = make_plan(case(), [given], None, options, glyph=GLYPH)
    report = build_report(
        ReportData(
            case="QM-1", title="T", profile="web", state="surveyed", program_version="1",
            recordings=[RecordingPart("recording 1", made.survey, series, found)],
        )
    )  # fmt: skip
    told = {
        "events": [e.model_dump() for e in found.events],
        "fewer": len(decide(made.survey, series, strict).events),
        "read": Findings.model_validate_json(found.to_json()) == found,
        "schema": "bubbles" in json.dumps(Event.model_json_schema()),
        "edits": [[e.kind, e.action] for e in plan.edits],
        "report": [w in report for w in ("Bubbles on the lens", "hatch-bubbles", "0.60 of the")],
        "payload": [k for k in kinds_payload() if k["kind"] == "bubbles"],
        "settings": [line for line in default_toml().splitlines() if "bubbles" in line],
    }
    print(json.dumps(told))


main(Path(__file__).resolve().parent)
