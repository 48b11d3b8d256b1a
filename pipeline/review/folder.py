"""The review page's backend over an OUT folder: documents on disk, and the stages.

A case shows from its documents at once. What needs the recordings (planning again,
listening, the finished picture, the proxies) is made ready on first use, under one
lock per case, and kept for the next time.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import logging
import shutil
import tempfile
import threading
import weakref
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import FieldstopError, InputError, NeedsPerson, UsageError
from pipeline.media.stems import Stem
from pipeline.model.case import Case, CaseRecording
from pipeline.model.decisions import Anchor, Decision, Decisions
from pipeline.model.mark import MarkPosition
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.survey import Event, Survey
from pipeline.model.time import round_s
from pipeline.review.backend import (
    CaseFinding,
    CaseState,
    CaseSummary,
    CaseView,
    Progress,
    RenderResult,
    Segment,
    lay_over,
)
from pipeline.review.cases import (
    case_files,
    failed_in_batch,
    keep_outcome,
    outcome_in,
    with_failed,
)
from pipeline.review.clips import clips_of, has_release
from pipeline.review.decisions import DecisionFile, effective, version
from pipeline.review.ducking import Levels, depth_of, heard_levels, on_case_axis
from pipeline.review.report import CAUTIONS, MarkReport, SoundReport
from pipeline.stages.planning.chapters import chapter_title
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.parts import Kept, keep_parts
from pipeline.stages.planning.plan import plan_sha256
from pipeline.stages.proxy import proxy_name, write_proxy
from pipeline.stages.room import NOT_TOLD
from pipeline.stages.texts import ShownText
from pipeline.store.stale import drop_work, new_work
from pipeline.store.work import WorkFolder, atomic_write

_log = logging.getLogger("fieldstop.review")
ORIGIN = "origin.json"
DAMAGE_ACTIONS = ("black", "cut")
EVENT_ACTIONS = ("keep", "cut", "freeze", "clear")
OUTSIDE_ACTIONS = ("cut", "freeze")


def remember_origin(out: Path, case: str, path: Path, narration: Path | None = None) -> None:
    """Notes, in the private folder, which recordings a case was made from."""
    text = json.dumps(
        {
            "schema": "fieldstop.origin/1",
            "path": str(Path(path).resolve()),
            "narration": str(Path(narration).resolve()) if narration else None,
        }
    )
    atomic_write(WorkFolder(out, case).private_file(ORIGIN), text, private=True)


@dataclass
class _Ready:
    """A case whose recordings are open: a run without a render, and what was made for it."""

    run: Any
    case: Case
    kept: list[Kept]
    revision: int
    seen: int = -1  # version of the decisions that the plan has seen; -1 for none
    stems: dict[str, Any] = field(default_factory=dict)
    gains: dict[str, float] = field(default_factory=dict)
    levels: dict[str, Levels] = field(default_factory=dict)


class _Sound:
    """What is heard of one plan: stems in a folder that goes when nobody reads them any more."""

    def __init__(self, folder: Path, procedure: Stem | None, narration: Stem | None) -> None:
        self.procedure, self.narration = procedure, narration
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)


class _Stopped(FieldstopError):
    """A render that a person cancelled."""


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
        self._out = Path(out)
        self.options, self.catalogue, self.report = options, catalogue, report
        self.proxies = proxies
        self._ready: dict[str, _Ready] = {}
        self._locks: dict[str, threading.RLock] = {}
        self._guard = threading.Lock()
        self._busy: set[str] = set()
        self._failed: set[str] = set()
        self._work: Path | None = None
        self._closed = threading.Event()

    @property
    def root(self) -> Path:
        return self._out

    def close(self) -> None:
        """Removes the sound that was kept for listening."""
        self._closed.set()
        if self._work is not None:
            drop_work(self._work)

    # --- documents ---

    def _folder(self, case: str) -> WorkFolder:
        return WorkFolder(self._out, case)

    def decisions_path(self, case: str) -> Path:
        return self._folder(case).private_file("decisions.json")

    def _surveys(self, case: str) -> list[tuple[Survey, Path]]:
        out: list[tuple[Survey, Path]] = []
        folder = self._folder(case)
        for number in range(1, 1000):
            tail = "" if number == 1 else f"-{number}"
            path = folder.private_file(f"survey{tail}.json")
            if not path.is_file():
                break
            try:
                survey = Survey.model_validate_json(path.read_bytes())
            except ValueError:
                raise InputError(
                    "A survey of the case cannot be read", "", "run fieldstop survey again"
                ) from None
            out.append((survey, folder.private_file(f"series{tail}.npz")))
        return out

    def _plan(self, case: str) -> Plan | None:
        path = self._folder(case).private_file("plan.json")
        if not path.is_file():
            return None
        try:
            return Plan.model_validate_json(path.read_bytes())
        except ValueError:
            return None  # of an older version: it is planned again

    def _origin(self, case: str) -> tuple[Path, Path | None] | None:
        try:
            data = json.loads(self._folder(case).private_file(ORIGIN).read_bytes())
            path = Path(data["path"])
            narration = Path(data["narration"]) if data.get("narration") else None
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return (path, narration) if path.exists() else None

    def _case_document(self, case: str) -> Case | None:
        from pipeline.stages.intake import read_case

        origin = self._origin(case)
        if origin is None or not origin[0].is_dir():
            return None
        with contextlib.suppress(FieldstopError):
            pattern = self.options.anonymity.case_pattern
            return read_case(origin[0] / "case.toml", pattern)
        return None

    def list_cases(self) -> Sequence[CaseSummary]:
        out: list[CaseSummary] = []
        private = self._out / "private"
        for path in sorted(private.iterdir()) if private.is_dir() else []:
            if not path.is_dir() or path.name.startswith("."):
                continue
            ended = outcome_in(path)
            if ended is None and not (path / "survey.json").is_file():
                continue
            try:
                self.check_open(path.name)
            except NeedsPerson:
                out.append(CaseSummary(path.name, "", "closed", 0, 0.0))
                continue
            except FieldstopError as error:
                told = f"{error.what}: {error.do}"
                out.append(CaseSummary(path.name, "", "needs a person", 1, 0.0, reason=told))
                continue
            folder = self._folder(path.name)
            made = {"files": case_files(folder), "clips": clips_of(folder)}
            why = "; ".join(w.message for w in ended.withheld) if ended is not None else ""
            if not (path / "survey.json").is_file():
                assert ended is not None
                out.append(
                    CaseSummary(path.name, ended.title, ended.state, len(ended.withheld), 0.0,
                                ended.clip_s, why, **made)  # type: ignore[arg-type]
                )  # fmt: skip
                continue
            try:
                decisions = DecisionFile(path / "decisions.json", path.name).load()
                view = self._view(path.name, decisions, series=False)
            except FieldstopError as error:
                told = f"{error.what}: {error.do}"
                out.append(CaseSummary(path.name, "", "needs a person", 1, 0.0, reason=told))
                continue
            left = sum(f.needs_person for f, _ in lay_over(view, decisions).findings)
            plan = self._plan(path.name)
            if view.state == "withheld" or (view.state == "needs a person" and not left):
                stands = [n.message for n in plan.needs if not n.approvable] if plan else []
                missing = self._consent_missing(path.name, plan, self._case_document(path.name))
                stands += [missing] if missing else []
                why = "; ".join(dict.fromkeys(stands)) or why
                left = left or max(1, len(stands))
            elif view.state not in ("withheld", "planned", "rendered"):
                why = ""
            out.append(
                CaseSummary(
                    path.name, view.title, view.state, left, view.duration_s,
                    plan.duration_s if plan is not None else None, why, **made,  # type: ignore[arg-type]
                )
            )  # fmt: skip
        return with_failed(out, failed_in_batch(self._out))

    def check_open(self, case: str) -> None:
        """See `backend.Backend`. Also asked before anything is made from the recordings."""
        from pipeline.stages.consent import refuse_closed
        from pipeline.store.catalogue import Catalogue

        hashes = [s.recording.sha256 for s, _ in self._surveys(case)]
        with Catalogue(self.catalogue) as catalogue:
            try:
                refuse_closed(self._folder(case), hashes, catalogue)
            except NeedsPerson:
                self._ready.pop(case, None)  # what was made ready to be heard goes too
                raise

    # --- the view ---

    def load_case(self, case: str, decisions: Decisions) -> CaseView:
        view = self._view(case, decisions)
        if case not in self._ready and case not in self._failed and self._origin(case):
            view.waiting = True
            self._background(f"open {case}", lambda: self._open(case))
        elif f"sound {case}" in self._busy:
            view.waiting = True
        elif self.proxies and any(s.proxy is None or s.coarse for s in view.segments):
            view.waiting = f"proxy {case}" in self._busy
        return view

    def _open(self, case: str) -> None:
        """Makes a case ready behind the page that already shows it."""
        try:
            ready = self._prepare(case)
            with self._lock(case):
                plan = self._plan(case)
                known = [s.survey.recording.sha256 for s in ready.run.surveyed]
                fits = plan is not None and [s.sha256 for s in plan.sources] == known
                if ready.run.plan is None and fits:
                    decisions = DecisionFile(self.decisions_path(case), case).load()
                    ready.run.decisions = effective(decisions)
                    ready.seen = version(decisions) if self._seen_on_disk(case) else -1
                    ready.run.plan = plan
            self._start_proxies(case, ready)
            self._warm(case)
        except FieldstopError:
            self._failed.add(case)  # told when a person asks for something that needs it

    def _seen_on_disk(self, case: str) -> bool:
        """True if plan.json was written after the last decision."""
        plan = self._folder(case).private_file("plan.json")
        decisions = self.decisions_path(case)
        if not plan.is_file():
            return False
        if not decisions.is_file():
            return True
        return plan.stat().st_mtime_ns >= decisions.stat().st_mtime_ns

    def _view(self, case: str, decisions: Decisions, series: bool = True) -> CaseView:
        surveys = self._surveys(case)
        if not surveys:
            raise InputError("The case has no survey", "", "run fieldstop survey on it first")
        ready = self._ready.get(case)
        plan = ready.run.plan if ready is not None and ready.run.plan else self._plan(case)
        if plan is not None and [s.sha256 for s in plan.sources] != [
            s.recording.sha256 for s, _ in surveys
        ]:
            plan = None
        document = ready.case if ready is not None else self._case_document(case)
        kept = ready.kept if ready is not None else _kept(document, plan, surveys)
        names = _names(document, plan, len(surveys))
        segments = [
            Segment(
                name=names[k.source],
                sha256=surveys[k.source][0].recording.sha256,
                start_s=k.case_start_s,
                length_s=k.stop_s - k.start_s,
                source_start_s=k.start_s,
                width_px=surveys[k.source][0].recording.width_px,
                height_px=surveys[k.source][0].recording.height_px,
                frame_rate_hz=surveys[k.source][0].recording.frame_rate_hz or 25.0,
                fields=plan.sources[k.source].fields if plan else surveys[k.source][0].field,
                proxy=(copy := self._proxy(case, surveys[k.source][0].recording.sha256)),
                coarse=copy is not None and not copy.stem.endswith("-full"),
            )
            for k in kept
        ]
        duration_s = segments[-1].start_s + segments[-1].length_s
        findings = _findings(surveys, plan, kept, names)
        warnings = list(plan.warnings) if plan else ["This case was measured, not planned yet"]
        if self._origin(case) is None:
            warnings.append("Where the recordings of this case lie is not known here any more")
        warnings += [n.message for n in (plan.needs if plan else []) if not n.approvable]
        from pipeline.settings import settings_sha256
        from pipeline.stages.measure import survey_sha256

        missing = self._consent_missing(case, plan, document)
        warnings += [missing] if missing else []
        view = CaseView(
            case=case,
            title=plan.title if plan else (document.title if document else ""),
            profile=plan.profile if plan else self.options.output.profile,
            state="planned",
            duration_s=duration_s,
            segments=segments,
            findings=findings,
            series=_series(surveys, kept) if series else {},
            sound=_sound(ready, plan, surveys, kept, duration_s) if series else SoundReport(),
            sound_settings={
                name: float(getattr(self.options.sound, name)) for name in _sound_names()
            },
            mark=_mark(plan, ready, self.options),
            chapters=[(_to_case(plan, c.start_s), c.title) for c in plan.chapters] if plan else [],
            checklist=_checklist(ready) if series else (),
            sources=[s.recording.sha256 for s, _ in surveys],
            surveys=[survey_sha256(s) for s, _ in surveys],
            settings_sha256=settings_sha256(self.options),
            plan_sha256=plan_sha256(plan) if plan else "",
            narration_sha256=self._narration_sha256(case, ready, document),
            decided=ready.seen
            if ready is not None and ready.run.plan is not None
            else version(decisions)
            if plan is not None and self._seen_on_disk(case)
            else -1,
            report=self._report(case),
            files=case_files(self._folder(case)) if series else (),
            canvas=(plan.width_px, plan.height_px) if plan else None,
            event_loss=self.options.lens.event_loss,
            warnings=list(dict.fromkeys(warnings)),
            cautions=CAUTIONS,
            texts=self._texts(case, ready, plan) if series else (),
        )
        view.state = self._state(case, view, plan, decisions, bool(missing))
        return view

    def _texts(self, case: str, ready: _Ready | None, plan: Plan | None) -> list[ShownText]:
        """Texts of the plan that a person has to read; none before the case is made ready."""
        from pipeline.stages.texts import shown_texts, texts_of_plan
        from pipeline.store.texts import ConfirmedTexts

        if ready is None or plan is None:
            return []
        narration = ready.run.narration if plan.captions else None
        captions = [text for _, _, text in narration.captions] if narration else []
        leaving = texts_of_plan(plan, self.options, captions)
        return shown_texts(leaving, ConfirmedTexts(self._folder(case)))

    def confirm_texts(self, case: str, view: CaseView, by: str) -> None:
        from pipeline.store.texts import ConfirmedTexts

        found = [t.judged for t in view.texts if t.by is None and not t.judged.unseen]
        ConfirmedTexts(self._folder(case)).confirm([(j.where, j.text) for j in found], by)

    def _narration_sha256(self, case: str, ready: _Ready | None, document: Case | None) -> str:
        """Hash of the narration's content; empty where there is none of its own."""
        from pipeline.stages.intake import remembered_sha256

        if ready is not None:
            return str(ready.run.opened.narration_sha256)
        path, given = self._origin(case) or (None, None)
        if given is None and path is not None and document is not None:
            named = document.narration.file if document.narration is not None else None
            given = path / named if named else None
        return remembered_sha256(given) if given is not None and given.is_file() else ""

    def _consent_missing(self, case: str, plan: Plan | None, document: Case | None) -> str:
        """Why consent does not cover the plan's audience; empty if it does."""
        import datetime

        from pipeline.store.catalogue import Catalogue

        if plan is None:
            return ""
        with Catalogue(self.catalogue) as catalogue:
            known = catalogue.consent_for(
                [s.sha256 for s in plan.sources], case, document.consent if document else None
            )
        today = datetime.date.today()
        covered = known.covers(plan.audience, today)
        return "" if covered else known.refusal(plan.audience, today)

    def _state(
        self, case: str, view: CaseView, plan: Plan | None, decisions: Decisions, missing: bool
    ) -> CaseState:
        if not missing and self._is_ready(case, decisions):
            return "ready"
        if has_release(self._folder(case)):
            return "released"
        if any(f.needs_person for f, _ in lay_over(view, decisions).findings):
            return "needs a person"
        if plan is not None and (missing or any(not n.approvable for n in plan.needs)):
            return "withheld"
        if plan is not None and self._folder(case).draft_file(plan.profile).is_file():
            return "rendered"
        return "planned"

    def _is_ready(self, case: str, decisions: Decisions) -> bool:
        """True if a clip is ready that no decision and no setting has overtaken since."""
        from pipeline.stages.inputs import settled_by
        from pipeline.stages.ready import read_ready, ready_document

        document = ready_document(self._folder(case), f"{case}-{self.options.output.profile}")
        if not document.is_file():
            return False
        try:
            made_from = read_ready(document).made_from
        except InputError:
            return False
        now = settled_by(self.options, decisions)
        return all(made_from.get(part) == value for part, value in now.items())

    def _report(self, case: str) -> Path | None:
        path = self._folder(case).private_file("report.html")
        return path if path.is_file() else None

    # --- made ready with the recordings ---

    def _lock(self, case: str) -> threading.RLock:
        with self._guard:
            return self._locks.setdefault(case, threading.RLock())

    def _prepare(self, case: str) -> _Ready:
        """Opens the recordings, takes surveys from the cache, measures the narration."""
        from pipeline.media.glyphs import load_glyph
        from pipeline.stages.intake import open_case
        from pipeline.stages.likeness import seen_before
        from pipeline.stages.make import CaseRun
        from pipeline.stages.measure import source_inputs, survey_sources
        from pipeline.stages.narration import measure_narration
        from pipeline.stages.survey import no_progress
        from pipeline.store.catalogue import Catalogue
        from pipeline.store.names import Names, earlier_names

        self.check_open(case)
        with self._lock(case):
            held = self._ready.get(case)
            if held is not None:
                return held
            origin = self._origin(case)
            if origin is None:
                raise InputError(
                    "Where the recordings of this case lie is not known here",
                    "",
                    "run fieldstop make or survey on the case again, with the same --out",
                )
            opened = open_case(
                origin[0], narration=origin[1], out=self._out,
                case_pattern=self.options.anonymity.case_pattern,
                names=Names(self._out, earlier_names(self.catalogue)),
            )  # fmt: skip
            if opened.case.case != case:
                raise InputError(
                    "Another recording lies where that of this case lay",
                    "",
                    "put it back, or run fieldstop make on the one that lies there now",
                )
            work = self._scratch(case)
            run = CaseRun(
                opened, self.options, self._folder(case), work, glyph=load_glyph(self.options.mark)
            )
            run.surveyed = survey_sources(opened, self.options, work, no_progress)
            hashes = [s.sha256 for s in opened.sources]
            with Catalogue(self.catalogue) as known:
                run.consent = known.consent_for(hashes, opened.case.case, opened.case.consent)
                revision = known.next_revision(case, self.options.output.profile)
                run.seen_before = seen_before(
                    opened, run.surveyed, known, self.options.output.audience
                )
            heard = measure_narration(
                opened, run.surveyed, self.options.sound.speech_threshold, work, no_progress
            )
            if heard is not None:
                run.narration, run.voice = heard.measured, heard.media
            voice = opened.case.consent.model_copy(update={"voice": run.consent.voice})
            document = opened.case.model_copy(update={"consent": voice})
            kept = keep_parts(document, source_inputs(opened, run.surveyed))
            made = _Ready(run, document, kept, revision)
            self._ready[case] = made
            return made

    def _scratch(self, case: str) -> Path:
        """A private folder for sound; gone with the server, or swept by the next run."""
        if self._work is None:
            self._work = new_work(self._folder(case).private_dir)
        path = self._work / case
        path.mkdir(exist_ok=True)
        return path

    def _planned(self, ready: _Ready, decisions: Sequence[Decision]) -> Plan:
        from pipeline.stages.measure import source_inputs
        from pipeline.stages.planning.given import GlyphInput
        from pipeline.stages.planning.plan import make_plan

        run = ready.run
        plan = make_plan(
            ready.case,
            source_inputs(run.opened, run.surveyed),
            run.narration,
            self.options,
            glyph=GlyphInput(run.glyph.coverage, run.glyph.x_height_ratio),
            revision=ready.revision,
            decisions=list(decisions),
        )
        return plan.model_copy(update={"needs": [*plan.needs, *run.seen_before]})

    def plan_again(self, case: str, decisions: Decisions) -> CaseView:
        with self._lock(case):
            ready = self._prepare(case)
            run = ready.run
            run.decisions = effective(decisions)
            run.plan = self._planned(ready, run.decisions)
            ready.seen = version(decisions)
            run.folder.atomic_write(run.folder.private_file("plan.json"), run.plan.to_json())
            self._start_proxies(case, ready)
            self._warm(case)
            return self._view(case, decisions)

    def crop_loss(
        self, case: str, positions: Sequence[Mapping[str, float]], time_s: float | None = None
    ) -> dict[str, Any]:
        from pipeline.analysis.mark.painter import evaluate, two_tone
        from pipeline.stages.planning.picture import moved_field

        ready = self._prepare(case)
        plan, glyph = ready.run.plan, ready.run.glyph
        if plan is None or plan.mark is None:
            return {"crop_loss": None, "visibility": None}
        tones = two_tone(glyph.coverage)
        grown = tones.shape[-1] / glyph.coverage.shape[-1]
        ratio = glyph.x_height_ratio
        fields = [moved_field(f, p.moved) for p in plan.sources for f in p.fields]
        found = evaluate(
            [_position(p) for p in positions],
            [f for f in fields if f.shape != "none"] or fields,
            None,
            tones.shape[-1] / tones.shape[-2],
            self.options.mark,
            [],
            height_px=plan.height_px,
            x_height_ratio=None if ratio is None else ratio / grown,
            coverage=tones.max(axis=0),
        )
        shown = self._composed(ready, plan, time_s, positions) if time_s is not None else None
        seen = plan.mark.target if shown is None else shown.visibility
        return {
            "crop_loss": round(found.crop_loss, 4),
            "visibility": None if seen is None else round(seen, 2),
        }

    def finished_frame(
        self, case: str, time_s: float, positions: Sequence[Mapping[str, float]] | None
    ) -> bytes | None:
        from pipeline.media.read import jpeg

        ready = self._prepare(case)
        plan = ready.run.plan
        shown = None if plan is None else self._composed(ready, plan, time_s, positions)
        return None if shown is None else jpeg(shown.frame, 540, plan.matrix)

    def _composed(
        self,
        ready: _Ready,
        plan: Plan,
        time_s: float,
        positions: Sequence[Mapping[str, float]] | None,
    ) -> Any:
        """The finished picture at a case time (`render.Shown`), with the mark where it is asked."""
        from pipeline.stages.render import compose

        piece = next(
            (p for p in plan.pieces if p.case_start_s <= time_s < p.case_start_s + p.length_s),
            None,
        )
        kept = next(k for k in reversed(ready.kept) if k.case_start_s <= time_s + 1e-6)
        at = kept.start_s + time_s - kept.case_start_s
        rate = max(plan.sources[kept.source].frame_rate_hz, 1.0)
        one = Piece(
            kind="black" if piece is None else "play" if piece.kind == "play" else piece.kind,
            source=kept.source if piece is None else piece.source,
            start_s=round_s(max(0.0, at - 0.6 / rate))
            if piece is None or piece.kind == "play"
            else piece.start_s,
            length_s=4 / rate,
            case_start_s=time_s,
            out_start_s=0.0,
        )
        mark = plan.mark
        if mark is not None and positions:
            chosen = mark.chosen.model_copy(update={"positions": [_position(p) for p in positions]})
            mark = mark.model_copy(update={"chosen": chosen})
        small = plan.model_copy(update={"pieces": [one], "mark": mark})
        made = compose(small, ready.run.media, ready.run.glyph.coverage, self.options)
        return next(iter(made), None)

    # --- sound ---

    def _warm(self, case: str) -> None:
        """Makes the sound ready in the background, so that the first listen is quick."""

        def go() -> None:
            with contextlib.suppress(FieldstopError, OSError):
                ready, plan = self._prepare(case), None
                while plan is not ready.run.plan:  # planned anew meanwhile: that one, then
                    plan = ready.run.plan
                    sound = self._stems(case, ready, plan, True)
                    if plan is not ready.run.plan:
                        continue
                    key = _sound_key(plan, plan.redactions)
                    if key not in ready.levels:
                        heard = heard_levels(sound.narration, sound.procedure, plan.sound_channels)
                        ready.levels = {} if heard is None else {key: heard}
                    if plan.mix is not None:
                        self._final_gain(case, ready, plan, sound, wait=True)
                    if plan is ready.run.plan:
                        self._stems(case, ready, plan, False)

        self._background(f"sound {case}", go)

    def _stems(self, case: str, ready: _Ready, plan: Plan, replaced: bool) -> _Sound:
        """The sound on the clip's axis; made anew when what it hangs on changed.

        Whoever reads it holds on to it: another plan's sound may take its place meanwhile.
        """
        from pipeline.stages.render import render_sound

        spoken = [r for r in plan.redactions if r.what == "speech"] if replaced else []
        key = _sound_key(plan, spoken)
        with self._lock(f"sound {case}"):
            slot = "replaced" if replaced else "untreated"
            held = ready.stems.get(slot)
            if held is not None and held[0] == key:
                sound: _Sound = held[1]
                return sound
            work = Path(tempfile.mkdtemp(prefix=f"{slot}-", dir=self._scratch(case)))
            try:
                shown = plan.model_copy(update={"redactions": spoken, "mix": None})
                made = render_sound(shown, ready.run.media, ready.run.voice, self.options, work)
            except BaseException:
                shutil.rmtree(work, ignore_errors=True)
                raise
            sound = _Sound(work, made.procedure, made.narration)
            ready.stems[slot] = (key, sound)
            return sound

    def preview_sound(
        self, case: str, start_s: float, stop_s: float, settings: Mapping[str, float], mixed: bool
    ) -> bytes:
        from pipeline.stages.render import RATE_HZ

        ready = self._prepare(case)
        plan = self._with_settings(ready, settings) if mixed else ready.run.plan
        if plan is None:
            raise UsageError("The case is not planned yet", "", "wait a moment, then listen")
        sound = self._stems(case, ready, plan, mixed)
        total = round((stop_s - start_s) * RATE_HZ)
        out = np.zeros((2, total), np.float32)
        for piece in plan.pieces:
            a = max(start_s, piece.case_start_s)
            b = min(stop_s, piece.case_start_s + piece.length_s)
            if b <= a:
                continue
            first = round((piece.out_start_s + a - piece.case_start_s) * RATE_HZ)
            count = min(round((b - a) * RATE_HZ), total)
            if mixed and plan.mix is not None:
                gain_db = self._final_gain(case, ready, plan, sound)
                made = self._finished_sound(plan, sound, gain_db, first, count)
            else:
                made = np.zeros((2, count), np.float32)
                both = (sound.procedure, sound.narration)
                for part in (s.read(first, count) for s in both if s is not None):
                    made += part if part.shape[0] == 2 else np.repeat(part, 2, axis=0)
                made = np.clip(made, -1, 1)
            at = round((a - start_s) * RATE_HZ)
            size = min(made.shape[1], total - at)
            out[:, at : at + size] = made[:, :size]
        return _wav(out)

    def _finished_sound(
        self, plan: Plan, sound: _Sound, gain_db: float, first: int, count: int
    ) -> NDArray[np.float32]:
        """Samples [first, first + count) of the clip as the render makes them, (2, count).

        Mixed and limited from a second before on, so that the limiter is where it would be.
        """
        from pipeline.analysis.sound.limiter import AAC_MARGIN_DB, limit
        from pipeline.analysis.sound.mix import render_mix
        from pipeline.stages.render import RATE_HZ

        assert plan.mix is not None
        lead = min(first, RATE_HZ)
        total = lead + count + RATE_HZ // 10
        shift = (first - lead) / RATE_HZ
        mix = plan.mix.model_copy(
            update={
                "duration_s": total / RATE_HZ,
                "background_gain": [(t - shift, g) for t, g in plan.mix.background_gain],
                "narration_gain": [(t - shift, g) for t, g in plan.mix.narration_gain],
            }
        )
        behind, front = (
            [s.read(first - lead, total)] if s is not None else None
            for s in (sound.procedure, sound.narration)
        )
        ceiling = self.options.output.true_peak_dbtp - AAC_MARGIN_DB
        mixed = render_mix(behind, front, mix, plan.sound_channels)
        made = np.concatenate(list(limit(mixed, gain_db, ceiling)), axis=1)
        made = made[:, lead : lead + count]
        return made if made.shape[0] == 2 else np.repeat(made, 2, axis=0)

    def _final_gain(
        self, case: str, ready: _Ready, plan: Plan, sound: _Sound, wait: bool = False
    ) -> float:
        """Static gain in dB that brings this mix to the profile's loudness, as the render finds it.

        Found once for each mix, in the background; until then (and without `wait`) what the
        plan expects of it stands in.
        """
        from pipeline.analysis.sound.limiter import fit_gain
        from pipeline.analysis.sound.mix import aim, render_mix

        assert plan.mix is not None
        mix, wanted = plan.mix, self.options.output
        key = _sha256(mix.model_dump_json() + json.dumps([p.model_dump() for p in plan.pieces]))
        known: dict[str, float] = ready.gains
        if key in known:
            return known[key]

        def find() -> None:
            def mixed() -> Iterator[NDArray[np.float32]]:
                return render_mix(
                    sound.procedure.blocks() if sound.procedure is not None else None,
                    sound.narration.blocks() if sound.narration is not None else None,
                    mix,
                    channels=plan.sound_channels,
                )

            channels = plan.sound_channels
            wanted_lufs, most_db = aim(mix, mixed, channels)
            fit = fit_gain(
                mixed, channels, wanted_lufs, wanted.true_peak_dbtp, most_passes=6,
                limits_db=(-60.0, most_db),
            )  # fmt: skip
            known[key] = fit.gain_db

        if wait:
            find()
            return known[key]
        self._background(f"gain {case} {key}", find)
        expected = mix.expected.integrated_lufs
        return 0.0 if expected is None else wanted.loudness_lufs - expected

    def _with_settings(self, ready: _Ready, settings: Mapping[str, float]) -> Plan | None:
        """The plan as it would be with these settings of the sound."""
        plan: Plan | None = ready.run.plan
        own = {k: float(getattr(self.options.sound, k)) for k in _sound_names()}
        for decision in ready.run.decisions:
            if decision.verb == "mix":
                own.update(decision.value)
        if plan is None or all(own.get(k) == v for k, v in settings.items()):
            return plan
        key = ("mix", json.dumps(sorted(settings.items())), plan_sha256(plan))
        held = ready.stems.get("mix")
        if held is None or held[0] != key:
            held = (key, plan.model_copy(update={"mix": self._mixed_with(ready, plan, settings)}))
            ready.stems["mix"] = held
        made: Plan = held[1]
        return made

    def _mixed_with(self, ready: _Ready, plan: Plan, settings: Mapping[str, float]) -> Any:
        """The mix alone planned anew: the rest of the plan does not hang on these settings."""
        from pipeline.model.time import Span
        from pipeline.stages.measure import source_inputs
        from pipeline.stages.planning.levels import mix_of

        sound = self.options.sound.model_copy(update=dict(settings))
        return mix_of(
            source_inputs(ready.run.opened, ready.run.surveyed),
            plan.pieces,
            ready.run.narration,
            [Span(a, b) for a, b in plan.narration],
            plan.duration_s,
            sound,
            self.options,
            plan.redactions,
            plan.sound_channels,
            plan.live,
            [],
        )

    # --- proxies ---

    def _proxy(self, case: str, sha256: str) -> Path | None:
        """The copy with every picture; until that is made, the survey's coarse one."""
        for full in (True, False):
            path = self._folder(case).private_file(proxy_name(sha256, full=full))
            if path.is_file():
                return path
        return None

    def _full(self, case: str, sha256: str) -> Path:
        return self._folder(case).private_file(proxy_name(sha256, full=True))

    def _start_proxies(self, case: str, ready: _Ready) -> None:
        if not self.proxies:
            return

        def go() -> None:
            for number in range(len(ready.run.surveyed)):
                sha256 = ready.run.surveyed[number].survey.recording.sha256
                if not self._full(case, sha256).is_file() and not self._closed.is_set():
                    with contextlib.suppress(FieldstopError, OSError):
                        self._make_proxy(case, ready, number)

        self._background(f"proxy {case}", go)

    def _make_proxy(self, case: str, ready: _Ready, number: int) -> None:
        """A small copy with every picture, blanked and redacted like a release."""
        from pipeline.media.read import read_pictures

        surveyed, media = ready.run.surveyed[number], ready.run.media[number]
        recording, plan = media.recording, ready.run.plan
        redactions = [r for r in plan.redactions if r.source == number] if plan else []

        def pictures() -> Iterator[tuple[float, Any]]:
            for picture in read_pictures(media.path, recording, threads=1):
                if self._closed.is_set():
                    raise InputError("Stopped", "", "")
                yield picture.time_s, picture.frame

        target = self._full(case, surveyed.survey.recording.sha256)
        with self._folder(case).atomic_path(target) as temp:
            write_proxy(
                temp, pictures(), recording, surveyed.survey, media.still, self.options, redactions
            )

    def _background(self, name: str, go: Callable[[], None]) -> None:
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

    # --- render ---

    def render(
        self, case: str, decisions: Decisions, progress: Progress, cancelled: Callable[[], bool]
    ) -> RenderResult:
        from pipeline.review.proof import proof_page
        from pipeline.stages.make import run_case

        origin = self._origin(case)
        if origin is None:
            raise InputError(
                "Where the recordings of this case lie is not known here",
                "",
                "run fieldstop make on the case again, with the same --out",
            )
        current = DecisionFile(self.decisions_path(case), case).load()
        if version(current) != version(decisions):
            raise UsageError(
                "Decisions were added while the render was waiting", "", "render again"
            )
        at_once = self._release_kept(case, decisions)
        if at_once is not None:
            return at_once
        # Whether a sign-off holds is decided by the run, on what it finds itself.
        def told(stage: str, done: float, whole: float) -> None:
            if cancelled():
                raise _Stopped("The render was cancelled", "", "")
            first, last = _SHARES.get(stage, (0.0, 1.0))
            progress(first + (last - first) * (done / whole if whole else 1.0), stage)

        run = run_case(
            origin[0],
            self._out,
            self.options,
            narration=origin[1],
            catalogue=self.catalogue,
            report=self.report,
            proof=proof_page,
            progress=told,
        )
        keep_outcome(run)
        if run.released is not None:
            return RenderResult("released", f"Released as {run.released.path.stem}.", run.checks)
        if run.ready is not None:
            return RenderResult("ready", "It is ready: look at it, then sign it off.", run.checks)
        why = "; ".join(w.message for w in run.withheld[:4])
        kept = " A draft was kept." if run.draft else ""
        return RenderResult("withheld", f"No release: {why}.{kept}", run.checks)


    def _release_kept(self, case: str, decisions: Decisions) -> RenderResult | None:
        """Releases what is ready if the sign-off was given for it; None: it must be rendered."""
        from pipeline.review.standing import tell_released
        from pipeline.stages.leave import release_kept
        from pipeline.stages.ready import read_ready, ready_document, signed
        from pipeline.store.catalogue import Catalogue

        folder = self._folder(case)
        document = ready_document(folder, f"{case}-{self.options.output.profile}")
        if not document.is_file():
            return None
        with contextlib.suppress(InputError):
            if not signed(read_ready(document), decisions):
                return None
            with Catalogue(self.catalogue) as catalogue:
                left = release_kept(document, self._out, self.options, catalogue, None)
            if left.released is None:
                return None  # overtaken: the run says why, or makes it anew
            clip = left.clip
            tell_released(folder, clip, left.looked, left.released.revision, outside=False)
            return RenderResult(
                "released", f"Released as {left.released.path.stem}, as it was looked at.",
                clip.checks,
            )  # fmt: skip
        return None


