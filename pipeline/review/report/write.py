"""`report.html`: one page that opens from disk and asks nothing of a network.

The page names recordings by pseudonym. It never gets paths, hashes of sources or
words found in the picture; `pages.plain` takes out what slips into free text all the same.
"""

from __future__ import annotations

from markupsafe import Markup

from pipeline.review.pages import asset, bundle, data_uri, environment, policy_hash, script_json
from pipeline.review.plots import LOOKS
from pipeline.review.report.data import Player, ReportData
from pipeline.review.report.disturbed import event_rows, shares, warming
from pipeline.review.report.drawn import overlays, plots, tracks
from pipeline.review.report.listed import findings
from pipeline.review.standing import standing


def build_report(data: ReportData) -> str:
    """The report as one HTML text.

    Raises ValueError for a picture or sound that no browser can show, IndexError for
    a thumbnail of a recording that is not there.
    """
    groups = plots(data)
    listed = findings(data)
    needed = sum(f.needs_person for f in listed)
    rows = event_rows(data)
    style = asset("uplot.min.css") + "\n" + asset("page.css") + "\n" + asset("report.css")
    script = asset("uplot.min.js") + "\n;\n" + bundle("report.js")
    payload = {
        "looks": {k: v._asdict() for k, v in LOOKS.items()},
        "plots": {name: plot for plots in groups.values() for name, plot in plots},
    }
    return (
        environment()
        .get_template("report.html")
        .render(
            policy=Markup(
                "default-src 'none'; img-src data:; media-src data:; base-uri 'none'; "
                f"form-action 'none'; script-src {policy_hash(script)}; "
                f"style-src {policy_hash(style)}"
            ),
            style=Markup(style),
            script=Markup(script),
            payload=script_json(payload),
            data=data,
            findings=listed,
            needed=needed,
            standing=standing(
                data.name or data.case,
                data.state,
                checks=data.checks,
                looked=data.looked,
                approved_by=data.approved_by,
                needed=needed,
            ),
            groups=groups,
            shares=shares(data),
            event_rows=rows,
            warming=warming(rows),
            overlays=overlays(data),
            tracks=tracks(data),
            players=[(Player(*p).span, data_uri(p[1]), data_uri(p[2])) for p in data.players],
            failed=sum(not c.passed for c in data.checks),
            used_kinds=[k for k in LOOKS if any(f.kind == k for f in listed)],
        )
    )
