"""Step 2: survey. The sources of a case measured, and measured again by what was missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.model.plan import Plan
from pipeline.model.survey import Face, Lettering, Voice
from pipeline.stages.decide import with_voices
from pipeline.stages.heard import kept_narration
from pipeline.stages.likeness import seen_before
from pipeline.stages.look import tidied_survey
from pipeline.stages.measure import keep_found, save_surveys, survey_source
from pipeline.stages.progress import Progress
from pipeline.stages.second_look import missed, with_missed
from pipeline.stages.values import CaseResult, Opened, SurveyedCase
from pipeline.store.cache import Cache
from pipeline.store.catalogue import Catalogue


def survey_case(
    opened: Opened, work: Path, progress: Progress, cache: Cache | None = None
) -> SurveyedCase:
    """Measure every source, or take it from the cache where it was measured before.

    cache: where measures are kept, this machine's own if left out.
    Raises InputError, OutputError.
    """
    sources = (
        survey_source(opened.found, n, opened.options, work, progress, cache)
        for n in range(len(opened.sources))
    )
    return SurveyedCase(tuple(sources))


def saved(opened: Opened, survey: SurveyedCase) -> SurveyedCase:
    """With the surveys written into the folder of the case. Raises OutputError."""
    sources, documents = save_surveys(survey.sources, opened.folder)
    return replace(survey, sources=tuple(sources), documents=tuple(documents))


def compared(opened: Opened, survey: SurveyedCase, known: Catalogue) -> SurveyedCase:
    """With the recordings that it looks or sounds like and whose consent is narrower.

    Raises InputError for a narration that cannot be read.
    """
    found, narration = opened.found, None
    if opened.asked.narrated and not opened.asked.survey_only:
        narration = kept_narration(
            opened.folder.whole, found.narration, found.narration_sha256, known
        )
    audience = opened.options.output.audience
    alike = seen_before(found, survey.sources, known, audience, narration)
    return replace(survey, alike=tuple(alike))


def looked_again(made: CaseResult, cache: Cache | None = None) -> SurveyedCase | None:
    """The survey with what only the finished clip showed, kept in the case and in the cache: a
    finding that a person can reject, and that is covered when the clip is made again.

    None if nothing was missed, or nothing of it lies in a recording: another render would not
    mend that.
    """
    survey, checked = made.survey, made.verified
    if survey is None or made.plan is None or checked is None:
        return None
    if not missed(checked.checks, alone=False):
        return None
    return with_found(made.opened, survey, made.plan, checked.missed, cache)


def with_found(
    opened: Opened,
    survey: SurveyedCase,
    plan: Plan,
    seen: Sequence[Lettering | Face | Voice],
    cache: Cache | None = None,
) -> SurveyedCase | None:
    """The survey with what was seen in a clip of this plan, or heard in its sound; kept likewise.

    None if nothing of it lies in a recording, or all of it is known.
    """
    surveys = with_missed([m.survey for m in survey.sources], plan, seen)
    if all(m.survey == s for m, s in zip(survey.sources, surveys, strict=True)):
        return None
    cache = cache or Cache(opened.options.machine.cache_gb)
    sources = list(survey.sources)
    for number, (measured, found) in enumerate(zip(survey.sources, surveys, strict=True)):
        if found != measured.survey:
            findings = with_voices(measured.findings, found)
            sources[number] = replace(measured, survey=tidied_survey(found), findings=findings)
            keep_found(opened.found, number, sources[number], opened.options, cache)
    return saved(opened, replace(survey, sources=tuple(sources)))