_SHARES = {
    "survey": (0.0, 0.3), "narration": (0.3, 0.35), "render": (0.35, 0.75),
    "mix": (0.75, 0.85), "verify": (0.85, 1.0),
}  # fmt: skip


# --- pieces of the view -----------------------------------------------------------------


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _sound_names() -> tuple[str, ...]:
    from pipeline.review.decisions import MIX_SETTINGS

    return MIX_SETTINGS


def _position(place: Mapping[str, float]) -> MarkPosition:
    return MarkPosition(
        x=place["x"],
        y=place["y"],
        angle_deg=place.get("angle_deg", 0.0),
        width_ratio=place["width_ratio"],
    )


def _kept(
    document: Case | None, plan: Plan | None, surveys: Sequence[tuple[Survey, Path]]
) -> list[Kept]:
    """Kept parts on the case's axis, from the documents alone."""
    indices = [s.recording for s in plan.sources] if plan else list(range(len(surveys)))
    stills = [s.still for s in plan.sources] if plan else [False] * len(surveys)
    if document is None or len(document.recording) <= max(indices):
        document = Case(
            case="x", recording=[CaseRecording(files=["x"]) for _ in range(max(indices) + 1)]
        )
    inputs = [
        SourceInput(index, still, None, survey, {})  # type: ignore[arg-type]
        for index, still, (survey, _) in zip(indices, stills, surveys, strict=True)
    ]
    return keep_parts(document, inputs)


