"""A case as the page shows it, from its documents and, once open, its recordings."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import InputError
from pipeline.model.case import Case
from pipeline.model.decisions import Decisions
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.time import round_s
from pipeline.model.timeline import Timeline
from pipeline.review.backend import CaseState, CaseView, Segment
from pipeline.review.case import documents
from pipeline.review.case.copies import copy_path
from pipeline.review.case.documents import KeptSurvey
from pipeline.review.case.drawn import case_mark, case_series, case_sound
from pipeline.review.case.found import case_findings
from pipeline.review.case.parts import axis_of, source_names
from pipeline.review.case.session import Ready, Session
from pipeline.review.cases import case_files
from pipeline.review.clips import has_release
from pipeline.review.decision_values import MIX_SETTINGS
from pipeline.review.decisions import version
from pipeline.review.laid import lay_over
from pipeline.review.pages import CAUTIONS
from pipeline.review.report.checklist import checklist
from pipeline.review.report.data import SoundReport
from pipeline.settings import settings_sha256
from pipeline.stages.inputs import resolved_by
from pipeline.stages.measure import survey_sha256
from pipeline.stages.planning.plan import plan_sha256
from pipeline.stages.ready import read_ready, ready_document
from pipeline.stages.texts import ShownText, shown_texts, texts_of_plan
from pipeline.store.catalogue import Catalogue
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import WorkFolder


def case_view(session: Session, case: str, decisions: Decisions, series: bool = True) -> CaseView:
    """series: False leaves out what only the page of the case draws. Raises InputError."""
    folder, options, ready = session.folder(case), session.options, session.held(case)
    surveys = documents.read_surveys(folder)
    if not surveys:
        raise InputError("The case has no survey", "", "run fieldstop survey on it first")
    sources = [s.recording.sha256 for s, _, _ in surveys]
    plan = ready.run.plan if ready is not None and ready.run.plan else documents.read_plan(folder)
    if plan is not None and [s.sha256 for s in plan.sources] != sources:
        plan = None
    document = ready.run.opened.bound_case if ready is not None else session.document(case)
    axis = axis_of(document, plan, surveys)
    if ready is not None:
        axis = Timeline(ready.axis.kept, axis.pieces)
    names = source_names(document, plan, len(surveys))
    segments = _segments(folder, plan, surveys, axis, names)
    duration_s = segments[-1].start_s + segments[-1].length_s
    missing = consent_missing(session.catalogue, case, plan, document)
    view = CaseView(
        case=case,
        title=plan.title if plan else (document.title if document else ""),
        profile=plan.profile if plan else options.output.profile,
        state="planned",
        duration_s=duration_s,
        segments=segments,
        findings=case_findings(surveys, plan, axis, names),
        series=case_series(surveys, axis) if series else {},
        sound=case_sound(ready, plan, axis, duration_s) if series else SoundReport(),
        sound_settings={name: float(getattr(options.sound, name)) for name in MIX_SETTINGS},
        mark=case_mark(plan, ready, options),
        chapters=[
            (round_s(axis.case_at_clip(c.start_s) or 0.0), c.title)
            for c in (plan.chapters if plan else ())
        ],
        checklist=checklist(ready.run)
        if series and ready is not None and ready.run.plan is not None
        else (),
        sources=sources,
        surveys=[survey_sha256(s, found) for s, _, found in surveys],
        settings_sha256=settings_sha256(options),
        plan_sha256=plan_sha256(plan) if plan else "",
        narration_sha256=str(ready.run.opened.found.narration_sha256)
        if ready is not None
        else documents.narration_sha256(folder, document),
        decided=_decided(folder, ready, plan, decisions),
        report=documents.report_file(folder),
        files=case_files(folder) if series else (),
        canvas=(plan.width_px, plan.height_px) if plan else None,
        event_loss=options.lens.event_loss,
        warnings=_warnings(folder, plan, missing, options.output.profile),
        cautions=CAUTIONS,
        texts=_texts(folder, ready, plan, options) if series else (),
    )
    view.state = _state(folder, options, view, plan, decisions, bool(missing))
    return view


def _segments(
    folder: WorkFolder,
    plan: Plan | None,
    surveys: Sequence[KeptSurvey],
    axis: Timeline,
    names: Sequence[str],
) -> list[Segment]:
    out = []
    for k in axis.kept:
        survey = surveys[k.source].survey
        recording = survey.recording
        copy = copy_path(folder, recording.sha256)
        place = plan.placement(k.source) if plan else None
        out.append(
            Segment(
                name=names[k.source],
                sha256=recording.sha256,
                start_s=k.case_start_s,
                length_s=k.in_case.length_s,
                source_start_s=k.start_s,
                width_px=recording.width_px,
                height_px=recording.height_px,
                frame_rate_hz=recording.frame_rate_hz or 25.0,
                fields=plan.sources[k.source].fields if plan else survey.field,
                proxy=copy,
                coarse=copy is not None and not copy.stem.endswith("-full"),
                placed=(*place.offset_px, *place.picture_px) if place is not None else None,
            )
        )
    return out


def _decided(
    folder: WorkFolder, ready: Ready | None, plan: Plan | None, decisions: Decisions
) -> int:
    """Version of the decisions that the plan has seen; -1 if it is not known."""
    if ready is not None and ready.run.plan is not None:
        return ready.seen
    if plan is not None and documents.plan_has_seen_decisions(folder):
        return version(decisions)
    return -1


def _warnings(folder: WorkFolder, plan: Plan | None, missing: str, profile: str) -> list[str]:
    """profile: that this page makes clips of."""
    out = list(plan.warnings) if plan else ["This case was measured, not planned yet"]
    if plan is not None and plan.profile != profile:
        out.insert(
            0,
            f"What you see was planned for the profile {plan.profile}; this page renders {profile}."
            f" For the other start it with --profile {plan.profile}",
        )
    if documents.read_origin(folder) is None:
        out.append("Where the recordings of this case lie is not known here any more")
    out += [n.message for n in (plan.needs if plan else []) if not n.approvable]
    out += [missing] if missing else []
    return list(dict.fromkeys(out))


def _texts(
    folder: WorkFolder, ready: Ready | None, plan: Plan | None, options: Options
) -> list[ShownText]:
    """Texts of the plan that a person has to read; none before the case is made ready."""
    if ready is None or plan is None:
        return []
    heard = ready.narration.measured if ready.narration and plan.captions else None
    captions = [text for _, _, text in heard.captions] if heard else []
    leaving = texts_of_plan(plan, options, captions)
    return shown_texts(leaving, ConfirmedTexts(folder).known())


def consent_missing(
    catalogue: Path | None, case: str, plan: Plan | None, document: Case | None
) -> str:
    """Why consent does not cover the plan's audience; empty if it does."""
    if plan is None:
        return ""
    with Catalogue(catalogue) as known_here:
        known = known_here.consent_for(
            [s.sha256 for s in plan.sources], case, document.consent if document else None
        )
    today = datetime.date.today()
    covered = known.covers(plan.audience, today)
    return "" if covered else known.why_not(plan.audience, today)


def _state(
    folder: WorkFolder,
    options: Options,
    view: CaseView,
    plan: Plan | None,
    decisions: Decisions,
    missing: bool,
) -> CaseState:
    """missing: consent does not cover the audience."""
    if not missing and _is_ready(folder, options, decisions):
        return "ready"
    if has_release(folder):
        return "released"
    if any(f.needs_person for f, _ in lay_over(view, decisions).findings):
        return "needs a person"
    if plan is not None and (missing or any(not n.approvable for n in plan.needs)):
        return "withheld"
    if plan is not None and folder.draft_file(plan.profile).is_file():
        return "rendered"
    return "planned"


def _is_ready(folder: WorkFolder, options: Options, decisions: Decisions) -> bool:
    """True if a clip is ready that no decision and no setting has overtaken since."""
    document = ready_document(folder, f"{folder.case}-{options.output.profile}")
    if not document.is_file():
        return False
    try:
        made_from = read_ready(document).made_from
    except InputError:
        return False
    now = resolved_by(options, decisions)
    return all(made_from.get(part) == value for part, value in now.items())
