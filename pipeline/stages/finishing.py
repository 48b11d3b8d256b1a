"""Steps 5 and 6: verify the finished file, keep it as ready, let it leave if it may."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from pipeline import __version__
from pipeline.media.container import file_sha256
from pipeline.model.plan import Plan
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Looked
from pipeline.settings import settings_sha256
from pipeline.stages.events import write_events
from pipeline.stages.gate import failed_checks, may_leave
from pipeline.stages.inputs import read_decisions, resolved_by
from pipeline.stages.leave import as_found, consent_today, overtaken
from pipeline.stages.likeness import alike_since
from pipeline.stages.measure import survey_sha256
from pipeline.stages.progress import Progress
from pipeline.stages.proofs import SeenFold
from pipeline.stages.ready import (
    absolute,
    discard_overtaken,
    keep_ready,
    proof_file,
    ready_file_name,
    release_clip,
)
from pipeline.stages.tracing.prints import SeenPrints, planned_discs
from pipeline.stages.values import CaseResult, Ending, Opened, now_text
from pipeline.stages.verifying.result import Verified
from pipeline.stages.verifying.verify import verify_release
from pipeline.store.catalogue import Catalogue
from pipeline.store.work import discard, writing


def verified(made: CaseResult, progress: Progress) -> CaseResult:
    """With the checks of the rendered file; withheld where one did not pass.

    Raises InputError if a source changed meanwhile.
    """
    assert made.planned is not None and made.rendered is not None
    opened, file = made.opened, made.rendered
    plan = made.planned.plan
    seen, prints = SeenFold(plan), SeenPrints(planned_discs(plan), plan.height_px)
    found = verify_release(
        file.path,
        plan,
        made.media,
        opened.glyph.coverage,
        opened.options,
        stem=file.stem,
        narration=file.narration,
        voice_consent=opened.voices_stay,
        series=[s.series for s in made.surveyed],
        progress=progress,
        onlookers=[seen.step, prints.step],
    )
    opened.found.refuse_changed()
    ending = Ending(withheld=tuple(failed_checks(found.checks)))
    return replace(made, verified=found, seen=seen.finish(), prints=prints.finish(), ending=ending)


def kept(made: CaseResult) -> CaseResult:
    """With the verified file where what is ready lies; as it was where it is withheld.

    Raises OutputError.
    """
    if made.withheld:
        return made
    assert made.rendered is not None
    clip, file = keep_ready(_ready_clip(made), made.rendered.path, made.folder, made.prints)
    ending = Ending(kept=clip, ready=file)
    return replace(made, rendered=replace(made.rendered, path=file), ending=ending)


def _ready_clip(made: CaseResult) -> ReadyClip:
    assert made.planned is not None and made.rendered is not None and made.verified is not None
    opened, planned, asked = made.opened, made.planned, made.opened.asked
    found = opened.found
    return ReadyClip(
        case=opened.case.case,
        number=opened.case.number,
        profile=opened.options.output.profile,
        suffix=asked.suffix,
        numbered=not asked.part,
        narrated=asked.narrated,
        file=ready_file_name(opened.name),
        sha256=file_sha256(made.rendered.path),
        made_at=now_text(),
        program_version=__version__,
        settings_sha256=settings_sha256(opened.options),
        plan=planned.plan,
        made_from=dict(opened.made_from),
        narration_sha256=found.narration_sha256,
        survey_sha256=[survey_sha256(s.survey, s.findings) for s in made.surveyed],
        voice=opened.consent.voice,
        checks=list(made.verified.checks),
        mark=_mark_record(planned.plan, made.verified),
        code_kept=made.verified.code_kept,
        recipient=asked.recipient.label if asked.recipient else "",
        approved_by=planned.approved_by,
        inputs=opened.inputs,
        warnings=made.warnings,
        sources_at=[str(absolute(s.path)) for s in found.sources],
        case_at=str(absolute(found.folder or found.sources[0].path)),
        narration_at=absolute(found.narration if found.narration_given else None),
    )


def _mark_record(plan: Plan, checked: Verified) -> dict[str, Any]:
    """Placement, crop loss, seed and measured visibility, for the private record."""
    mark, measured = plan.mark, checked.mark
    if mark is None:
        return {}
    return {
        "text": mark.text,
        "seed": mark.seed,
        "band": [mark.band_low, mark.band_high],
        "positions": [p.model_dump() for p in mark.chosen.positions],
        "motion": "drift" if mark.paths else "still",
        "crop_loss": mark.crop_loss,
        "visibility": measured.model_dump() if measured is not None else None,
    }


def leave(opened: Opened, clip: ReadyClip, looked: Looked | None, known: Catalogue) -> Ending:
    """Release what is ready, leave it to be looked at, or withhold it: as the gate says.

    Asked of what lies there now, as `fieldstop release` asks: people go on deciding, and
    consent is refused or withdrawn, while a clip is made. Raises InputError, OutputError.
    """
    folder, options = opened.folder, opened.options
    decisions = read_decisions(folder)
    case, now = as_found(clip, folder.out, [])
    now |= resolved_by(options, decisions)
    consent = consent_today(clip, case, folder, known)
    sha256 = file_sha256(folder.private_file(clip.file))
    found = may_leave(
        clip, consent, decisions, looked, options.output, datetime.date.today(),
        overtaken=overtaken(clip, options, now, sha256), alike=alike_since(clip, folder, known),
    )  # fmt: skip
    ending = Ending(kept=clip, looked=found.looked)
    if found.state == "withheld":
        discard_overtaken(folder, clip.name)
        return replace(ending, withheld=found.reasons)
    if found.state == "ready":
        return replace(ending, ready=folder.private_file(clip.file))
    released = release_clip(clip, folder, options, known, consent, found.looked)
    return replace(ending, released=released)


def left(made: CaseResult, opened: Opened, known: Catalogue) -> CaseResult:
    """What was made, released if it may leave. opened: with the consent of this moment."""
    clip = made.ending.kept
    if clip is None:
        return made
    ending = leave(opened, clip, made.looked, known)
    file = made.rendered
    if file is not None and ending.released is not None:
        file = replace(file, path=ending.released.path)
    return replace(made, opened=opened, rendered=file, ending=ending)


@dataclass(frozen=True)
class Pages:
    """What makes the text of report.html and of the proof, if they are wanted."""

    report: Callable[[CaseResult], str] | None = None
    proof: Callable[[CaseResult], str] | None = None

    def written(self, result: CaseResult) -> CaseResult:
        """With the pages of the case written. Raises InputError, OutputError."""
        folder, clip = result.folder, result.ending.kept
        if self.report is not None:
            path = folder.private_file("report.html")
            result = replace(result, report=path)
            folder.atomic_write(path, self.report(result))
            found = [s.findings for s in result.surveyed]
            write_events(folder, result.opened.sources, found, result.plan)
        if self.proof is not None and clip is not None and result.state != "withheld":
            released = result.ending.released
            path = proof_file(folder, clip.name, released.revision if released else None)
            result = replace(result, proof=path)
            folder.atomic_write(path, self.proof(result))
            if released:  # that of a clip that was ready before and is no more
                with writing():
                    discard(proof_file(folder, clip.name, None))
        return result
