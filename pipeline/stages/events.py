"""`events.csv`: every disturbance found, for a spreadsheet. No names of files or people."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from pipeline.model.findings import Event, Findings
from pipeline.model.plan import Edit, Plan
from pipeline.stages.intake import SourceFile
from pipeline.store.work import WorkFolder

COLUMNS = (
    "recording", "part", "kind", "start_s", "stop_s", "peak_loss", "mean_loss", "confidence",
    "narrated", "action", "lost_s",
)  # fmt: skip


def events_csv(
    sources: Sequence[SourceFile], findings: Sequence[Findings], plan: Plan | None
) -> str:
    """One row per event, in order of recording and time; RFC 4180, header first.

    recording: number in the case from 1, part: number of the file in it. start_s, stop_s:
    seconds of that file, half open. Losses: share of contrast lost, empty where unknown.
    narrated: whether the narration speaks over it. action: what is done about it. Both
    are empty before a plan is made. lost_s: as `Event.lost_s`.
    """
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    parts: dict[int, int] = {}
    for number, (source, found) in enumerate(zip(sources, findings, strict=True)):
        parts[source.recording] = parts.get(source.recording, 0) + 1
        for event in sorted(found.events, key=lambda e: (e.start_s, e.kind)):
            edit = _edit_of(plan, number, event)
            writer.writerow(
                [
                    source.recording + 1,
                    parts[source.recording],
                    event.kind,
                    f"{event.start_s:.3f}",
                    f"{event.stop_s:.3f}",
                    _number(event.peak_loss),
                    _number(event.mean_loss),
                    _number(event.confidence),
                    "" if edit is None else "yes" if edit.narrated else "no",
                    "" if edit is None else edit.action,
                    _number(event.lost_s),
                ]
            )
    return text.getvalue()


def write_events(
    folder: WorkFolder,
    sources: Sequence[SourceFile],
    findings: Sequence[Findings],
    plan: Plan | None,
) -> None:
    """Write `events.csv` beside the report."""
    folder.atomic_write(folder.private_file("events.csv"), events_csv(sources, findings, plan))


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


def _edit_of(plan: Plan | None, source: int, event: Event) -> Edit | None:
    """The planned edit that covers most of the event."""
    if plan is None:
        return None
    shared = [
        (min(e.stop_s, event.stop_s) - max(e.start_s, event.start_s), -k, e)
        for k, e in enumerate(plan.edits)
        if e.source == source and e.kind == event.kind
    ]
    best = max(shared, default=None, key=lambda s: s[:2])
    return best[2] if best is not None and best[0] > 0 else None
