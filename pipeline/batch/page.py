"""`batch.html`: what a batch made, for a browser; opens from disk, needs no network."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.batch.estimate import time_text
from pipeline.model.batch import BatchReport


def page(report: BatchReport) -> str:
    """The page of a report. It holds what the report holds: pseudonyms, no paths of sources."""
    env = Environment(
        loader=PackageLoader("pipeline.batch", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters |= {"length": time_text, "clock": _clock}
    states = ("failed", "withheld", "stopped", "waiting", "working", "ready", "released")
    rows = sorted(report.cases, key=lambda c: states.index(c.state))
    return env.get_template("batch.html").render(
        report=report,
        rows=rows,
        counts=[(s, report.count(s)) for s in states if report.count(s)],  # type: ignore[arg-type]
    )


def _clock(at: str) -> str:
    return f"{at[:10]} {at[11:16]} UTC"
