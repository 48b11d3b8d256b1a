"""The list of the series: what is wanted of it, its totals, and its texts. Pure."""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.model.time import format_time

TITLES = (
    "number", "title", "side", "measured", "length", "audience", "released", "file",
)  # fmt: skip


@dataclass(frozen=True)
class Wanted:
    """Which releases are listed; None: no matter which. Dates are days of UTC, both included.

    measured: the label of the value. least, most: of the value, both included.
    """

    since: datetime.date | None = None
    until: datetime.date | None = None
    audience: str | None = None
    side: str | None = None
    measured: str | None = None
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True)
class SeriesEntry:
    """One release of the series. Nothing in it is private: all of it left with the clip."""

    series: str
    number: int
    title: str
    sides: tuple[str, ...]
    measured_label: str | None
    measured_value: float | None
    measured_unit: str | None
    duration_s: float
    audience: str
    released_on: datetime.date
    case: str
    profile: str
    revision: int
    file: str

    @property
    def measured(self) -> str:
        """`Crusts removed: 412 mg`, or nothing."""
        if self.measured_value is None:
            return ""
        return f"{self.measured_label}: {self.measured_value:g} {self.measured_unit or ''}".strip()

    def as_json(self) -> dict[str, Any]:
        return {**asdict(self), "released_on": str(self.released_on), "sides": list(self.sides)}


@dataclass(frozen=True)
class Totals:
    """measured: (label, unit, cases, sum). A case counts once, however many profiles it has."""

    releases: int
    cases: int
    duration_s: float
    audiences: tuple[tuple[str, int], ...]
    measured: tuple[tuple[str, str, int, float], ...]

    def as_json(self) -> dict[str, Any]:
        names = ("label", "unit", "cases", "sum")
        return {
            "releases": self.releases,
            "cases": self.cases,
            "duration_s": self.duration_s,
            "audiences": dict(self.audiences),
            "measured": [dict(zip(names, row, strict=True)) for row in self.measured],
        }

    def lines(self) -> list[str]:
        """The totals in sentences."""
        parts = ", ".join(f"{count} {audience}" for audience, count in self.audiences)
        out = [
            f"{counted(self.releases, 'release')} ({parts}) of {counted(self.cases, 'case')},"
            f" {format_time(self.duration_s)} in all"
        ]
        for label, unit, cases, total in self.measured:
            out.append(f"{label}: {f'{total:g} {unit}'.strip()} in {counted(cases, 'case')}")
        return out


def counted(count: int, what: str) -> str:
    """`1 case`, `2 cases`."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def totals_of(entries: Sequence[SeriesEntry]) -> Totals:
    """The totals of what is listed; of a case with several values the newest one counts."""
    audiences: dict[str, int] = {}
    values: dict[tuple[str, str], tuple[datetime.date, SeriesEntry]] = {}
    for entry in entries:
        audiences[entry.audience] = audiences.get(entry.audience, 0) + 1
        key = (entry.series, entry.case)
        if entry.measured_value is None:
            continue
        if key not in values or values[key][0] <= entry.released_on:
            values[key] = (entry.released_on, entry)
    sums: dict[tuple[str, str], tuple[int, float]] = {}
    for _, entry in values.values():
        what = (entry.measured_label or "", entry.measured_unit or "")
        cases, total = sums.get(what, (0, 0.0))
        sums[what] = (cases + 1, total + (entry.measured_value or 0.0))
    return Totals(
        releases=len(entries),
        cases=len({entry.case for entry in entries}),
        duration_s=round(sum(entry.duration_s for entry in entries), 6),
        audiences=tuple(sorted(audiences.items())),
        measured=tuple((*what, *found) for what, found in sorted(sums.items())),
    )


def _cells(entry: SeriesEntry) -> tuple[str, ...]:
    return (
        str(entry.number), entry.title, ", ".join(entry.sides), entry.measured,
        format_time(entry.duration_s), entry.audience, str(entry.released_on), entry.file,
    )  # fmt: skip


def as_markdown(entries: Sequence[SeriesEntry]) -> str:
    """A table for each series, and the totals below it (GitHub Flavored Markdown, tables)."""
    out: list[str] = []
    for series in dict.fromkeys(entry.series for entry in entries):
        mine = [entry for entry in entries if entry.series == series]
        out += [f"# {_marked(series) or 'Series'}", ""]
        out.append(f"| {' | '.join(TITLES)} |")
        out.append(f"|{'|'.join(' --- ' for _ in TITLES)}|")
        out += [f"| {' | '.join(map(_marked, _cells(entry)))} |" for entry in mine]
        out += ["", *(f"{_marked(line)}  " for line in totals_of(mine).lines()), ""]
    return "\n".join(out)


def _marked(text: str) -> str:
    """Text that shows as it is: what Markdown would read as markup is escaped
    (CommonMark 0.31, section 2.4)."""
    return re.sub(r"([\\`*_{}\[\]<>#|~!&])", r"\\\1", " ".join(text.split()))


def as_csv(entries: Sequence[SeriesEntry]) -> str:
    """One row a release, values apart from their units, without totals (RFC 4180).

    A text that a spreadsheet would run as a formula begins with an apostrophe (OWASP,
    'CSV Injection').
    """
    names = [name for name in SeriesEntry.__dataclass_fields__ if name != "sides"]
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow([*names, "sides"])
    for entry in entries:
        row = [getattr(entry, name) for name in names]
        writer.writerow([_harmless(v) for v in (*row, " ".join(entry.sides))])
    return file.getvalue()


def _harmless(value: object) -> object:
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{value}"
    return "" if value is None else value
