"""Commands after which something leaves, or may not any more: release, withdraw."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FOLDER, context_of, global_options
from pipeline.commands.say import Say
from pipeline.errors import FieldstopError, OutputError, UsageError


@click.command()
@click.argument("cases", nargs=-1, metavar="CASE...")
@click.option("--out", required=True, type=FOLDER, help="Folder in which it is ready.")
@click.option("--by", metavar="INITIALS", help="Your initials: you have looked at it.")
@click.option("--profile", help="Of this profile only.")
@click.option("--proof", is_flag=True, help="Put a proof without initials beside the clip.")
@click.option("--all", "everything", is_flag=True, help="Ask about each clip that is ready.")
@global_options
def release(cases: tuple[str, ...], out: Path, by: str | None, profile: str | None,
            everything: bool, proof: bool, **values: Any) -> int:  # fmt: skip
    """Release what is ready and was looked at; nothing is rendered again.

    CASE is a pseudonym, a case folder or file, or the name of a ready clip (HL-0142-web).
    """
    from pipeline.review.standing import tell_released
    from pipeline.stages import leave
    from pipeline.stages.ready import read_ready
    from pipeline.stages.signing import check_signer
    from pipeline.stages.values import check_initials
    from pipeline.store.catalogue import Catalogue

    context = context_of(values)
    say = context.say
    check_initials(by, "--by")
    if by is None:
        raise UsageError("release needs to know who looked", "", "give --by INITIALS")
    if everything and cases:
        raise UsageError("--all and a case exclude each other", "", "give one of them")
    if not everything and not cases:
        raise UsageError(
            "release needs a case", leave.listed(leave.ready_documents(out)),
            "name the one that you looked at, or give --all on a terminal",
        )  # fmt: skip
    if everything and (say.as_json or not sys.stdin.isatty()):
        raise UsageError(
            "--all asks about each clip, and nobody is at a terminal to answer",
            leave.listed(leave.ready_documents(out)),
            "name the cases that were looked at",
        )
    documents = leave.all_ready(out, profile) if everything else leave.chosen(out, cases, profile)
    left, faults = [], []
    with Catalogue(context.catalogue) as store:
        for document in documents:
            try:
                clip = read_ready(document)
                if everything and not _ask(say, clip, document):
                    continue
                options = context.options(clip.profile)
                check_signer(options, needed=True, ask=True)
                one = leave.release_kept(
                    document, out, options, store, leave.looked_by(by), proof=proof
                )
            except FieldstopError as error:
                if len(documents) == 1:
                    raise
                faults.append(error)
                say.note(f"{document.name.removesuffix('.ready.json')}: {error}")
                continue
            if one.released is not None:
                tell_released(
                    leave.folder_of(out, document), clip, one.looked, one.released.revision,
                    outside=proof,
                )  # fmt: skip
            left.append(one)
    rows = [one.as_json() for one in left]
    first = faults[0].as_dict() if faults else None
    say.result(rows[0] if len(documents) == 1 and rows else {"cases": rows, "error": first})
    for one in left:
        for warning in one.warnings:
            say.note(f"note: {warning}")
        if one.released is not None:
            say.line(f"released  {one.released.path}")
            say.line(f"sheet     {one.released.sheet}")
            if one.released.signed:
                say.line("signed    by your certificate; the sheet says what that covers")
        for why in one.withheld:
            say.line(f"withheld  {one.clip.name}: {why.message}")
    if faults:
        return max(error.exit_code for error in faults)
    return errors.EXIT_WITHHELD if any(one.withheld for one in left) else errors.EXIT_DONE


def _ask(say: Say, clip: Any, document: Path) -> bool:
    """Whether the person at the terminal has looked at this clip, and lets it go."""
    say.line(f"{clip.name}  {clip.plan.title}  made {clip.made_at[:16].replace('T', ' ')} UTC")
    say.line(f"  {document.with_name(clip.file)}")
    return click.confirm("  Have you looked at it, and may it leave?", default=False)


@click.command()
@click.argument("case")
@click.option("--out", type=FOLDER, help="OUT folder it lies in, if it was moved.")
@click.option("--move-to", type=FOLDER, help="Move the released files there.")
@click.option("--future", is_flag=True, help="Also for a case that is not known yet.")
@global_options
def withdraw(case: str, out: Path | None, move_to: Path | None, future: bool,
             **values: Any) -> int:  # fmt: skip
    """Consent withdrawn: what was made from a case, what to take down.

    CASE is a pseudonym, a case folder, a recording, or a clip that was released.
    """
    from pipeline.stages.withdraw import withdraw_case
    from pipeline.store.catalogue import Catalogue

    context = context_of(values)
    with Catalogue(context.catalogue) as catalogue:
        done = withdraw_case(case, catalogue, out=out, future=future, move_to=move_to)
    fault = None
    if done.faults:
        fault = OutputError(
            "Consent is withdrawn, but not everything could be written or found",
            "; ".join(done.faults),
            "mend that, then run this again",
        )
    context.say.result(
        {"case": done.cases[0], "cases": done.cases, "take_down": done.take_down,
         "kept": done.kept, "moved": done.moved, "sheets": done.sheets,
         "error": fault.as_dict() if fault is not None else None}
    )  # fmt: skip
    tell_withdrawal(context.say, done)
    if fault is not None:
        click.echo(f"fieldstop: {fault}", err=True)
        return fault.exit_code
    return errors.EXIT_DONE


def tell_withdrawal(say: Say, done: Any) -> None:
    """What was withdrawn and where everything made of it lies."""
    names = ", ".join(done.cases)
    say.line(f"Consent for {names} is withdrawn; no further clip will be made from it.")
    rows = done.take_down
    say.line("Take down, wherever it was published:" if rows else "Nothing was released.")
    for row in rows:
        gone = "" if row["there"] else "  (not there any more)"
        whose = f"  the copy for {row['recipient']}" if row["recipient"] else ""
        say.line(
            f"  {row['file']}{gone}{whose}  {row['audience']}  {str(row['released_at'])[:10]}"
            f"  sha256 {row['sha256']}"
        )
        for beside in row["beside"]:
            say.line(f"  {beside}")
        for made in row["made_beside"]:
            if not made["there"]:
                say.line(f"  {made['file']}  (not there any more)  sha256 {made['sha256']}")
    for move in done.moved:
        say.line(f"moved     {move['to']}")
    if done.kept:
        say.line("Also made from it, kept on this machine:")
    for row in done.kept:
        say.line(f"  {row['what']:13} {row['file']}")
    say.line("The cache may hold small copies: `fieldstop cache clear` empties it.")
    for sheet in done.sheets:
        say.line(f"sheet     {sheet}")
    _tell_next(say, done)


def _tell_next(say: Say, done: Any) -> None:
    """What is left for a person to do. Nothing was deleted, and no copy elsewhere is known."""
    steps = []
    if done.take_down:
        steps.append("take down each clip listed, wherever it was published or sent: that is not "
                     "known here, and the sheet lists all of it for whoever does it")  # fmt: skip
    whose = [row["recipient"] for row in done.take_down if row["recipient"]]
    if whose:
        steps.append(f"ask for their copies: {', '.join(dict.fromkeys(whose))}")
    moved = {move["from"] for move in done.moved}
    left = [row for row in done.take_down if row["there"] and row["file"] not in moved]
    if left:
        again = f"fieldstop withdraw {shlex.quote(done.cases[0])} --move-to DIR"
        steps.append(f"move the released files away from the others: `{again}`")
    outs = dict.fromkeys(Path(sheet).parents[2] for sheet in done.sheets
                         if Path(sheet).parents[1].name == "private")  # fmt: skip
    for out in outs if done.kept else ():
        steps.append("remove what is private, where your policy says so: "
                     f"`fieldstop retention --out {shlex.quote(str(out))}` lists it, and removes "
                     "it with --purge")  # fmt: skip
    for number, step in enumerate(steps, 1):
        say.line(f"next {number}    {step}")
