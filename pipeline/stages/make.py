"""The one function that runs a case: survey, plan, render, verify, release.

`cli`, `batch` and `review` all call it. Everything temporary lies in one folder
beside the output that is gone afterwards, whatever happens.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pipeline import __version__
from pipeline.errors import UsageError
from pipeline.media.container import file_sha256
from pipeline.media.glyphs import Glyph, load_glyph
from pipeline.model.case import Case, Scope
from pipeline.model.consent import KnownConsent
from pipeline.model.decisions import Decision, Decisions, SignOff, effective, sign_off_holds
from pipeline.model.options import Options
from pipeline.model.plan import Need, Plan
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Check, Looked, ReleaseRecord, Withheld
from pipeline.model.time import Span
from pipeline.settings import settings_sha256
from pipeline.stages import release as releasing
from pipeline.stages.consent import bind_consent
from pipeline.stages.events import write_events
from pipeline.stages.gate import (
    TEXT,
    consent_reasons,
    failed_checks,
    open_needs,
    text_reasons,
    verdict,
)
from pipeline.stages.inputs import inputs_sha256, made_from, read_decisions, standing_release
from pipeline.stages.intake import OpenedCase, changed, open_case
from pipeline.stages.likeness import alike_since, remember_pictures, seen_before
from pipeline.stages.look import tidied_survey
from pipeline.stages.measure import (
    keep_found,
    save_surveys,
    source_inputs,
    source_media,
    survey_sha256,
    survey_sources,
)
from pipeline.stages.narration import measure_narration
from pipeline.stages.planning.given import GlyphInput, NarrationInput
from pipeline.stages.planning.parts import case_axis
from pipeline.stages.planning.plan import make_plan, plan_sha256
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.ready import (
    absolute,
    discard_overtaken,
    keep_ready,
    proof_file,
    ready_file_name,
    release_clip,
    signed,
    standing_ready,
    tidy_ready,
)
from pipeline.stages.rendering.given import NarrationMedia, SourceMedia
from pipeline.stages.rendering.render import Rendered, render
from pipeline.stages.second_look import ROUNDS, only_missed, with_missed
from pipeline.stages.survey import Surveyed
from pipeline.stages.texts import (
    ShownText,
    confirm_texts,
    open_texts,
    shown_texts,
    texts_of_case,
    texts_of_plan,
)
from pipeline.stages.verifying.result import Verified
from pipeline.stages.verifying.verify import verify_release
from pipeline.store.cache import Cache
from pipeline.store.catalogue import Catalogue
from pipeline.store.hashes import HashMemory
from pipeline.store.names import Names, earlier_names
from pipeline.store.stale import clean, work_folder
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import WorkFolder

_INITIALS = re.compile(r"^[A-Za-z]{1,4}$")


@dataclass(frozen=True)
class ClipCut:
    """A clip of a case: its span of case time, its title, its own name beside the case's."""

    span: Span
    title: str = ""
    name: str = ""

    @property
    def suffix(self) -> str:
        """What its files are called after the profile."""
        return f"-{self.name}" if self.name else ""

    @property
    def cut(self) -> list[float | str]:
        """What makes it another clip of the same case."""
        return [self.span.start_s, self.span.stop_s, self.title]


