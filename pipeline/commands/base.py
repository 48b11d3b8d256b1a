"""What the commands share: global options, options of making, the run of one case."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.commands.say import Say

if TYPE_CHECKING:
    from pipeline.stages.values import CaseResult

FOLDER = click.Path(path_type=Path, file_okay=False)
FILE = click.Path(path_type=Path)


def global_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The global options, accepted before and after the command's name."""
    for option in (
        click.option(
            "--json", "as_json", is_flag=True, help="Print one JSON object, nothing else."
        ),
        click.option("--quiet", is_flag=True, help="No progress on standard error."),
        click.option("--config", type=FILE, help="Settings file over your own and the defaults."),
        click.option("--catalogue", type=FILE, help="Catalogue file instead of your own."),
    ):
        command = option(command)
    return command


class Context:
    """Global options of one call."""

    def __init__(self, as_json: bool, quiet: bool, config: Path | None, catalogue: Path | None):
        self.say = Say(as_json, quiet)
        self.config, self.catalogue = config, catalogue

    def options(self, profile: str | None) -> Any:
        from pipeline.settings import load_options

        return load_options(profile, self.config)


def context_of(values: dict[str, Any]) -> Context:
    """Global options of the group and of the command together."""
    outer = click.get_current_context().find_root().params
    merged = {}
    for key in ("as_json", "quiet", "config", "catalogue"):
        merged[key] = values.pop(key, None) or outer.get(key)
    context = Context(bool(merged["as_json"]), bool(merged["quiet"]), merged["config"],
                      merged["catalogue"])  # fmt: skip
    out = click.get_current_context().params.get("out")
    if out is not None:
        swept(context.say, out)
    return context


def swept(say: Say, out: Path) -> None:
    """Every command on an OUT folder begins with this: raw sound of dead processes goes."""
    from pipeline.store.stale import sweep

    left = sweep(out)
    if left:
        say.note(f"note: {left} work files of an ended run could not be removed; they may hold"
                 " raw sound: look into the private folder for names with .part-")  # fmt: skip


def make_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--out", required=True, type=FOLDER, help="Folder for what is made."),
        click.option(
            "--approve",
            metavar="INITIALS",
            help="You answer for the open points and have read the texts.",
        ),
        click.option(
            "--another-recording",
            "another",
            is_flag=True,
            help="With --approve: what looks like a recording whose consent is narrower was"
            " compared, and is another one.",
        ),
        click.option("--looked", metavar="INITIALS", help="You have looked: it is released."),
        click.option(
            "--consent",
            type=click.Choice(["none", "teaching", "public"]),
            help="Consent for a bare recording (a case says it in case.toml).",
        ),
        click.option(
            "--profile",
            help="web, accessible, lecture, broadcast, short, square, or your own; several with"
            " commas.",
        ),
        click.option("--narration", type=FILE, help="Narration file."),
    ):
        command = option(command)
    return command


def report_of(run: CaseResult) -> str:
    from pipeline.review.report.collect import case_report

    return case_report(run)


def run_with_progress(
    context: Context, path: Path, out: Path, options: Any, **asked: Any
) -> CaseResult:
    from pipeline.batch.one import run_one
    from pipeline.stages.signing import check_signer, leaves_at_once
    from pipeline.stages.values import Asked

    wanted = Asked(**asked)
    if leaves_at_once(options, wanted.looked) and not wanted.survey_only:
        check_signer(options, needed=True, ask=True)
    try:
        return run_one(
            path, out, options, wanted, catalogue=context.catalogue,
            progress=context.say.progress,
        )  # fmt: skip
    finally:
        context.say.stop()
