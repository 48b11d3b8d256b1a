"""Run apart: one more kind of finding is registered, and everything that shows kinds is asked.

It does what a contributor does: `MODULE` becomes a new file, `LINE` a line of the registry.
"""

from __future__ import annotations

import importlib.util
import json
import sys
import tempfile
from pathlib import Path

import numpy as np

MODULE = '''
"""Bubbles on the lens."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, Option, Severity


def find(seen: Evidence) -> Found:
    share = seen.get("bubbles")
    on = share >= seen.options["bubbles_share"]
    return Found(on, seen.spans(on), share, lambda a, b: np.mean(share[a:b]))


KIND = Kind(
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
'''
LINE = "from pipeline.model.kinds.bubbles import KIND as BUBBLES\n"


def add_kind(folder: Path) -> None:
    """The registry with one file more, which lies in `folder`, and one line more."""
    (folder / "bubbles.py").write_text(MODULE)
    real = Path(__file__).resolve().parents[2] / "pipeline" / "model" / "kinds" / "__init__.py"
    text = real.read_text()
    before = "from pipeline.model.kinds.damage import"
    assert text.count(before) == 1
    spec = importlib.util.spec_from_file_location(
        "pipeline.model.kinds", real, submodule_search_locations=[str(real.parent), str(folder)]
    )
    assert spec is not None
    registry = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    exec(compile(text.replace(before, LINE + before), real, "exec"), registry.__dict__)


def main(here: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        add_kind(Path(folder))
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
        "foreign_share", "blur", "blur_sure", "glare_sure", "dark_sure", "dark_share", "smudge",
        "break_before", "bubbles",
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
