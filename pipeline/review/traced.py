"""The evidence page: one file that opens from disk and asks nothing of a network. Private."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.model.evidence import FoundRelease
from pipeline.review.pages import asset, data_uri, environment, policy_hash
from pipeline.stages.tracing.trace import Traced

SURE = 1e-12  # what is rarer is said so; a tail is not known further out


def build_traced(traced: Traced) -> str:
    """The page as HTML."""
    style = asset("page.css") + "\n" + asset("traced.css")
    evidence = traced.evidence
    pairs = [
        {
            "release": p.release_name,
            "suspect_s": p.suspect_s,
            "release_s": p.release_s,
            "suspect": data_uri(p.suspect),
            "shown": data_uri(p.release) if p.release else None,
        }
        for p in traced.pairs
    ]
    policy = (
        "default-src 'none'; img-src data:; base-uri 'none'; form-action 'none';"
        f" style-src {policy_hash(style)}"
    )
    return (
        environment()
        .get_template("traced.html")
        .render(
            policy=Markup(policy), style=Markup(style), evidence=evidence, pairs=pairs,
            rate=rate, name=name,
        )
    )  # fmt: skip


def name(one: FoundRelease) -> str:
    return f"{one.case}-{one.profile}-r{one.revision}"


def rate(alarms: float) -> str:
    """The expected number of false answers in words."""
    if alarms <= SURE:
        return "less than once in 10¹² such searches"
    return f"once in {1 / alarms:,.0f} such searches"
