"""The review page's backend over an OUT folder: one thin face of the rooms in `review.case`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.errors import FieldstopError
from pipeline.model.decisions import Decisions
from pipeline.model.options import Options
from pipeline.review.backend import CaseSummary, CaseView, Progress, RenderResult
from pipeline.review.case import documents
from pipeline.review.case.copies import start_copies
from pipeline.review.case.listen import Listener
from pipeline.review.case.listing import case_rows
from pipeline.review.case.release import render_case
from pipeline.review.case.session import Ready, Session, planned
from pipeline.review.case.still import finished_frame, mark_measured
from pipeline.review.case.view import case_view
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decisions import effective, version
from pipeline.stages.values import Planned
from pipeline.store.texts import ConfirmedTexts


class FolderBackend:
    """See `backend.Backend`. `options` are the settings that `make` would use."""

    def __init__(
        self,
        out: Path,
        options: Options,
        *,
        catalogue: Path | None = None,
        report: Callable[[Any], str] | None = None,
        proxies: bool = True,
    ) -> None:
        self.session = Session(Path(out), options, catalogue)
        self.listener = Listener(self.session)
        self._report, self._proxies = report, proxies
        self._failed: set[str] = set()

    @property
    def root(self) -> Path:
        return self.session.out

    def close(self) -> None:
        """Removes the sound that was kept for listening."""
        self.session.close()

    def decisions_path(self, case: str) -> Path:
        return documents.decisions_file(self.session.folder(case))

    def list_cases(self) -> Sequence[CaseSummary]:
        return case_rows(self.session)

    def check_open(self, case: str) -> None:
        self.session.check_open(case)

    def load_case(self, case: str, decisions: Decisions) -> CaseView:
        view = case_view(self.session, case, decisions)
        unopened = self.session.held(case) is None and case not in self._failed
        if unopened and documents.read_origin(self.session.folder(case)):
            view.waiting = True
            self.session.background(f"open {case}", lambda: self._open(case))
        elif self.listener.warming(case):
            view.waiting = True
        elif self._proxies and any(s.proxy is None or s.coarse for s in view.segments):
            view.waiting = self.session.busy(f"proxy {case}")
        return view

    def _open(self, case: str) -> None:
        """Makes a case ready behind the page that already shows it."""
        try:
            ready = self.session.prepare(case)
            with self.session.lock(case):
                self._take_plan(case, ready)
            self._go_on(case, ready)
        except FieldstopError:
            self._failed.add(case)  # told when a person asks for something that needs it

    def _take_plan(self, case: str, ready: Ready) -> None:
        """The plan on disk is that of the case now open, if it is of the same sources."""
        folder = self.session.folder(case)
        plan = documents.read_plan(folder)
        known = [s.survey.recording.sha256 for s in ready.run.surveyed]
        fits = plan is not None and [s.sha256 for s in plan.sources] == known
        if ready.run.plan is None and plan is not None and fits:
            decisions = DecisionFile(documents.decisions_file(folder), case).load()
            ready.decisions = effective(decisions)
            seen = documents.plan_has_seen_decisions(folder)
            ready.seen = version(decisions) if seen else -1
            ready.run = replace(ready.run, planned=Planned(plan))

    def _go_on(self, case: str, ready: Ready) -> None:
        """What takes long and will be asked for is made in the background."""
        if self._proxies:
            start_copies(self.session, case, ready)
        self.listener.warm(case)

    def plan_again(self, case: str, decisions: Decisions) -> CaseView:
        with self.session.lock(case):
            ready = self.session.prepare(case)
            ready.decisions = effective(decisions)
            plan = planned(ready, ready.decisions)
            ready.run = replace(ready.run, planned=Planned(plan))
            ready.seen = version(decisions)
            folder = ready.run.folder
            folder.atomic_write(folder.private_file("plan.json"), plan.to_json())
            self._go_on(case, ready)
            return case_view(self.session, case, decisions)

    def confirm_texts(self, case: str, view: CaseView, by: str) -> None:
        found = [t.judged for t in view.texts if t.by is None and not t.judged.unseen]
        texts = ConfirmedTexts(self.session.folder(case))
        texts.confirm([(j.where, j.text) for j in found], by)

    def crop_loss(
        self, case: str, positions: Sequence[Mapping[str, float]], time_s: float | None = None
    ) -> dict[str, Any]:
        ready = self.session.prepare(case)
        return mark_measured(ready, self.session.options, positions, time_s)

    def finished_frame(
        self, case: str, time_s: float, positions: Sequence[Mapping[str, float]] | None
    ) -> bytes | None:
        ready = self.session.prepare(case)
        return finished_frame(ready, self.session.options, time_s, positions)

    def preview_sound(
        self, case: str, start_s: float, stop_s: float, settings: Mapping[str, float], mixed: bool
    ) -> bytes:
        return self.listener.preview(case, start_s, stop_s, settings, mixed)

    def render(
        self, case: str, decisions: Decisions, progress: Progress, cancelled: Callable[[], bool]
    ) -> RenderResult:
        return render_case(self.session, case, decisions, progress, cancelled, self._report)
