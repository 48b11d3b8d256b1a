"""`fieldstop retention`: private material that should not be kept any longer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FOLDER, context_of, global_options
from pipeline.errors import InputError


@click.command()
@click.option("--out", required=True, type=FOLDER, help="Folder that make wrote into.")
@click.option("--older-than", "days", type=click.IntRange(1, 36500), metavar="DAYS",
              help="Instead of the days of the settings.")  # fmt: skip
@click.option("--purge", is_flag=True, help="Remove what is listed.")
@global_options
def retention(out: Path, days: int | None, purge: bool, **values: Any) -> int:
    """Private material older than the policy, or of a case whose consent is gone.

    It is listed; --purge removes it after saying what. Recordings, released files, records,
    consent and decisions stay. How long material must or may be kept is a matter of local law
    and policy.
    """
    import datetime

    from pipeline.stages.retention import due
    from pipeline.stages.retention import purge as remove
    from pipeline.store.catalogue import Catalogue
    from pipeline.store.consent_files import check_catalogue

    context = context_of(values)
    if not (out / "private").is_dir():
        raise InputError("The folder holds no cases", "", "give the --out folder of make")
    policy = days if days is not None else context.options(None).retention.private_days
    with Catalogue(context.catalogue) as store:
        store.feed(check_catalogue(out, store).facts)
        found = due(out, store, policy, datetime.date.today())
    for one in found:
        ready = "; a ready clip that was not released" if one.ready else ""
        size = f"{len(one.files)} files, {one.size_bytes / 1e6:.1f} MB{ready}"
        context.say.line(f"{one.case:12} {one.why}, last changed {one.last}: {size}")
    faults, gone = [], []
    for one in found if purge else []:
        try:
            count = remove(one, out)
            gone.append(one.case)
            context.say.line(f"removed      {one.case}: {count} files; its records stay")
        except errors.OutputError as wrong:
            faults.append(wrong)
            context.say.note(f"note: {wrong}")
    error = faults[0].as_dict() if faults else None
    rows = [one.as_json() for one in found]
    context.say.result({"cases": rows, "older_than_days": policy, "purged": gone, "error": error})
    if not found:
        unset = "" if policy else ": the settings name no age (`private_days` in [retention])"
        context.say.line(f"nothing is due{unset}")
    context.say.line("measurements of recordings are in the cache too: fieldstop cache clear")
    return errors.EXIT_OUTPUT if faults else errors.EXIT_DONE
