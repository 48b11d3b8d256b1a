"""The recipe: from recordings to a clip that may leave. Read this first.

    open -> survey -> plan -> render -> verify -> leave

1. **open** (`opening`): read the case, and all that binds it: its consent, wherever that is
   told, and what people decided about it. Where consent forbids it nothing is made at all;
   where the same was made before and still stands, nothing is made again.
2. **survey** (`surveying`): measure the recordings, from one decode of each, and decide from
   the kept series what was found. What was measured before comes from the cache.
3. **plan** (`making`): decide every edit, every redaction, the mark, the sound, from what was
   measured (the narration too, which is listened to first), from the settings and from what
   people decided. No file is opened. The gate says whether a clip may be made of the plan.
4. **render** (`making`): make the sound and listen to it as verify will; where speech is left,
   it goes into the survey and the plan is made anew, before any picture is. Keep the plan with
   the case and obey it; a clip that may not be made is shown by a draft.
5. **verify** (`finishing`): measure the finished file as if somebody else had made it. Lettering
   or a face that only it shows goes into the survey, and the clip is planned and rendered anew,
   at most `ROUNDS` times. A file that passes is *ready*: it lies in the private folder.
6. **leave** (`finishing`): ask about the consent once more, and ask the gate. It releases the
   clip, or leaves it for a person to look at, or withholds it and says why.

A step takes values and returns a value (`values`: `Opened`, `SurveyedCase`, `Planned`,
`Rendered`, `Verified`, `Released`); none changes what another one made. What people are told
afterwards is one value, `CaseResult`. Whether something may leave is decided in `gate` alone.

`make`, `clip`, `demo`, the worker of a batch and the page call `run_case`. On a cluster each
step is a task of its own: `batch.tasks` calls the same functions, and hands over our own
documents (`handover`). The catalogue is touched by opening and leaving only, so that one
machine keeps it.

Everything temporary lies in one folder beside the output that is gone afterwards.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.media.glyphs import load_glyph
from pipeline.model.options import Options
from pipeline.stages.finishing import Pages, kept, left, verified
from pipeline.stages.intake import open_case
from pipeline.stages.making import heard, rendered, sounded
from pipeline.stages.opening import at_work, ended_before, opened_case, rebound
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.second_look import ROUNDS, another_round
from pipeline.stages.surveying import compared, looked_again, saved, survey_case
from pipeline.stages.values import Asked, CaseResult, Opened, SurveyedCase
from pipeline.store.catalogue import Catalogue
from pipeline.store.names import Names, earlier_names
from pipeline.store.work import WorkFolder


def run_case(
    path: Path,
    out: Path,
    options: Options,
    asked: Asked = Asked(),  # noqa: B008 - frozen
    *,
    catalogue: Path | None = None,
    pages: Pages = Pages(),  # noqa: B008 - frozen
    progress: Progress = no_progress,
) -> CaseResult:
    """Run a case folder or a bare recording to a clip that is ready or released, a draft or
    a refusal: `withheld` of the answer is empty where a clip was made.

    Raises InputError, UsageError, OutputError.
    """
    names = Names(out, earlier_names(catalogue))
    found = open_case(
        path, narration=asked.narration, consent=asked.consent, out=out, names=names,
        case_pattern=options.anonymity.case_pattern,
    )  # fmt: skip
    glyph = load_glyph(options.mark)
    folder = WorkFolder(out, found.case.case, asked.part)
    with at_work(folder) as work, Catalogue(catalogue) as known:
        opened = opened_case(found, folder, options, asked, glyph, known)
        ending = ended_before(opened, known, work)
        if ending is not None:
            return CaseResult(opened, ending=ending)
        survey = saved(opened, survey_case(opened, work, progress))
        names.note(found.named)
        survey = compared(opened, survey, known)
        if asked.survey_only:
            return pages.written(CaseResult(opened, survey))
        return pages.written(make_clip(opened, survey, known, work, progress))


def make_clip(
    opened: Opened, survey: SurveyedCase, known: Catalogue, work: Path, progress: Progress
) -> CaseResult:
    """From what was measured to what came of it."""
    opened = rebound(opened, known)
    revision = known.next_revision(opened.case.case, opened.profile)
    narration = heard(opened, survey, work, progress)
    for round_ in range(ROUNDS + 1):
        sound = sounded(opened, survey, narration, revision, work, progress)
        made = rendered(opened, sound, narration, work, progress)
        if made.withheld:
            return made
        made = verified(made, progress)
        again = looked_again(made)
        if again is None:
            break
        survey, made = again, replace(made, survey=again)
        if not another_round(made.checks, round_):
            break  # else what the finished clip showed is covered in the next one
    return left(kept(made), rebound(opened, known), known)
