"""decisions.json of a case on disk, safe against two writers."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline.errors import InputError
from pipeline.model.decisions import Decisions
from pipeline.store.work import atomic_write, output_error


class DecisionFile:
    """decisions.json of one case. Every change is one whole write under a lock.

    The lock is a file of its own, not the case's: people go on deciding while a
    render works on its frozen plan.
    """

    _threads = threading.RLock()

    def __init__(self, path: Path, case: str) -> None:
        self.path, self.case = path, case

    def load(self) -> Decisions:
        """Raises InputError if the file is damaged: a decision is never dropped."""
        if not self.path.is_file():
            return Decisions(case=self.case)
        try:
            document = Decisions.model_validate_json(self.path.read_bytes())
        except (ValueError, OSError):
            raise InputError(
                "decisions.json of the case cannot be read", "", "restore it from a backup"
            ) from None
        if document.case != self.case:
            raise InputError(
                "decisions.json belongs to another case", "", "put the right file in its place"
            )
        return document

    def change(self, step: Callable[[Decisions], Decisions]) -> Decisions:
        """Loads, applies `step`, saves; nothing is written if `step` raises."""
        with self._locked():
            document = step(self.load())
            atomic_write(self.path, document.to_json() + "\n", private=True)
        return document

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        import fcntl

        with self._threads:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                handle = os.open(
                    self.path.with_name(".decisions.lock"),
                    os.O_RDWR | os.O_CREAT | os.O_CLOEXEC,
                    0o600,
                )
            except OSError as error:
                raise output_error(error) from error
            try:
                fcntl.flock(handle, fcntl.LOCK_EX)
                yield
            finally:
                os.close(handle)
