"""The list of the series, for `fieldstop catalogue --series`."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import Context
from pipeline.errors import UsageError

_FILTERS = ("since", "until", "audience", "side", "measured", "least", "most")


def series_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--series and what it is filtered by."""
    day = click.DateTime(["%Y-%m-%d"])
    for option in (
        click.option("--most", type=float, help="Measured values up to this."),
        click.option("--least", type=float, help="Measured values from this on."),
        click.option("--measured", metavar="LABEL", help="With this measured value."),
        click.option("--side", type=click.Choice(["left", "right", "midline"])),
        click.option("--audience", type=click.Choice(["teaching", "public"])),
        click.option("--until", type=day, metavar="YYYY-MM-DD",
                     help="Released until this day (UTC)."),
        click.option("--since", type=day, metavar="YYYY-MM-DD",
                     help="Released since this day (UTC)."),
        click.option("--as", "form", type=click.Choice(["markdown", "csv", "json"]),
                     help="Form of the list."),
        click.option("--series", is_flag=True, help="The list of the series, to be published."),
    ):  # fmt: skip
        command = option(command)
    return command


def asked_of_series(values: dict[str, Any], action: str | None) -> tuple[Any, str] | None:
    """(what is wanted, the form), taken out of `values`; None where the list is not asked for.

    Raises UsageError for filters without --series, or --series with an action.
    """
    from pipeline.model.series import Wanted

    series, form = values.pop("series"), values.pop("form")
    given = {name: values.pop(name) for name in _FILTERS}
    if not series:
        if form is not None or any(v is not None for v in given.values()):
            raise UsageError("A filter or --as belongs to the list of the series", "",
                             "add --series")  # fmt: skip
        return None
    if action is not None:
        raise UsageError("--series lists, and takes no action", action, "give one of them")
    for name in ("since", "until"):
        value = given[name]
        given[name] = value.date() if isinstance(value, datetime.datetime) else None
    return Wanted(**given), form or "markdown"


def tell_series(context: Context, asked: tuple[Any, str]) -> int:
    """Print the list: of what consent covers today."""
    from pipeline.model.series import as_csv, as_markdown, totals_of
    from pipeline.store.catalogue import Catalogue

    wanted, form = asked
    with Catalogue(context.catalogue) as store:
        entries, left_out = store.series(wanted, datetime.date.today())
    say, totals = context.say, totals_of(entries)
    value = {
        "series": [entry.as_json() for entry in entries],
        "totals": totals.as_json(),
        "left_out": left_out,
        "error": None,
    }
    if left_out:
        say.note(f"note: {left_out} left out, since consent does not cover them today:"
                 " fieldstop catalogue names them")  # fmt: skip
    if not entries:
        say.note("note: nothing is listed; what an OUT folder holds is read again by"
                 " fieldstop catalogue rebuild OUT")  # fmt: skip
    if form == "json" and not say.as_json:
        import json

        say.line(json.dumps(value, ensure_ascii=False, indent=1))
    say.result(value)
    if form == "csv" and not say.as_json:
        click.echo(as_csv(entries).encode(), nl=False)
    elif form == "markdown" and entries:
        say.line(as_markdown(entries))
    return errors.EXIT_DONE
