"""What a person sees of a batch while it runs: a live table, or plain lines elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from typing import Any, TextIO

from pipeline.batch.estimate import Pace, size_text, time_text
from pipeline.batch.pool import Doing
from pipeline.model.batch import BatchCase, BatchEstimate, BatchReport, State

_LINE_S = 30.0
_SHOWN = 12
_READ_S = 10.0
_LEFT_LINES = 40
# Where in a case a stage begins and ends, by its share of the work (measured).
_SPAN = {
    "survey": (0.0, 0.25), "sound": (0.25, 0.30), "narration": (0.30, 0.33),
    "mix": (0.33, 0.36), "render": (0.36, 0.82), "verify": (0.82, 1.0),
}  # fmt: skip


class Board:
    """Progress on standard error. quiet: says nothing."""

    def __init__(self, quiet: bool = False, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stderr
        self._quiet = quiet
        self._live: Any = None
        self._pace = Pace(())
        self._doing: dict[str, Doing] = {}
        self._told: dict[str, tuple[str, float]] = {}
        self._begun_s = time.monotonic()
        self._wall_s = 0.0
        self._all: dict[str, BatchCase] = {}
        self._noted: set[str] = set()
        self._read_s = 0.0
        self.files: dict[int, Sequence[tuple[str, str]]] = {}  # by id of the row
        self.left: list[tuple[str, str]] = []

    @property
    def _terminal(self) -> bool:
        return self._stream.isatty()

    def _say(self, text: str) -> None:
        if self._quiet:
            return
        if self._live is not None:
            self._live.console.print(text, markup=False, highlight=False)
        else:
            print(text, file=self._stream, flush=True)

    # --- told by the batch ---

    def reading(self, number: int, count: int) -> None:
        """Recordings are read to name them: only said where it takes long."""
        now = time.monotonic()
        if now - self._begun_s > 3 and now - self._read_s > _READ_S:
            self._read_s = now
            self._say(f"looking at the recordings: {number} of {count} cases")

    def listed(self, row: BatchCase, files: Sequence[tuple[str, str]] = ()) -> None:
        """files: places in the case with the names of their files."""
        self._all[row.case] = row
        self.files[id(row)] = files

    def left_out(self, label: str, name: str, reason: str) -> None:
        """name: of the file, for a terminal; elsewhere, where it may be kept, its label."""
        self.left.append((name, reason))
        count = sum(r == reason for _, r in self.left)
        if count <= _LEFT_LINES:
            self._say(f"left out: {name if self._terminal else label}: {reason}")
        elif count == _LEFT_LINES + 1:
            self._say(f"left out: more files for this reason ({reason}); see private/names.csv")

    def called(self, row: BatchCase, terminal: bool | None = None) -> str:
        """A case, on a terminal with the names of its files."""
        names = [name for _, name in self.files.get(id(row), [])]
        if not names or not (self._terminal if terminal is None else terminal):
            return row.case
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        return f"{row.case} ({names[0]}{more})"

    def estimated(self, estimate: BatchEstimate, pace: Pace, rows: list[BatchCase]) -> None:
        self._pace, self._wall_s = pace, estimate.wall_s
        same = sum(r.unchanged for r in rows)
        self._say(
            f"{len(rows)} cases: {estimate.cases} to make, {same} unchanged,"
            f" {sum(r.state == 'failed' for r in rows)} cannot be used"
        )
        if estimate.cases:
            self._say(
                f"estimate: {time_text(estimate.length_s)} of recordings, about"
                f" {time_text(estimate.wall_s)}, {size_text(estimate.disk_mb)} of disk"
                f" ({size_text(estimate.free_mb)} free)"
            )

    def note(self, text: str) -> None:
        """Something that went wrong and does not stop the batch; said once."""
        if text not in self._noted:
            self._noted.add(text)
            self._say(f"note: {text}")

    def workers(self, text: str) -> None:
        self._say(f"workers: {text}")
        self._begun_s = time.monotonic()

    def begun(self, row: BatchCase) -> None:
        self._all[row.case] = row
        self._doing[row.case] = Doing()
        self._start_live()
        if self._live is None:
            self._say(f"{self.called(row)}: begun")

    def doing(self, case: str, doing: Doing) -> None:
        self._doing[case] = doing
        if self._live is not None or self._quiet:
            return
        stage, at_s = self._told.get(case, ("", 0.0))
        now = time.monotonic()
        if (doing.stage != stage and now - at_s > 2) or now - at_s > _LINE_S:
            self._told[case] = (doing.stage, now)
            self._say(f"{case}: {doing.stage} {doing.share:.0%}{self._finish()}")

    def ended(self, row: BatchCase) -> None:
        self._all[row.case] = row
        self._doing.pop(row.case, None)
        self._say(f"{self.called(row)}: {row.state}{reason(row)}")

    def refresh(self) -> None:
        if self._live is not None:
            self._live.update(self._table(), refresh=True)

    def close(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    # --- the live table ---

    def _start_live(self) -> None:
        if self._live is not None or self._quiet or not self._terminal:
            return
        from rich.console import Console
        from rich.live import Live

        self._live = Live(
            self._table(), console=Console(file=self._stream), auto_refresh=False, transient=True
        )
        self._live.start()

    def _table(self) -> Any:
        from rich.table import Table

        table = Table(box=None, pad_edge=False, caption=self._caption(), caption_justify="left")
        for title in ("case", "state", "stage", "done", "MB"):
            table.add_column(title, justify="right" if title in ("done", "MB") else "left")
        for case, doing in sorted(self._doing.items()):
            name = self.called(self._all[case])
            table.add_row(
                name, "working", doing.stage, f"{doing.share:.0%}", f"{doing.peak_mb:.0f}"
            )
        waiting = [r for r in self._all.values() if r.state == "waiting"]
        for row in waiting[: max(0, _SHOWN - len(self._doing))]:
            table.add_row(self.called(row), "waiting", "", "", "")
        return table

    def _caption(self) -> str:
        count = {s: sum(r.state == s for r in self._all.values()) for s in
                 ("released", "ready", "withheld", "failed", "waiting")}  # fmt: skip
        said = ", ".join(f"{n} {state}" for state, n in count.items() if n or state != "ready")
        return f"{said}{self._finish()}"

    def _finish(self) -> str:
        """The estimated finish: what is left, at the pace of what was done."""
        left_s = self.left_s()
        if left_s is None:
            return ""
        at = time.strftime("%H:%M", time.localtime(time.time() + left_s))
        return f", about {time_text(left_s)} left (until {at})"

    def left_s(self) -> float | None:
        """Seconds left; None before there is something to go by."""
        done = left = 0.0
        for row in self._all.values():
            if row.unchanged or row.state == "stopped":
                continue
            cost = 8.0 + row.length_s
            share = 1.0 if row.state in ("released", "ready", "withheld", "failed") else 0.0
            doing = self._doing.get(row.case)
            if doing is not None:
                start, stop = _SPAN.get(doing.stage, (0.0, 0.0))
                share = start + (stop - start) * doing.share
            done, left = done + cost * share, left + cost * (1 - share)
        passed_s = time.monotonic() - self._begun_s
        if done <= 0 or left <= 0:
            return None
        measured_s = left * passed_s / done
        # Before a tenth is done the first estimate says more.
        weight = min(1.0, 10 * done / (done + left))
        return weight * measured_s + (1 - weight) * max(0.0, self._wall_s - passed_s)


def reason(row: BatchCase) -> str:
    """Why a case ended as it did, for one line."""
    if row.error is not None:
        got = f" ({row.error.got})" if row.error.got else ""
        return f": {row.error.what.rstrip('.')}{got}; {row.error.do}"
    if row.withheld:
        more = f" and {len(row.withheld) - 1} more" if len(row.withheld) > 1 else ""
        return f": {row.withheld[0].message}{more}"
    if row.unchanged:
        return " (unchanged)"
    return ""


def summary(report: BatchReport) -> str:
    """How many of each, in a sentence."""
    states: tuple[State, ...] = (
        "released", "ready", "withheld", "failed", "stopped", "waiting",
    )  # fmt: skip
    parts = [f"{report.count(s)} {s}" for s in states if report.count(s)]
    same = sum(c.unchanged for c in report.cases)
    return ", ".join(parts) + (f" ({same} as before)" if same else "")