@dataclass
class CaseRun:
    """Everything about one run of a case, for the result and the report."""

    opened: OpenedCase
    options: Options
    folder: WorkFolder
    work: Path
    surveyed: list[Surveyed] = field(default_factory=list)
    narration: NarrationInput | None = None
    voice: NarrationMedia | None = None
    glyph: Glyph | None = None
    plan: Plan | None = None
    rendered: Rendered | None = None
    verified: Verified | None = None
    consent: KnownConsent | None = None
    approved_by: str | None = None
    looked: Looked | None = None
    kept: ReadyClip | None = None
    ready: Path | None = None
    released: releasing.Released | None = None
    draft: Path | None = None
    withheld: list[Withheld] = field(default_factory=list)
    report: Path | None = None
    proof: Path | None = None
    surveys: list[Path] = field(default_factory=list)
    decisions: list[Decision] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    inputs: str = ""
    made_from: dict[str, str] = field(default_factory=dict)
    standing: ReleaseRecord | None = None
    unchanged: bool = False
    suffix: str = ""
    numbered: bool = True
    seen_before: list[Need] = field(default_factory=list)
    texts: list[ShownText] = field(default_factory=list)
    narrated: bool = True

    @property
    def media(self) -> list[SourceMedia]:
        return source_media(self.opened, self.surveyed)

    @property
    def checks(self) -> list[Check]:
        if self.verified:
            return self.verified.checks
        if self.standing is not None:
            return self.standing.sheet.checks
        return self.kept.checks if self.kept else []

    @property
    def state(self) -> Literal["released", "ready", "withheld"]:
        """What came of it: a release, now or by an earlier run; a clip to be looked at."""
        if self.released is not None or self.standing is not None:
            return "released"
        return "ready" if self.ready is not None else "withheld"

    @property
    def leaving(self) -> tuple[Path, Path, Path] | None:
        """The released file, its sheet and its record, of this run or of an earlier one."""
        if self.released is not None:
            return self.released.path, self.released.sheet, self.released.record
        if self.standing is None:
            return None
        name = self.standing.sheet.profile, self.standing.sheet.revision
        folder = self.folder
        return folder.release_file(*name), folder.sheet_file(*name), folder.record_file(*name)

    def as_json(self) -> dict[str, Any]:
        """The object that `--json` of make prints."""
        path, sheet, record = (str(p) for p in self.leaving) if self.leaving else (None,) * 3
        return {
            "case": self.opened.case.case,
            **({"clip": self.folder.clip, "unchanged": self.unchanged} if self.folder.clip else {}),
            "release": path,
            "ready": str(self.ready) if self.ready else None,
            "draft": str(self.draft) if self.draft else None,
            "sheet": sheet,
            "record": record,
            "survey": [str(p) for p in self.surveys],
            "plan": str(self.folder.private_file("plan.json")) if self.plan else None,
            "report": str(self.report) if self.report else None,
            "proof": str(self.proof) if self.proof else None,
            "checks": [c.model_dump() for c in self.checks],
            "withheld": [w.model_dump() for w in self.withheld],
            "texts": [t.as_json() for t in self.texts],
            "warnings": (self.plan.warnings if self.plan else []) + self.warnings,
            "error": None,
        }


Report = Callable[[CaseRun], str]


def run_case(
    path: Path,
    out: Path,
    options: Options,
    *,
    narration: Path | None = None,
    consent: Scope | None = None,
    approve: str | None = None,
    looked: str | None = None,
    catalogue: Path | None = None,
    clip: ClipCut | None = None,
    narrated: bool = True,
    survey_only: bool = False,
    decisions: Sequence[Decision] | None = None,
    unless_released: bool = False,
    withheld_before: str = "",
    read_texts: bool = True,
    report: Report | None = None,
    proof: Report | None = None,
    progress: Progress = no_progress,
) -> CaseRun:
    """Run a case folder or a bare recording to a clip that is ready or released, a draft or
    a refusal.

    approve: initials of the person who answers for the open points that a person
    may resolve. looked: initials of the person who says to have looked.
    decisions: those in force; None reads the case's decisions.json.
    unless_released: make nothing if the newest release was made from the same inputs and
    is still whole; `standing` of the answer is then its record; likewise where a clip made
    from them is ready. withheld_before: hash of
    inputs that were withheld; nothing is made from the same again, `unchanged` says so.
    read_texts: who approves has the texts of this case in front of them, and confirms them too.
    report: makes the text of report.html from the run. proof: that of the proof of the clip.
    Returns the run; `withheld` is empty where a release was made.
    Raises InputError, UsageError, OutputError.
    """
    check_initials(approve)
    check_initials(looked, "--looked")
    names = Names(out, earlier_names(catalogue))
    opened = open_case(
        path, narration=narration, consent=consent, out=out, names=names,
        case_pattern=options.anonymity.case_pattern,
    )  # fmt: skip
    glyph = load_glyph(options.mark)
    folder = WorkFolder(out, opened.case.case, clip.name if clip else "")
    folder.prepare()
    with folder.case_lock():
        clean(folder)
        for part in folder.parts():
            tidy_ready(part)
        with work_folder(folder) as work:
            run = CaseRun(opened, options, folder, work, glyph=glyph, approved_by=approve)
            document = read_decisions(folder)
            in_force = effective(document.entries) if document else []
            run.decisions = list(in_force if decisions is None else decisions)
            with Catalogue(catalogue) as known:
                run.consent = bind_consent(opened, folder, known)
                if run.consent.forbidden:
                    audience, today = options.output.audience, datetime.date.today()
                    run.withheld = consent_reasons(run.consent, audience, today)
                    remember_pictures(opened, known, work)  # its copies are recognised by it
                    bind_consent(opened, folder, known)
                    return run  # nothing at all is made from it, nothing is measured
                if not survey_only:
                    if approve is not None and read_texts:
                        leaving = texts_of_case(
                            opened, options, run.decisions, title=_title(clip, opened.case),
                            narrated=narrated, suffix=clip.suffix if clip else "",
                        )  # fmt: skip
                        confirm_texts(leaving, ConfirmedTexts(folder), approve)
                    for part in folder.parts():
                        releasing.record_unrecorded(part, known)
                    behind = run.consent.clock_warning(datetime.datetime.now(datetime.UTC))
                    run.warnings += [behind] if behind else []
                    run.inputs = inputs_sha256(
                        opened, options, run.consent, datetime.date.today(),
                        decisions=document, approve=approve, narrated=narrated,
                        cut=clip.cut if clip else None,
                    )  # fmt: skip
                    if unless_released:
                        run.standing = standing_release(
                            known,
                            folder,
                            options.output.profile + (clip.suffix if clip else ""),
                            run.inputs,
                        )
                    if run.standing is None:
                        run.kept = standing_ready(
                            folder, options.output.profile + (clip.suffix if clip else ""),
                            _made_from(run, clip, narrated, document), run.consent, options,
                            datetime.date.today(),
                        )  # fmt: skip
                    signature = signed(run.kept, document) if run.kept is not None else None
                    if run.kept is not None and (looked or signature or unless_released):
                        # It is there to be looked at: nothing is made again.
                        run.looked = looked_now(looked, existed=True) or signature
                        let_leave(run, run.kept, known)
                        run.unchanged = run.ready is not None
                        return run
                    run.kept = None
            run.unchanged = run.standing is not None or bool(
                withheld_before and run.inputs == withheld_before
            )
            if run.unchanged and not survey_only:
                return run
            run.surveyed = survey_sources(opened, options, work, progress)
            names.note(opened.named)
            run.surveys = save_surveys(run.surveyed, run.folder)
            if survey_only:
                with Catalogue(catalogue) as known:
                    seen = seen_before(opened, run.surveyed, known, options.output.audience)
                run.warnings += [need.message for need in seen]
                write_pages(run, report, None)
                return run
            run.looked = looked_now(looked, existed=False)
            with Catalogue(catalogue) as known:
                _make(run, known, clip, narrated, document, progress)
            write_pages(run, report, proof)
            return run


