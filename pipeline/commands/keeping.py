"""Commands for what is kept: catalogue, cache."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FILE, context_of, global_options, swept
from pipeline.commands.series import asked_of_series, series_options, tell_series
from pipeline.errors import UsageError


@click.command()
@click.argument("action", required=False, type=click.Choice(["rebuild", "backup"]))
@click.argument("paths", nargs=-1, type=FILE)
@series_options
@global_options
def catalogue(action: str | None, paths: tuple[Path, ...], **values: Any) -> int:
    """Releases of the series with their marks and measured visibility.

    `rebuild OUT...` reads the release records of OUT folders again, and takes prints
    for `fieldstop trace` of releases that have none; `backup FILE` writes a copy.
    --series prints the list of the series.
    """
    from pipeline.store.catalogue import Catalogue

    asked = asked_of_series(values, action)
    context = context_of(values)
    if asked is not None:
        return tell_series(context, asked)
    notes: list[str] = []
    with Catalogue(context.catalogue, anew=action == "rebuild") as store:
        if action == "backup":
            if len(paths) != 1:
                raise UsageError("backup takes one file", f"{len(paths)}", "name the copy")
            store.backup(paths[0])
            context.say.result({"backup": str(paths[0]), "error": None})
            context.say.line(f"copied to {paths[0]}")
            return errors.EXIT_DONE
        if action == "rebuild":
            from pipeline.stages.rebuild import rebuild
            from pipeline.stages.tracing.prints import make_missing

            for out in paths:
                swept(context.say, out)
            notes = rebuild(store, paths)
            try:
                notes += make_missing(store, context.say.progress)
            finally:
                context.say.stop()
        records = store.releases()
        rows = [catalogue_row(r, store) for r in records]
        without = cases_without_release(store, {r.sheet.case for r in records})
    context.say.result({"releases": rows, "cases": without, "notes": notes, "error": None})
    for note in notes:
        context.say.note(f"note: {note}")
    for row in without:
        context.say.line(f"{row['state']:9} {row['case']} (nothing released)")
    if not rows:
        context.say.line("no releases yet")
    elif not context.say.as_json:
        from rich.console import Console
        from rich.table import Table

        table = Table(box=None, pad_edge=False)
        for title in ("no.", "case", "profile", "audience", "crop loss", "visibility L*",
                      "in band", "worst second", "consent until", "consent"):  # fmt: skip
            table.add_column(title)
        for row in rows:
            table.add_row(*(("" if v is None else str(v)) for v in list(row.values())[:10]))
        Console(width=None if sys.stdout.isatty() else 140).print(table)
    return errors.EXIT_DONE


def cases_without_release(store: Any, released: set[str]) -> list[dict[str, Any]]:
    """Cases of which nothing was released and nothing may be: withdrawn, refused or ended."""
    import datetime

    today, out = datetime.date.today(), []
    for case in store.case_names():
        state = store.consent_for([], case).state(today)
        if case not in released and state in ("withdrawn", "refused", "ended"):
            out.append({"case": case, "state": state})
    return out


def catalogue_row(record: Any, store: Any) -> dict[str, Any]:
    """One release for the table: number, case, profile, audience, mark numbers, consent."""
    import datetime

    known = store.consent_for(record.bound_by, record.sheet.case)
    seen = record.mark.get("visibility") or {}

    def number(value: Any, digits: int) -> float | None:
        return None if value is None else round(float(value), digits)

    return {
        "number": record.sheet.number,
        "case": record.sheet.case,
        "profile": f"{record.sheet.profile}-r{record.sheet.revision}",
        "audience": record.sheet.audience,
        "crop_loss": number(record.mark.get("crop_loss"), 2),
        "visibility": number(seen.get("median"), 1),
        "in_band": number(seen.get("in_band_ratio"), 3),
        "worst_second": number(seen.get("worst_second"), 1),
        "consent_until": str(known.expires_on) if known.expires_on is not None else None,
        "consent": known.state(datetime.date.today()),
        "released_at": record.released_at,
        "file": record.path,
    }


@click.command()
@click.argument("action", required=False, type=click.Choice(["clear"]))
@global_options
def cache(action: str | None, **values: Any) -> int:
    """Show the cache of measurements, or clear it."""
    from pipeline.store.cache import Cache

    context = context_of(values)
    store = Cache(context.options(None).machine.cache_gb)
    use = store.clear() if action == "clear" else store.use()
    if action == "clear":
        from pipeline.store.hashes import HashMemory

        HashMemory().clear()
    context.say.result(
        {"entries": use.entries, "size_bytes": use.size_bytes, "cleared": action == "clear",
         "error": None}
    )  # fmt: skip
    done = "cleared" if action == "clear" else "holds"
    context.say.line(f"cache {done} {use.entries} measured files, {use.size_bytes / 1e6:.1f} MB")
    return errors.EXIT_DONE