def _names(document: Case | None, plan: Plan | None, count: int) -> list[str]:
    indices = [s.recording for s in plan.sources] if plan else list(range(count))
    out = []
    for number, index in enumerate(indices):
        name = f"recording {index + 1}"
        title = ""
        if document is not None and index < len(document.recording):
            title = chapter_title(document, index)
        parts = [n for n, i in enumerate(indices) if i == index]
        name += f", {title}" if title else ""
        name += f", part {parts.index(number) + 1}" if len(parts) > 1 else ""
        out.append(name)
    return out


def _spans_in_case(
    kept: Sequence[Kept], source: int, start_s: float, stop_s: float
) -> list[tuple[float, float, float, float]]:
    """(case start, case stop, source start, source stop) of what the case shows of a span."""
    out = []
    for k in kept:
        a, b = max(start_s, k.start_s), min(stop_s, k.stop_s)
        if k.source == source and b > a:
            shift = k.case_start_s - k.start_s
            out.append((round_s(a + shift), round_s(b + shift), a, b))
    return out


def _findings(
    surveys: Sequence[tuple[Survey, Path]],
    plan: Plan | None,
    kept: Sequence[Kept],
    names: Sequence[str],
) -> list[CaseFinding]:
    from pipeline.review.collect import one_surround

    out: list[CaseFinding] = []

    def add(tag: str, source: int, kind: str, start_s: float, stop_s: float, **more: Any) -> None:
        sha256 = surveys[source][0].recording.sha256
        for part, (a, b, first, last) in enumerate(_spans_in_case(kept, source, start_s, stop_s)):
            out.append(
                CaseFinding(
                    id=f"{tag}{'' if part == 0 else f'-{part}'}",
                    kind=kind,
                    where=names[source],
                    start_s=a,
                    stop_s=b,
                    anchor=Anchor(sha256=sha256, start_s=first, stop_s=last, kind=kind),
                    **more,
                )
            )

    for source, (survey, _) in enumerate(surveys):
        for n, event in enumerate(survey.events):
            outside = event.kind == "out_of_body"
            known = event.peak_loss is not None
            if event.kind == "damage":
                continue  # below, with its sign
            add(
                f"e{source}-{n}", source, event.kind, event.start_s, event.stop_s,
                bad=f"{event.peak_loss:.2f} lost" if known else "loss unknown",
                level=event.peak_loss,
                action=_action(plan, source, event) or ("cut" if outside else "keep"),
                actions=OUTSIDE_ACTIONS if outside else EVENT_ACTIONS,
            )  # fmt: skip
        for n, damage in enumerate(survey.damage):
            seen = damage.what == "picture"
            planned = Event(
                kind="damage", start_s=damage.start_s, stop_s=damage.stop_s, confidence=1.0
            )
            add(
                f"d{source}-{n}", source, "damage", damage.start_s, damage.stop_s,
                bad=f"{damage.what}: {damage.sign}", level=None,
                action=(_action(plan, source, planned) or "black") if seen else "replace",
                actions=DAMAGE_ACTIONS if seen else (), rejectable=seen,
            )  # fmt: skip
        for n, letters in enumerate(one_surround(survey).lettering):
            inside = letters.where == "field"
            add(
                f"l{source}-{n}", source, "lettering", letters.start_s, letters.stop_s,
                bad="inside the field" if inside else "outside the field", level=None,
                action="blank", actions=(), rejectable=inside,
                box_px=letters.box_px if inside else None,
            )  # fmt: skip
        for n, face in enumerate(survey.faces):
            add(
                f"f{source}-{n}", source, "face", face.start_s, face.stop_s,
                bad="a face, perhaps", level=None, action="blank", actions=(),
                box_px=face.box_px,
            )  # fmt: skip
        heard = survey.speech
        why = heard.undecided_why or ["no answer"] * len(heard.undecided)
        for tag, kind, pairs, bads in (
            ("s", "speech", heard.procedure, ["speech in the room"] * len(heard.procedure)),
            ("u", "undecided", heard.undecided, [NOT_TOLD[w] for w in why]),
        ):
            for n, ((a, b), bad) in enumerate(zip(pairs, bads, strict=True)):
                add(
                    f"{tag}{source}-{n}", source, kind, a, b, bad=bad, level=None,
                    action="replace", actions=("replace",),
                )  # fmt: skip
    for n, need in enumerate(plan.needs if plan else []):
        if not need.approvable:
            continue
        source = need.source or 0
        length_s = surveys[source][0].recording.duration_s
        start_s = min(need.start_s or 0.0, max(0.0, length_s - 1.0))
        add(
            f"n{n}", source, need.code, start_s, max(start_s + 0.5, length_s),
            bad=need.message, level=None, action="look at it", actions=(), rejectable=False,
            needs_person=True,
        )  # fmt: skip
    return out