def check_initials(given: str | None, option: str = "--approve") -> None:
    """Raises UsageError unless `given` is None or initials: no name goes into a record."""
    if given is not None and not _INITIALS.match(given):
        raise UsageError(
            f"{option} takes initials", f"{len(given)} characters", "give 1 to 4 letters"
        )


def looked_now(by: str | None, existed: bool) -> Looked | None:
    """That somebody looked, as the command line says it. existed: the very clip was there."""
    if by is None:
        return None
    return Looked(by=by, at=_now(), how="make", clip=existed)


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _make(
    run: CaseRun,
    catalogue: Catalogue,
    clip: ClipCut | None,
    narrated: bool,
    document: Decisions | None,
    progress: Progress,
) -> None:
    run.consent = bind_consent(run.opened, run.folder, catalogue)
    profile = run.options.output.profile + (clip.suffix if clip else "")
    revision = catalogue.next_revision(run.opened.case.case, profile)
    run.seen_before = seen_before(run.opened, run.surveyed, catalogue, run.options.output.audience)
    run.made_from = _made_from(run, clip, narrated, document)
    if not make_rendered(run, revision, clip, narrated, document, progress):
        discard_overtaken(run.folder, f"{run.opened.case.case}-{profile}")
        return
    ready = verify_rendered(run, progress)
    for _ in range(ROUNDS):
        if ready is not None or run.verified is None or not only_missed(run.verified.checks):
            break
        if not take_missed(run):
            break  # none of it lies in a recording: another render would not mend it
        if not make_rendered(run, revision, clip, narrated, document, progress):
            return
        ready = verify_rendered(run, progress)
    if ready is None:
        return
    keep(run, ready)
    run.consent = bind_consent(run.opened, run.folder, catalogue)  # withdrawn meanwhile, perhaps
    let_leave(run, ready, catalogue)


def take_missed(run: CaseRun) -> bool:
    """What only the finished clip showed, into the surveys: this run's, the case's, the cache's.

    False if nothing of it lies in a recording.
    """
    assert run.plan is not None and run.verified is not None
    surveys = with_missed([m.survey for m in run.surveyed], run.plan, run.verified.missed)
    if all(m.survey == s for m, s in zip(run.surveyed, surveys, strict=True)):
        return False
    cache = Cache(run.options.machine.cache_gb)
    for number, (measured, survey) in enumerate(zip(run.surveyed, surveys, strict=True)):
        if survey == measured.survey:
            continue
        measured.survey = tidied_survey(survey)
        keep_found(run.opened, number, measured, run.options, cache)
    run.surveys = save_surveys(run.surveyed, run.folder)
    told = run.rendered.damage if run.rendered is not None else []
    run.warnings = [w for w in run.warnings if w not in told]  # it is rendered, and told, again
    return True


