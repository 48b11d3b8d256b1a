"""Steps 3 and 4: plan, then render what may be made of it."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.analysis.trace.release_code import number_of
from pipeline.media.glyphs import Glyph
from pipeline.model.decisions import Decision, SignOff, sign_off_holds
from pipeline.model.plan import Need, Plan
from pipeline.model.release import Looked
from pipeline.model.release_code import CodePlan
from pipeline.settings import settings_sha256
from pipeline.stages.drawn import check_drawn
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
from pipeline.stages.rendering.sound import render_sound
from pipeline.stages.second_look import SOUND_ROUNDS
from pipeline.stages.surveying import with_found
from pipeline.stages.texts import open_texts, shown_texts, texts_of_plan
from pipeline.stages.values import (
    CaseResult,
    Ending,
    Opened,
    Planned,
    Sounded,
    SurveyedCase,
    looked_now,
)
from pipeline.stages.verifying.sound import voices_left
from pipeline.store.cache import Cache


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
        code=_code(opened, revision),
    )
    return plan.model_copy(update={"needs": [*plan.needs, *survey.alike]})


def _code(opened: Opened, revision: int) -> CodePlan | None:
    """The invisible code of this revision; another one for each profile, clip and copy."""
    if not opened.code_seed:
        return None
    name = f"{opened.name}-r{revision}"
    return CodePlan(number=number_of(opened.code_seed, name), seed=opened.code_seed)


def glyph_input(glyph: Glyph) -> GlyphInput:
    return GlyphInput(glyph.coverage, glyph.x_height_ratio)


def planned(
    opened: Opened,
    survey: SurveyedCase,
    narration: Narration | None,
    revision: int,
    today: datetime.date,
) -> Planned:
    """The plan, who answers for it, and what the gate says to it on that day.

    Pure: no file is opened. Raises InputError, UsageError as `make_plan`.
    """
    plan = plan_for(opened, survey, narration, opened.in_force, revision)
    asked, options = opened.asked, opened.options
    signature = _sign_off(opened, survey, plan)
    approved_by, looked = asked.approve, looked_now(asked.looked, existed=False)
    if signature is not None:
        approved_by = approved_by or signature.by
        looked = looked or Looked(by=signature.by, at=signature.at, how="page")
    said = narration.measured.caption_texts if narration and plan.captions else []
    leaving = texts_of_plan(plan, options, said, asked.suffix)
    texts = shown_texts(leaving, opened.confirmed)
    withheld = may_be_made(
        plan, opened.consent, open_texts(texts), approved_by, today,
        options.output.audience, lambda need: _case_time(opened, survey, need),
        another=asked.another or signature is not None,
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


def sounded(
    opened: Opened,
    survey: SurveyedCase,
    narration: Narration | None,
    revision: int,
    work: Path,
    progress: Progress,
    cache: Cache | None = None,
) -> Sounded:
    """The plan with its sound in `work`, heard as verify will hear it.

    Speech that is left there becomes a finding and is replaced too, at most `SOUND_ROUNDS` times:
    before the pictures, which take nearly all of the time. What is left then is for verify to tell.
    Raises InputError, UsageError, OutputError.
    """
    for round_ in range(SOUND_ROUNDS + 1):
        plan = planned(opened, survey, narration, revision, datetime.date.today())
        if not _is_rendered(opened, plan):
            return Sounded(survey, plan)
        check_drawn(plan.plan, opened.options)
        sound = render_sound(
            plan.plan, source_media(opened.found, survey.sources),
            narration.media if narration else None, opened.options, work, progress=progress,
        )  # fmt: skip
        voices = voices_left(sound.procedure, plan.plan, opened.voices_stay)
        again = with_found(opened, survey, plan.plan, voices, cache)
        if again is None or round_ == SOUND_ROUNDS:
            break  # in the last round it is found as well, so that a person can reject it
        survey = again
    return Sounded(survey, plan, sound)


def _is_rendered(opened: Opened, plan: Planned) -> bool:
    """False where not even a draft is made: consent forbids it, or it would hold a text that
    nobody confirmed."""
    return not plan.withheld or not (
        opened.consent.forbidden or any(w.code == TEXT for w in plan.withheld)
    )


def rendered(
    opened: Opened,
    sounded: Sounded,
    narration: Narration | None,
    work: Path,
    progress: Progress,
) -> CaseResult:
    """A clip in `work` that waits to be verified; or it is withheld, then perhaps with a draft.

    The plan is kept with the case. Touches no catalogue. Raises InputError, OutputError.
    """
    survey, planned, folder = sounded.survey, sounded.planned, opened.folder
    plan = planned.plan
    folder.atomic_write(folder.private_file("plan.json"), plan.to_json())
    result = CaseResult(opened, survey, planned)
    if planned.withheld:
        discard_overtaken(folder, opened.name)
        result = replace(result, ending=Ending(withheld=planned.withheld))
    if sounded.sound is None:
        return result
    made = render(
        plan, source_media(opened.found, survey.sources),
        narration.media if narration else None, opened.glyph.coverage, opened.options, work,
        draft=bool(planned.withheld), sound=sounded.sound, progress=progress,
    )  # fmt: skip
    result = replace(result, rendered=made)
    return _with_draft(result, made) if planned.withheld else result


def _with_draft(result: CaseResult, made: Rendered) -> CaseResult:
    """What was rendered as a draft, moved to where drafts of the case lie."""
    opened = result.opened
    opened.found.refuse_changed()
    draft = opened.folder.draft_file(opened.profile)
    with opened.folder.atomic_path(draft) as temp:
        move(made.path, temp)
    return replace(result, ending=replace(result.ending, draft=draft))
