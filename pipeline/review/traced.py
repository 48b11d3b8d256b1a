"""The evidence page: one file that opens from disk and asks nothing of a network. Private."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.model.evidence import FoundRelease, ReadCode
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
            rate=rate, name=name, code=code_words,
        )
    )  # fmt: skip


def name(one: FoundRelease) -> str:
    return f"{one.case}-{one.profile}-r{one.revision}"


def code_words(code: ReadCode) -> str:
    """What the invisible code says, in sentences."""
    if code.state == "none":
        return "This release carries none."
    if code.state == "no file":
        return "It could not be looked for: none of the released files is where it was released."
    if code.state == "not read":
        return (
            f"No code could be read from {code.pictures} pictures. Strong coding, covering or"
            " cropping takes it away, and so does the mean of two copies."
        )
    if code.state == "unknown":
        return "A code was read that no release known here carries."
    copies = " or ".join(code.releases)
    whose = f", the copy for {' or '.join(code.recipients)}" if code.recipients else ""
    return (
        f"It is that of {copies}{whose}: {code.errors} of 48 bits wrong or undecided in"
        f" {code.pictures} pictures, which chance would give"
        f" {rate(code.chance or 0.0, 'readings')}. It tells"
        " whose copy the pictures come from, not who passed it on."
    )


def rate(alarms: float, what: str = "searches") -> str:
    """The expected number of false answers in words."""
    if alarms <= SURE:
        return f"less than once in 10¹² such {what}"
    return f"once in {1 / alarms:,.0f} such {what}"
