"""What a run prints: results on standard output, progress on standard error."""

from __future__ import annotations

import json
import sys
import time
from typing import Any, ClassVar

import click


class Say:
    """What a run prints: results on standard output, progress on standard error."""

    answered: ClassVar[bool] = False  # the one JSON object of this process is printed

    def __init__(self, as_json: bool, quiet: bool) -> None:
        self.as_json, self.quiet = as_json, quiet
        self._begun = time.monotonic()
        self._told = 0.0
        self._stage = ""
        self._bars: Any = None
        self._tasks: dict[str, Any] = {}

    def line(self, text: str = "") -> None:
        if not self.as_json:
            click.echo(text)

    def note(self, text: str) -> None:
        if not self.quiet:
            self.stop()
            click.echo(text, err=True)

    def result(self, value: dict[str, Any]) -> None:
        if self.as_json:
            Say.answered = True
            click.echo(json.dumps(value, ensure_ascii=False))

    def progress(self, stage: str, done: float, whole: float) -> None:
        """Nothing in the first two seconds; then bars on a terminal, lines elsewhere."""
        now = time.monotonic()
        if self.quiet or now - self._begun < 2:
            return
        share = min(1.0, done / whole) if whole > 0 else 0.0
        if sys.stderr.isatty():
            self._bar(stage, share)
        elif stage != self._stage or now - self._told > 5:
            self._stage, self._told = stage, now
            click.echo(f"{stage}: {share:.0%}", err=True)

    def _bar(self, stage: str, share: float) -> None:
        if self._bars is None:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            self._bars = Progress(
                TextColumn("{task.description:>10}"),
                BarColumn(),
                TextColumn("{task.percentage:3.0f} %"),
                TimeElapsedColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._bars.start()
        if stage not in self._tasks:
            self._tasks[stage] = self._bars.add_task(stage, total=1.0)
        self._bars.update(self._tasks[stage], completed=share)

    def stop(self) -> None:
        if self._bars is not None:
            self._bars.stop()
            self._bars = None
            self._tasks = {}
