"""Commands that measure and make one case: make, clip, survey, demo."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import click

from pipeline import errors
from pipeline.commands.base import (
    FILE,
    FOLDER,
    Context,
    context_of,
    global_options,
    make_options,
    run_with_progress,
)
from pipeline.commands.group import EMPTY
from pipeline.commands.told import tell_ready, tell_run
from pipeline.errors import FieldstopError, InputError, UsageError

_RECIPIENT = click.option(
    "--recipient", metavar="LABEL",
    help="A copy of its own for one recipient, by whose code trace tells whose copy leaked. The"
    " label stays in the private record.",
)  # fmt: skip


@click.command()
@click.argument("case", type=FILE)
@_RECIPIENT
@make_options
@global_options
def make(case: Path, recipient: str | None, out: Path, approve: str | None, another: bool,
         looked: str | None,
         consent: Any, profile: str | None, narration: Path | None,
         **values: Any) -> int:  # fmt: skip
    """Turn a case folder or a recording into a finished clip, one for each profile."""
    context = context_of(values)
    asked = {"narration": narration, "consent": consent, "approve": approve,
             "another": another, "looked": looked, "recipient": _recipient(recipient)}  # fmt: skip
    profiles = _profiles(context, "web" if profile is None else profile)
    jobs = [_Job("profile", name, options, asked) for name, options in profiles]
    return _made(context, case, out, jobs)


@click.command()
@click.argument("case", type=FILE)
@click.option("--from", "from_", metavar="T", help="Start in case time: 90, 1:30, 1:30.5.")
@click.option("--to", "to", metavar="T", help="End in case time.")
@click.option("--cues", type=FILE, help="TOML or CSV list of clips: from, to, title.")
@click.option("--title", default="", help="Title of the clip.")
@click.option("--narrated", is_flag=True, help="Keep the narration.")
@_RECIPIENT
@make_options
@global_options
def clip(case: Path, from_: str | None, to: str | None, cues: Path | None, title: str,
         narrated: bool, recipient: str | None, out: Path, approve: str | None, another: bool,
         looked: str | None,
         consent: Any, profile: str | None, narration: Path | None,
         **values: Any) -> int:  # fmt: skip
    """Anonymised teaching clips of parts of a case."""
    from pipeline.stages.cues import cuts_of

    context = context_of(values)
    asked = {
        "narration": narration, "consent": consent, "approve": approve, "another": another,
        "looked": looked, "narrated": narrated or narration is not None, "unless_released": True,
        "recipient": _recipient(recipient),
    }  # fmt: skip
    cuts = cuts_of(from_, to, title, cues)
    jobs = [
        _Job("clip", cut.name, options, {**asked, "clip": cut})
        for _, options in _profiles(context, "lecture" if profile is None else profile)
        for cut in cuts
    ]
    return _made(context, case, out, jobs)


def _recipient(label: str | None) -> Any:
    """The recipient of a copy, with the name of the copy. Raises UsageError, OutputError."""
    if label is None:
        return None
    from pipeline.stages.values import Recipient
    from pipeline.store.names import copy_name

    return Recipient(label.strip(), copy_name(label))


@dataclass(frozen=True)
class _Job:
    """One clip to be made: what tells it from the others of the command, and what is asked."""

    kind: Literal["profile", "clip"]
    name: str
    options: Any
    asked: dict[str, Any]


def _profiles(context: Context, names: str) -> list[tuple[str, Any]]:
    """Settings of each profile that is asked for, all read before anything is made."""
    wanted = dict.fromkeys(n.strip() for n in names.split(","))
    if "" in wanted:
        raise UsageError("--profile lacks a name", repr(names[:40]), "give names with commas")
    return [(name, context.options(name)) for name in wanted]


def _made(context: Context, case: Path, out: Path, jobs: Sequence[_Job]) -> int:
    """Make them one after the other; of several, one that fails never stops the others."""
    runs: list[Any] = []
    rows: list[dict[str, Any]] = []
    failed: list[FieldstopError] = []
    for job in jobs:
        try:
            run = run_with_progress(context, case, out, job.options, **job.asked)
        except Exception as wrong:
            if len(jobs) == 1:
                raise
            failed.append(errors.explained(wrong))
            rows.append({**EMPTY, job.kind: job.name, "error": failed[-1].as_dict()})
            context.say.line(f"failed    {job.name}: {failed[-1]}")
            continue
        runs.append(run)
        rows.append(run.as_json() | ({"profile": job.name} if job.kind == "profile" else {}))
        tell_run(context.say, run)
    if len(jobs) == 1:
        context.say.result(rows[0])
    else:
        context.say.result({jobs[0].kind + "s": rows, "error": None})
    tell_ready(context.say, runs, out)
    if failed:
        return errors.EXIT_BATCH
    return errors.EXIT_WITHHELD if any(r.withheld for r in runs) else errors.EXIT_DONE


@click.command()
@click.argument("case", type=FILE)
@click.option("--out", required=True, type=FOLDER, help="Folder for what is written.")
@global_options
def survey(case: Path, out: Path, **values: Any) -> int:
    """Measure only: report.html shows what was found; survey.json, series.npz."""
    context = context_of(values)
    run = run_with_progress(context, case, out, context.options(None), survey_only=True)
    context.say.result(run.as_json())
    if run.withheld:
        tell_run(context.say, run)
        return errors.EXIT_WITHHELD
    context.say.line(f"case      {run.opened.case.case}")
    for path in run.survey.documents if run.survey else ():
        context.say.line(f"survey    {path}")
    context.say.line(f"report    {run.report}")
    return errors.EXIT_DONE


@click.command()
@click.option("--out", type=FOLDER, default=Path("fieldstop-demo"), show_default=True,
              help="Folder for what is made.")  # fmt: skip
@global_options
def demo(out: Path, **values: Any) -> int:
    """The main job on the sample case that comes with the program."""
    from pipeline.settings import packaged

    context = context_of(values)
    if context.catalogue is None:
        context.catalogue = out / "demo-catalogue.sqlite3"
    sample = packaged("sample_media")
    if not (sample / "case.toml").is_file():
        raise InputError("The sample case is not installed", "", "install the package again")
    options = context.options(None)
    # Nobody is in the sample case: it may leave before anyone has looked.
    options = options.model_copy(
        update={"output": options.output.model_copy(update={"look": "after"})}
    )
    run = run_with_progress(context, sample, out, options)
    context.say.result(run.as_json())
    tell_run(context.say, run)
    if run.ending.released is not None:
        context.say.line(f"look at it: {run.ending.released.path}")
        page = ["fieldstop", "review", str(out), "--catalogue", str(context.catalogue)]
        context.say.line(f"its page: {shlex.join(page)}")
    return errors.EXIT_WITHHELD if run.withheld else errors.EXIT_DONE