def _title(clip: ClipCut | None, case: Case) -> str | None:
    """Of a clip of a part; None: the case's own, also for a clip that has none."""
    return None if clip is None else clip.title or (None if case.title else "Clip")


def keep(run: CaseRun, clip: ReadyClip) -> None:
    """Put the verified file where what is ready lies."""
    assert run.rendered is not None
    run.kept, run.ready = clip, keep_ready(clip, run.rendered.path, run.folder)
    run.rendered.path = run.ready


def let_leave(run: CaseRun, clip: ReadyClip, catalogue: Catalogue) -> None:
    """Release what is ready, leave it to be looked at, or withhold it: as the gate says."""
    assert run.consent is not None
    run.kept, output = clip, run.options.output
    reasons = consent_reasons(run.consent, output.audience, datetime.date.today())
    reasons = reasons or alike_since(clip, run.folder, catalogue)
    found = verdict(reasons, output.look, run.looked)
    if found.state == "withheld":
        run.withheld, run.ready = list(found.reasons), None
        discard_overtaken(run.folder, clip.name)
    elif found.state == "ready":
        run.ready = run.folder.private_file(clip.file)
    else:
        run.released = release_clip(
            clip, run.folder, run.options, catalogue, run.consent, run.looked
        )
        run.ready = None
        if run.rendered is not None:
            run.rendered.path = run.released.path


def _made_from(
    run: CaseRun, clip: ClipCut | None, narrated: bool, document: Decisions | None
) -> dict[str, str]:
    cut = clip.cut if clip else None
    return made_from(run.opened, run.options, document, narrated=narrated, cut=cut)


def make_rendered(
    run: CaseRun,
    revision: int,
    clip: ClipCut | None,
    narrated: bool,
    document: Decisions | None,
    progress: Progress,
) -> bool:
    """Plan and render a surveyed case whose consent is known; touches no catalogue.

    True if a file waits for `verify_rendered`; else `run.withheld` says why not.
    """
    case, options, folder = _bound_case(run), run.options, run.folder
    found = (
        measure_narration(
            run.opened, run.surveyed, options.sound.speech_threshold, run.work, progress
        )
        if narrated
        else None
    )
    run.narration, run.voice = (found.measured, found.media) if found else (None, None)
    run.suffix, run.numbered = (clip.suffix, False) if clip else ("", True)
    run.narrated = narrated
    assert run.glyph is not None
    run.plan = make_plan(
        case,
        source_inputs(run.opened, run.surveyed),
        run.narration,
        options,
        glyph=GlyphInput(run.glyph.coverage, run.glyph.x_height_ratio),
        revision=revision,
        decisions=run.decisions,
        cut_to=clip.span if clip else None,
        narrated=narrated,
        title=_title(clip, case),
    )
    run.plan = run.plan.model_copy(update={"needs": [*run.plan.needs, *run.seen_before]})
    folder.atomic_write(folder.private_file("plan.json"), run.plan.to_json())
    signed = _sign_off(run, document) if document is not None else None
    if signed is not None:
        run.approved_by = run.approved_by or signed.by
        run.looked = run.looked or Looked(by=signed.by, at=signed.at, how="page")
    with_captions = run.narration if run.plan.captions else None
    captions = [text for _, _, text in with_captions.captions] if with_captions else []
    leaving = texts_of_plan(run.plan, options, captions, run.suffix)
    run.texts = shown_texts(leaving, ConfirmedTexts(folder))
    run.withheld = gate(run, run.approved_by)
    media, narration = run.media, run.voice
    if run.withheld:
        assert run.consent is not None
        if run.consent.forbidden:
            return False  # nothing at all is made from it, no draft either
        if all(w.code != TEXT for w in run.withheld):  # a draft would hold the text
            run.rendered = render(
                run.plan, media, narration, run.glyph.coverage, options, run.work,
                draft=True, progress=progress,
            )  # fmt: skip
            _refuse_changed_sources(run)
            run.draft = folder.draft_file(options.output.profile + run.suffix)
            with folder.atomic_path(run.draft) as temp:
                releasing.move(run.rendered.path, temp)
        return False
    run.rendered = render(
        run.plan, media, narration, run.glyph.coverage, options, run.work, progress=progress
    )
    run.warnings += run.rendered.damage
    return True


def _bound_case(run: CaseRun) -> Case:
    """The case with the consent that binds it."""
    assert run.consent is not None
    consent = run.opened.case.consent.model_copy(update={"voice": run.consent.voice})
    return run.opened.case.model_copy(update={"consent": consent})