def _action(plan: Plan | None, source: int, event: Event) -> str | None:
    """What the plan does about an event; its span may be padded or changed."""
    best, most = None, 0.0
    for edit in plan.edits if plan else []:
        overlap = min(edit.stop_s, event.stop_s) - max(edit.start_s, event.start_s)
        if edit.source == source and edit.kind == event.kind and overlap > most:
            best, most = edit.action, overlap
    return best


def _series(
    surveys: Sequence[tuple[Survey, Path]], kept: Sequence[Kept]
) -> dict[str, NDArray[Any]]:
    from pipeline.stages.survey import load_series

    names = ("contrast_loss", "contrast_loss_low", "contrast_loss_high", "smudge", "blur")
    parts: dict[str, list[NDArray[Any]]] = {name: [] for name in ("time_s", *names)}
    held: dict[int, dict[str, NDArray[Any]]] = {}
    for k in kept:
        if k.source not in held:
            try:
                held[k.source] = load_series(surveys[k.source][1])
            except (OSError, ValueError, KeyError):
                held[k.source] = {}
        series = held[k.source]
        if "time_s" not in series or "contrast_loss" not in series:
            continue
        time_s = np.asarray(series["time_s"], np.float64)
        inside = (time_s >= k.start_s) & (time_s < k.stop_s)
        parts["time_s"].append(time_s[inside] - k.start_s + k.case_start_s)
        for name in names:
            value = series.get(name)
            known = value is not None and np.shape(value) == time_s.shape
            parts[name].append(
                np.asarray(value)[inside] if known else np.full(int(inside.sum()), np.nan)
            )
    if not parts["time_s"]:
        return {}
    return {name: np.concatenate(value) for name, value in parts.items() if value}


