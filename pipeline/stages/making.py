"""Steps 3 and 4: plan, then render what may be made of it."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.media.glyphs import Glyph
from pipeline.model.decisions import Decision, SignOff, sign_off_holds
from pipeline.model.plan import Need, Plan
from pipeline.model.release import Looked
from pipeline.settings import settings_sha256
from pipeline.stages.gate import TEXT, may_be_made
from pipeline.stages.measure import source_inputs, source_media, survey_sha256
from pipeline.stages.narration import Narration, measure_narration
from pipeline.stages.planning.given import GlyphInput
from pipeline.stages.planning.parts import case_axis
from pipeline.stages.planning.plan import make_plan, plan_sha256
from pipeline.stages.progress import Progress
from pipeline.stages.ready import discard_overtaken
from pipeline.stages.release import move
from pipeline.stages.rendering.render import Rendered, render
from pipeline.stages.texts import open_texts, shown_texts, texts_of_plan
from pipeline.stages.values import CaseResult, Ending, Opened, Planned, SurveyedCase, looked_now
from pipeline.store.texts import ConfirmedTexts


def planned_and_rendered(
    opened: Opened, survey: SurveyedCase, revision: int, work: Path, progress: Progress
) -> CaseResult:
    """A clip in `work` that waits to be verified; or it is withheld, then perhaps with a draft.

    Touches no catalogue. Raises InputError, OutputError.
    """
    narration = heard(opened, survey, work, progress)
    plan = plan_for(opened, survey, narration, opened.in_force, revision)
    opened.folder.atomic_write(opened.folder.private_file("plan.json"), plan.to_json())
    confirmed, today = ConfirmedTexts(opened.folder), datetime.date.today()
    planned = judged(opened, survey, narration, plan, confirmed, today)
    result = CaseResult(opened, survey, planned)
    if not planned.withheld:
        made = _rendered(opened, survey, planned.plan, narration, work, progress)
        return replace(result, rendered=made)
    discard_overtaken(opened.folder, opened.name)
    ending = Ending(withheld=planned.withheld)
    if opened.consent.forbidden or any(w.code == TEXT for w in planned.withheld):
        return replace(result, ending=ending)  # a draft would hold the text
    made = _rendered(opened, survey, planned.plan, narration, work, progress, draft=True)
    opened.found.refuse_changed()
    draft = opened.folder.draft_file(opened.profile)
    with opened.folder.atomic_path(draft) as temp:
        move(made.path, temp)
    return replace(result, rendered=made, ending=replace(ending, draft=draft))


def heard(opened: Opened, survey: SurveyedCase, work: Path, progress: Progress) -> Narration | None:
    """The narration prepared; None where there is none, or none is wanted."""
    if not opened.asked.narrated:
        return None
    threshold = opened.options.sound.speech_threshold
    return measure_narration(opened.found, survey.sources, threshold, work, progress)


def plan_for(
    opened: Opened,
    survey: SurveyedCase,
    narration: Narration | None,
    decisions: Sequence[Decision],
    revision: int,
) -> Plan:
    """The plan under these decisions. Nothing is read and nothing written."""
    asked = opened.asked
    plan = make_plan(
        opened.bound_case,
        source_inputs(opened.found, survey.sources),
        narration.measured if narration else None,
        opened.options,
        glyph=glyph_input(opened.glyph),
        revision=revision,
        decisions=decisions,
        cut_to=asked.clip.span if asked.clip else None,
        narrated=asked.narrated,
        title=opened.title,
    )
    return plan.model_copy(update={"needs": [*plan.needs, *survey.alike]})


def glyph_input(glyph: Glyph) -> GlyphInput:
    return GlyphInput(glyph.coverage, glyph.x_height_ratio)


def judged(
    opened: Opened,
    survey: SurveyedCase,
    narration: Narration | None,
    plan: Plan,
    confirmed: ConfirmedTexts,
    today: datetime.date,
) -> Planned:
    """What the gate says to a plan on that day, and who answers for it. Writes nothing."""
    asked, options = opened.asked, opened.options
    signature = _sign_off(opened, survey, plan)
    approved_by, looked = asked.approve, looked_now(asked.looked, existed=False)
    if signature is not None:
        approved_by = approved_by or signature.by
        looked = looked or Looked(by=signature.by, at=signature.at, how="page")
    captions = narration.measured.captions if narration and plan.captions else []
    leaving = texts_of_plan(plan, options, [text for _, _, text in captions], asked.suffix)
    texts = shown_texts(leaving, confirmed)
    withheld = may_be_made(
        plan, opened.consent, open_texts(texts), approved_by, today,
        options.output.audience, lambda need: _case_time(opened, survey, need),
    )  # fmt: skip
    return Planned(plan, tuple(texts), approved_by, looked, tuple(withheld))


def _sign_off(opened: Opened, survey: SurveyedCase, plan: Plan) -> SignOff | None:
    """The sign-off, if nothing it was given for has changed since."""
    document = opened.decisions
    if document is None:
        return None
    holds = sign_off_holds(
        document,
        sources=[s.sha256 for s in opened.sources],
        surveys=[survey_sha256(s.survey, s.findings) for s in survey.sources],
        settings=settings_sha256(opened.options),
        plan=plan_sha256(plan),
        narration=opened.found.narration_sha256,
    )
    return document.sign_off if holds else None


def _case_time(opened: Opened, survey: SurveyedCase, need: Need) -> float | None:
    if need.start_s is None or need.source is None:
        return need.start_s
    axis = case_axis(opened.case, source_inputs(opened.found, survey.sources))
    at_s = axis.case_from_source(need.source, need.start_s)
    return need.start_s if at_s is None else round(at_s, 3)


def _rendered(
    opened: Opened,
    survey: SurveyedCase,
    plan: Plan,
    narration: Narration | None,
    work: Path,
    progress: Progress,
    draft: bool = False,
) -> Rendered:
    return render(
        plan, source_media(opened.found, survey.sources),
        narration.media if narration else None, opened.glyph.coverage, opened.options, work,
        draft=draft, progress=progress,
    )  # fmt: skip