def verify_rendered(run: CaseRun, progress: Progress) -> ReadyClip | None:
    """Check the rendered file; what a release needs, or None: `run.withheld` says why."""
    options = run.options
    assert run.rendered is not None and run.plan is not None
    assert run.consent is not None and run.glyph is not None
    run.verified = verify_release(
        run.rendered.path,
        run.plan,
        run.media,
        run.glyph.coverage,
        options,
        stem=run.rendered.stem,
        narration=run.rendered.narration,
        voice_consent=run.consent.voice or not options.sound.redact_speech,
        progress=progress,
    )
    _refuse_changed_sources(run)
    run.withheld = failed_checks(run.verified.checks)
    if run.withheld:
        return None
    case, profile = run.opened.case, options.output.profile
    return ReadyClip(
        case=case.case,
        number=case.number,
        profile=profile,
        suffix=run.suffix,
        numbered=run.numbered,
        narrated=run.narrated,
        file=ready_file_name(f"{case.case}-{profile}{run.suffix}"),
        sha256=file_sha256(run.rendered.path),
        made_at=_now(),
        program_version=__version__,
        settings_sha256=settings_sha256(options),
        plan=run.plan,
        made_from=run.made_from,
        narration_sha256=run.opened.narration_sha256,
        survey_sha256=[survey_sha256(s.survey, s.findings) for s in run.surveyed],
        voice=run.consent.voice,
        checks=run.verified.checks,
        mark=mark_record(run),
        approved_by=run.approved_by,
        inputs=run.inputs,
        warnings=list(run.warnings),
        sources_at=[str(absolute(s.path)) for s in run.opened.sources],
        case_at=str(absolute(run.opened.folder or run.opened.sources[0].path)),
        narration_at=absolute(run.opened.narration if run.opened.narration_given else None),
    )


def mark_record(run: CaseRun) -> dict[str, Any]:
    """Placement, crop loss, seed and measured visibility, for the private record."""
    assert run.plan is not None
    if run.plan.mark is None:
        return {}
    mark = run.plan.mark
    measured = run.verified.mark if run.verified else None
    return {
        "text": mark.text,
        "seed": mark.seed,
        "band": [mark.band_low, mark.band_high],
        "positions": [p.model_dump() for p in mark.chosen.positions],
        "crop_loss": mark.chosen.crop_loss,
        "visibility": measured.model_dump() if measured is not None else None,
    }


# --- pieces of the run ------------------------------------------------------------------


def gate(run: CaseRun, approve: str | None) -> list[Withheld]:
    """Why nothing may be released, before anything is rendered; empty if it may."""
    assert run.plan is not None and run.consent is not None
    return [
        *text_reasons(open_texts(run.texts)),
        *consent_reasons(run.consent, run.options.output.audience, datetime.date.today()),
        *open_needs(run.plan, approve, lambda need: _case_time(run, need)),
    ]


def _case_time(run: CaseRun, need: Need) -> float | None:
    if need.start_s is None or need.source is None:
        return need.start_s
    axis = case_axis(run.opened.case, source_inputs(run.opened, run.surveyed))
    at_s = axis.case_from_source(need.source, need.start_s)
    return need.start_s if at_s is None else round(at_s, 3)


def _refuse_changed_sources(run: CaseRun) -> None:
    for source in run.opened.sources:
        if file_sha256(source.path) != source.sha256:
            HashMemory().forget(source.path)
            raise changed(source.path)


def _sign_off(run: CaseRun, document: Decisions) -> SignOff | None:
    """The sign-off, if nothing it was given for has changed since."""
    assert run.plan is not None
    holds = sign_off_holds(
        document,
        sources=[s.sha256 for s in run.opened.sources],
        surveys=[survey_sha256(s.survey, s.findings) for s in run.surveyed],
        settings=settings_sha256(run.options),
        plan=plan_sha256(run.plan),
        narration=run.opened.narration_sha256,
    )
    return document.sign_off if holds else None


def write_pages(run: CaseRun, report: Report | None, proof: Report | None) -> None:
    if report is not None:
        run.report = run.folder.private_file("report.html")
        run.folder.atomic_write(run.report, report(run))
        found = [s.findings for s in run.surveyed]
        write_events(run.folder, run.opened.sources, found, run.plan)
    if proof is not None and run.kept is not None and run.state != "withheld":
        revision = run.released.revision if run.released is not None else None
        run.proof = proof_file(run.folder, run.kept.name, revision)
        run.folder.atomic_write(run.proof, proof(run))