def _to_case(plan: Plan, out_s: float) -> float:
    for piece in reversed(plan.pieces):
        if piece.out_start_s <= out_s + 1e-6:
            return round_s(piece.case_start_s + out_s - piece.out_start_s)
    return out_s


def _case_spans(plan: Plan, spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans of the finished clip on the case's axis."""
    out = []
    for start, stop in spans:
        for p in plan.pieces:
            a, b = max(start, p.out_start_s), min(stop, p.out_start_s + p.length_s)
            if b > a:
                shift = p.case_start_s - p.out_start_s
                out.append((a + shift, b + shift))
    return out


def _sound(
    ready: _Ready | None,
    plan: Plan | None,
    surveys: Sequence[tuple[Survey, Path]],
    kept: Sequence[Kept],
    duration_s: float,
) -> SoundReport:
    """What the mix is expected to be, from the measured levels and the planned gains."""
    from pipeline.analysis.sound.mix import gain_at

    report = SoundReport()
    if plan is None:
        return report
    report["narration_speech"] = _case_spans(plan, plan.narration)
    report["procedure_speech"] = [
        (a, b)
        for r in plan.redactions
        if r.what == "speech"
        for a, b, _, _ in _spans_in_case(kept, r.source, r.start_s, r.stop_s)
    ]
    if plan.mix is None:
        return report
    report["depth_lu"] = plan.mix.depth_lu
    time_s: NDArray[np.float64] = np.arange(max(1, int(duration_s * 10)), dtype=np.float64) * 0.1
    out_s = np.full(time_s.shape, np.nan)
    for p in plan.pieces:
        on = (time_s >= p.case_start_s) & (time_s < p.case_start_s + p.length_s)
        out_s[on] = time_s[on] - p.case_start_s + p.out_start_s
    shown = np.isfinite(out_s)
    gain = np.where(shown, gain_at(plan.mix.background_gain, np.nan_to_num(out_s)), np.nan)
    report["time_s"] = time_s
    report["background_gain_db"] = gain
    levels = None if ready is None else _levels(ready, plan)
    if levels is None:
        return report
    depth = depth_of(levels, plan)
    report["difference_lu"] = on_case_axis(depth, plan.pieces, time_s)
    report["difference_share"] = depth.share
    report["difference_heard"] = depth.heard
    return report


def _levels(ready: _Ready, plan: Plan) -> Levels | None:
    """Measured on the sound that is mixed as soon as that is made, expected until then."""
    from pipeline.stages.measure import source_inputs
    from pipeline.stages.planning.levels import levels_of

    held = ready.levels.get(_sound_key(plan, plan.redactions))
    if held is not None or ready.run.narration is None:
        return held
    behind, front = levels_of(
        source_inputs(ready.run.opened, ready.run.surveyed),
        plan.pieces, ready.run.narration, plan.duration_s,
        plan.redactions, plan.sound_channels, plan.live,
    )  # fmt: skip
    return None if front is None else Levels(front.hop_power, behind.hop_power, 0.1, False)


def _sound_key(plan: Plan, redactions: Sequence[Any]) -> str:
    """What the sound before the mix hangs on."""
    spoken = [r.model_dump() for r in redactions if r.what == "speech"]
    return _sha256(json.dumps([[p.model_dump() for p in plan.pieces], spoken]))


def _mark(plan: Plan | None, ready: _Ready | None, options: Options) -> MarkReport:
    if plan is None or plan.mark is None:
        return MarkReport()
    mark = plan.mark
    glyph = ready.run.glyph if ready is not None else None
    aspect = glyph.coverage.shape[-1] / glyph.coverage.shape[-2] if glyph is not None else 6.0
    return MarkReport(
        text=mark.text,
        places=[
            {
                "x": p.x,
                "y": p.y,
                "angle_deg": p.angle_deg,
                "width_ratio": p.width_ratio,
                "height_ratio": p.width_ratio / aspect,
            }
            for p in mark.chosen.positions
        ],
        crop_loss=mark.chosen.crop_loss,
        crop_loss_goal=options.mark.crop_loss_goal,
        visibility={"low": mark.band_low, "high": mark.band_high, "median": mark.target},
    )


def _checklist(ready: _Ready | None) -> Sequence[Any]:
    from pipeline.review.collect import checklist as rows

    return rows(ready.run) if ready is not None and ready.run.plan is not None else ()


def _wav(block: NDArray[np.float32]) -> bytes:
    import soundfile

    buffer = io.BytesIO()
    soundfile.write(buffer, block.T, 48_000, format="WAV", subtype="PCM_16")
    return buffer.getvalue()
