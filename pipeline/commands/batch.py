"""The command for a folder of cases: batch."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FOLDER, context_of, global_options
from pipeline.commands.say import Say
from pipeline.commands.told import pages_of
from pipeline.errors import UsageError


@click.command()
@click.argument("folder", type=FOLDER)
@click.option("--out", required=True, type=FOLDER, help="Folder for what is made.")
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    help="Cases at once; left out: as many as cores and memory allow.",
)
@click.option("--scheduler", metavar="ADDRESS", help="Run on the Dask cluster of this scheduler.")
@click.option("--dry-run", is_flag=True, help="Say what would be done, write nothing.")
@click.option("--watch", is_flag=True, help="Take in new recordings until Ctrl-C.")
@click.option("--profile", help="web, accessible, lecture, broadcast, short, square, or your own.")
@click.option(
    "--consent",
    type=click.Choice(["none", "teaching", "public"]),
    help="Consent for loose recordings (a case says it in case.toml).",
)
@click.option(
    "--approve",
    metavar="INITIALS",
    help="You answer for the open points of all cases; confirms no text.",
)
@click.option("--looked", metavar="INITIALS", help="You have looked at all cases: released.")
@global_options
def batch(folder: Path, out: Path, jobs: int | None, scheduler: str | None, dry_run: bool,
          watch: bool, profile: str | None, consent: Any, approve: str | None,
          looked: str | None, **values: Any) -> int:  # fmt: skip
    """Every case in a folder; goes on where it stopped."""
    import signal

    from pipeline.batch.board import Board
    from pipeline.batch.request import Request
    from pipeline.batch.run import run_batch
    from pipeline.stages.signing import check_signer, leaves_at_once

    context = context_of(values)
    if jobs and scheduler:
        raise UsageError("--jobs and --scheduler exclude each other", "", "give one of them")
    # A service manager stops it as Ctrl-C does. A shell that starts it in the background has
    # Ctrl-C ignored, and would have a watch that cannot be ended cleanly.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    options = context.options(profile)
    if not dry_run:  # on a cluster clips leave here; else in workers, that nobody can answer
        check_signer(
            options, needed=leaves_at_once(options, looked), ask=bool(scheduler and looked)
        )
    board = Board(context.say.quiet)
    report = run_batch(
        Request(
            folder, out, options, jobs=jobs, catalogue=context.catalogue,
            consent=consent, approve=approve, looked=looked, dry_run=dry_run, watch=watch,
            scheduler=scheduler,
        ),
        board,
    )  # fmt: skip
    return tell_batch(context.say, report, out, board, options.output.profile)


def tell_batch(say: Say, report: Any, out: Path, board: Any, profile: str) -> int:
    """The result of a batch for a person and for --json; its exit code.

    Names of files are shown by a dry run, which is for that, and on a terminal.
    """
    from pipeline.batch.board import reason, summary

    written = not report.dry_run
    value = json.loads(report.to_json())
    value |= {
        "file": str(out / "batch.json") if written else None,
        "page": str(out / "batch.html") if written else None,
        "counts": {s: report.count(s) for s in
                   ("released", "ready", "withheld", "failed", "stopped", "waiting")},
        "unchanged": sum(c.unchanged for c in report.cases),
        "error": None,
    }  # fmt: skip
    say.result(value)
    for row in report.cases:
        state = "to make" if row.state == "waiting" else row.state
        place = row.release or row.ready
        release = f"  {place}" if place else ""
        name = board.called(row, sys.stdout.isatty() and not report.dry_run)
        say.line(f"{state:9} {name}{release}{reason(row)}")
        if report.dry_run:
            for part, files in board.files.get(id(row), []):
                say.line(f"{'':9}   {part or 'file'}: {files}")
            if row.consent:
                held = not row.covered and row.state != "failed"  # a broken file is not made
                will = "will be withheld: " if held else ""
                say.line(f"{'':9}   {will}{row.consent}")
    for name, why in board.left if report.dry_run else []:
        say.line(f"left out  {name}: {why}")
    say.line(f"{len(report.cases)} cases: {summary(report)}")
    if written:
        say.line(f"page      {out / 'batch.html'}")
        say.line(f"names     {out / 'private' / 'names.csv'} (which file each name is)")
    if report.count("ready"):
        where = shlex.quote(str(out))
        say.line(f"ready: look at each, then `fieldstop release --all --out {where} --by AB`,"
                 f" or sign off on the page: {pages_of(out, [profile])}")  # fmt: skip
    if report.interrupted:
        return errors.EXIT_INTERRUPTED
    if report.count("failed"):
        return errors.EXIT_BATCH
    uncovered = report.dry_run and any(c.covered is False for c in report.cases)
    held = report.count("withheld") or uncovered
    return errors.EXIT_WITHHELD if held else errors.EXIT_DONE
