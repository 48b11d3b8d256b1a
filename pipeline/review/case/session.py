"""Cases made ready with their recordings: opened once, under one lock each, kept for the next time.

A case shows from its documents at once. What needs the recordings (planning again, listening,
the finished picture, the small copies) waits for `Session.prepare`.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import InputError, NeedsPerson
from pipeline.media.glyphs import load_glyph
from pipeline.model.case import Case
from pipeline.model.decisions import Decision
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.timeline import Timeline
from pipeline.review.case.documents import known_origin, read_document, read_surveys
from pipeline.review.case.reel import Reel
from pipeline.review.ducking import Levels
from pipeline.stages.consent import refuse_closed
from pipeline.stages.intake import open_case
from pipeline.stages.making import heard, plan_for
from pipeline.stages.measure import source_inputs
from pipeline.stages.narration import Narration
from pipeline.stages.planning.parts import case_axis
from pipeline.stages.progress import no_progress
from pipeline.stages.surveying import compared, survey_case
from pipeline.stages.values import Asked, CaseResult, Opened
from pipeline.store.catalogue import Catalogue
from pipeline.store.names import Names, earlier_names
from pipeline.store.stale import drop_work, new_work
from pipeline.store.work import WorkFolder

_log = logging.getLogger("fieldstop.review")


@dataclass
class Ready:
    """A case whose recordings are open: a run without a render, and what was made for it."""

    run: CaseResult
    narration: Narration | None
    axis: Timeline
    revision: int
    decisions: list[Decision] = field(default_factory=list)  # in force
    seen: int = -1  # version of the decisions that the plan has seen; -1 for none
    stems: dict[str, Any] = field(default_factory=dict)
    gains: dict[str, float] = field(default_factory=dict)
    levels: dict[str, Levels] = field(default_factory=dict)
    reel: Reel = field(default_factory=Reel)
    reading: threading.RLock = field(default_factory=threading.RLock)  # of the reel


class Session:
    """The cases of one OUT folder that are open. `options` are the settings `make` would use."""

    def __init__(self, out: Path, options: Options, catalogue: Path | None) -> None:
        self.out, self.options, self.catalogue = out, options, catalogue
        self.closed = threading.Event()
        self._ready: dict[str, Ready] = {}
        self._locks: dict[str, threading.RLock] = {}
        self._guard = threading.Lock()
        self._busy: set[str] = set()
        self._work: Path | None = None

    def close(self) -> None:
        """Removes the sound that was kept for listening."""
        self.closed.set()
        if self._work is not None:
            drop_work(self._work)

    def folder(self, case: str) -> WorkFolder:
        return WorkFolder(self.out, case)

    def document(self, case: str) -> Case | None:
        """The case's own case.toml, where it can be read."""
        return read_document(self.folder(case), self.options.anonymity.case_pattern)

    def check_open(self, case: str) -> None:
        """See `backend.Backend`. Also asked before anything is made from the recordings."""
        hashes = [s.recording.sha256 for s, _, _ in read_surveys(self.folder(case))]
        with Catalogue(self.catalogue) as catalogue:
            try:
                refuse_closed(self.folder(case), hashes, catalogue)
            except NeedsPerson:
                self._ready.pop(case, None)  # what was made ready to be heard goes too
                raise

    def held(self, case: str) -> Ready | None:
        """The case if it was made ready before."""
        return self._ready.get(case)

    def prepare(self, case: str) -> Ready:
        """Opens the recordings, takes surveys from the cache, measures the narration.

        Raises FieldstopError.
        """
        self.check_open(case)
        with self.lock(case):
            held = self._ready.get(case)
            if held is None:
                held = self._ready[case] = self._opened(case)
            return held

    def _opened(self, case: str) -> Ready:
        origin = known_origin(self.folder(case), "fieldstop make or survey")
        found = open_case(
            origin.path, narration=origin.narration, out=self.out,
            case_pattern=self.options.anonymity.case_pattern,
            names=Names(self.out, earlier_names(self.catalogue)),
        )  # fmt: skip
        if found.case.case != case:
            raise InputError(
                "Another recording lies where that of this case lay",
                "",
                "put it back, or run fieldstop make on the one that lies there now",
            )
        work = self.scratch(case)
        hashes = [s.sha256 for s in found.sources]
        with Catalogue(self.catalogue) as known:
            consent = known.consent_for(hashes, found.case.case, found.case.consent)
            glyph = load_glyph(self.options.mark)
            opened = Opened(found, self.folder(case), self.options, Asked(), glyph, consent)
            survey = compared(opened, survey_case(opened, work, no_progress), known)
            revision = known.next_revision(case, opened.profile)
        axis = case_axis(opened.bound_case, source_inputs(found, survey.sources))
        narration = heard(opened, survey, work, no_progress)
        return Ready(CaseResult(opened, survey), narration, axis, revision)

    def scratch(self, case: str) -> Path:
        """A private folder for sound; gone with the server, or swept by the next run."""
        if self._work is None:
            self._work = new_work(self.folder(case).private_dir)
        path = self._work / case
        path.mkdir(exist_ok=True)
        return path

    def lock(self, name: str) -> threading.RLock:
        with self._guard:
            return self._locks.setdefault(name, threading.RLock())

    def busy(self, name: str) -> bool:
        """True while `background` work of that name runs."""
        return name in self._busy

    def background(self, name: str, go: Callable[[], None]) -> None:
        """Does it in a thread of its own, once at a time for each name."""
        with self._guard:
            if name in self._busy:
                return
            self._busy.add(name)

        def work() -> None:
            try:
                go()
            except Exception:
                _log.exception("something made in the background failed")
            finally:
                with self._guard:
                    self._busy.discard(name)

        threading.Thread(target=work, name=name, daemon=True).start()


def planned(ready: Ready, decisions: Sequence[Decision]) -> Plan:
    """The plan of a case that is ready, under these decisions."""
    assert ready.run.survey is not None
    return plan_for(
        ready.run.opened, ready.run.survey, ready.narration, decisions, ready.revision
    )
