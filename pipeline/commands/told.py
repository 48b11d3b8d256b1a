"""The result of a case, said to a person."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.commands.say import Say

if TYPE_CHECKING:
    from pipeline.stages.values import CaseResult


def pages_of(out: Path, profiles: Iterable[str]) -> str:
    """The commands that open the pages on which clips of these profiles are signed off.

    A page is of one profile, `web` where none is named.
    """
    named = ("" if name == "web" else f" --profile {name}" for name in dict.fromkeys(profiles))
    return " and ".join(f"`fieldstop review {shlex.quote(str(out))}{more}`" for more in named)


def tell_ready(say: Say, runs: Sequence[CaseResult], out: Path) -> None:
    """The last line: what is to be done with what is ready."""
    ready = [r for r in runs if r.ending.ready is not None]
    if ready:
        opened = ready[0].opened
        name = opened.name if opened.asked.clip else opened.case.case
        name = name if len(runs) == 1 else "NAME"
        pages = pages_of(out, (r.opened.options.output.profile for r in ready))
        say.line(
            f"ready: look at it, then `fieldstop release {name} --out {shlex.quote(str(out))}"
            f" --by AB`, or sign off on the page: {pages}"
        )


def tell_run(say: Say, run: CaseResult) -> None:
    """The result of a case for a person."""
    from pipeline.model.pseudonym import printable

    bare = run.opened.found.bare and sys.stdout.isatty()
    file = f" ({printable(run.opened.sources[0].path.name)})" if bare else ""
    say.line(f"case      {run.opened.case.case}{file}")
    for warning in (run.plan.warnings if run.plan else []) + run.warnings:
        say.note(f"note: {warning}")
    if run.leaving is not None:
        path, sheet, _ = run.leaving
        say.line(f"{'released' if run.ending.released else 'unchanged'}  {path}")
        say.line(f"sheet     {sheet}")
        if run.ending.released is not None and run.ending.released.signed:
            say.line("signed    by your certificate; the sheet says what that covers")
    if run.ending.ready is not None:
        say.line(f"ready     {run.ending.ready}")
    for reason in run.withheld:
        say.line(f"withheld  {reason.code}: {reason.message}")
    for text in run.planned.texts if run.planned else ():
        from pipeline.stages.texts import told

        say.line(f"text      {told(text)}")
    if run.ending.draft is not None:
        say.line(f"draft     {run.ending.draft}")
    if run.report is not None:
        say.line(f"report    {run.report}")
    if run.proof is not None:
        say.line(f"proof     {run.proof}")
    failed = sum(not c.passed for c in run.checks)
    if run.checks:
        say.line(f"checks    {len(run.checks) - failed} passed, {failed} failed")
