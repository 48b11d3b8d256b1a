"""The one function that runs a case: survey, plan, render, verify, release.

`cli`, `batch` and `review` all call it. Everything temporary lies in one folder
beside the output that is gone afterwards, whatever happens.
"""

from __future__ import annotations

import datetime
import io
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline import __version__
from pipeline.errors import InputError, UsageError
from pipeline.media.captions import read_captions
from pipeline.media.glyphs import Glyph, load_glyph
from pipeline.media.guard import check_sound_apart
from pipeline.media.probe import file_sha256
from pipeline.media.read import narration_sound, only_channel, read_sound
from pipeline.media.stems import Stem, write_stem
from pipeline.model.case import Case, Scope
from pipeline.model.consent import KnownConsent
from pipeline.model.decisions import Decision, Decisions, SignOff, effective, sign_off_holds
from pipeline.model.options import Options
from pipeline.model.plan import Need, Plan
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Check, Looked, ReleaseRecord, Withheld
from pipeline.model.survey import Survey
from pipeline.model.time import Span
from pipeline.settings import settings_sha256
from pipeline.stages import plan as planning
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
from pipeline.stages.plan import GlyphInput, NarrationInput, SourceInput, make_plan
from pipeline.stages.proxy import proxy_name
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
from pipeline.stages.render import (
    NarrationMedia,
    Rendered,
    SourceMedia,
    render,
)
from pipeline.stages.second_look import ROUNDS, only_missed, with_missed
from pipeline.stages.survey import (
    Progress,
    Surveyed,
    found_look,
    give_memory_back,
    no_progress,
    save_survey,
    settle,
    survey_file,
    survey_key,
    tidied_survey,
)
from pipeline.stages.texts import (
    ShownText,
    confirm_texts,
    open_texts,
    shown_texts,
    texts_of_case,
    texts_of_plan,
)
from pipeline.stages.verify import Verified, verify_release
from pipeline.store.cache import Cache
from pipeline.store.catalogue import Catalogue
from pipeline.store.hashes import HashMemory
from pipeline.store.names import Names, earlier_names
from pipeline.store.stale import clean, work_folder
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import WorkFolder, writing

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
        return [
            SourceMedia(s.path, m.recording, s.still)
            for s, m in zip(self.opened.sources, self.surveyed, strict=True)
        ]

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
    may settle. looked: initials of the person who says to have looked.
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
            save_surveys(run)
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
        measured.outdated = True  # the page's copy shows what is covered from now on
        cache.put(_survey_key(run.opened, number)[2], found_look(measured.survey, run.options))
    run.surveys.clear()
    save_surveys(run)
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
    run.narration = measure_narration(run, progress) if narrated else None
    run.suffix, run.numbered = (clip.suffix, False) if clip else ("", True)
    run.narrated = narrated
    assert run.glyph is not None
    run.plan = make_plan(
        case,
        source_inputs(run),
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
        survey_sha256=[survey_sha256(s.survey) for s in run.surveyed],
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


def survey_sha256(survey: Survey) -> str:
    import hashlib

    return hashlib.sha256(survey.to_json().encode()).hexdigest()


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


def survey_sources(
    opened: OpenedCase, options: Options, work: Path, progress: Progress
) -> list[Surveyed]:
    """Survey every source file, from the cache where it was measured before."""
    return [survey_source(opened, n, options, work, progress) for n in range(len(opened.sources))]


def _survey_key(opened: OpenedCase, number: int) -> tuple[int | None, list[float] | None, str]:
    """(channel of the narration, field given by the case, key in the cache) of a source."""
    source = opened.sources[number]
    channel = opened.case.narration.channel if opened.case.narration else None
    given = opened.case.recording[source.recording].field
    return channel, given, survey_key(source, given, channel)


def survey_source(
    opened: OpenedCase,
    number: int,
    options: Options,
    work: Path,
    progress: Progress,
    cache: Cache | None = None,
) -> Surveyed:
    """Survey one source file of a case, from the cache where it was measured before."""
    cache = cache or Cache(options.machine.cache_gb)
    source = opened.sources[number]
    channel, given, key = _survey_key(opened, number)
    kept = _from_cache(cache, key)
    if kept is not None:
        kept = settle(kept, source, options, cache, key)
    else:
        kept = survey_file(
            source, options, work, given_field=given, narration_channel=channel,
            progress=progress,
        )  # fmt: skip
        give_memory_back()
        source.refuse_changed()  # else another content would be kept under this hash
        buffer = io.BytesIO()
        np.savez_compressed(buffer, **kept.series)  # type: ignore[arg-type]
        cache.put(
            key,
            {
                "recording.json": kept.recording.to_json().encode(),
                "series.npz": buffer.getvalue(),
                "survey.json": kept.survey.to_json().encode(),
                "proxy.mp4": kept.proxy,
                **found_look(kept.survey, options),
            },
        )
    kept.survey = tidied_survey(kept.survey)
    return kept


def _from_cache(cache: Cache, key: str) -> Surveyed | None:
    from pipeline.model.recording import Recording

    survey, recording = cache.get(key, "survey.json"), cache.get(key, "recording.json")
    series = cache.get(key, "series.npz")
    if survey is None or recording is None or series is None:
        return None
    try:
        with np.load(io.BytesIO(series), allow_pickle=False) as data:
            arrays = {name: data[name] for name in data.files}
        return Surveyed(
            Recording.model_validate_json(recording),
            Survey.model_validate_json(survey),
            arrays,
            cache.get(key, "proxy.mp4") or b"",
        )
    except (ValueError, OSError, KeyError, EOFError):
        return None


def save_surveys(run: CaseRun) -> None:
    """Into the folder of the case: its clips share them."""
    folder = run.folder.whole
    for number, surveyed in enumerate(run.surveyed):
        name = "survey" if number == 0 else f"survey-{number + 1}"
        document, _ = save_survey(surveyed, folder.private_dir, name)
        run.surveys.append(document)
        if surveyed.proxy:
            target = folder.private_file(proxy_name(surveyed.survey.recording.sha256))
            folder.atomic_write(target, surveyed.proxy)
            surveyed.proxy = b""
        elif surveyed.outdated:
            # An older copy may show what is covered by now: the page makes one anew.
            for full in (False, True):
                name = proxy_name(surveyed.survey.recording.sha256, full=full)
                folder.private_file(name).unlink(missing_ok=True)


def source_inputs(run: CaseRun) -> list[SourceInput]:
    return [
        SourceInput(s.recording, s.still, m.recording, m.survey, m.series)
        for s, m in zip(run.opened.sources, run.surveyed, strict=True)
    ]


def measure_narration(run: CaseRun, progress: Progress) -> NarrationInput | None:
    """Clean the narration, keep it as a stem, and measure its speech and levels.

    A narration file lies on its own axis. A narration channel or live narration is
    taken from the kept parts joined, so it lies in case time.
    """
    wanted = run.opened.case.narration
    if wanted is None:
        return None
    warnings: list[str] = []
    progress("narration", 0, 1)
    raw = write_stem(run.work / "voice_raw.f32", 1, _narration_blocks(run))
    if not raw.length:
        raise InputError("The narration holds no sound", "", "give a recording of the voice")
    rest = None
    if wanted.live:
        raw, rest = _split_live(raw, run.work, warnings)
    voice = _cleaned(raw, run.work)
    offset_s, confidence = _offset(run, raw, warnings)
    raw.path.unlink()
    run.voice = NarrationMedia(voice, offset_s, rest)
    spans, power = _levels(voice, run.options.sound.speech_threshold)
    if not spans:
        warnings.append("no speech was found in the narration: nothing is ducked")
    progress("narration", 1, 1)
    return NarrationInput(
        duration_s=voice.length / 48_000,
        spans=spans,
        hop_power=power,
        offset_s=offset_s,
        rest_hop_power=_power(rest) if rest is not None else None,
        warnings=warnings,
        offset_confidence=confidence,
        captions=read_captions(run.opened.captions) if run.opened.captions else [],
    )


def _offset(run: CaseRun, raw: Stem, warnings: list[str]) -> tuple[float, float | None]:
    """Where a narration file starts in case time, and the confidence if it was looked for.

    A take that was recorded in the room is placed by the sound that both heard; below
    the least confidence it starts at 0, with a warning.
    """
    from pipeline.analysis.sound.narration import OFFSET_LEAST_CONFIDENCE, EnvelopeFold, find_offset

    wanted = run.opened.case.narration
    if wanted is None or wanted.file is None:
        return 0.0, None
    if wanted.offset_s != "auto":
        return wanted.offset_s, None
    heard, taken = EnvelopeFold(1), EnvelopeFold(1)
    for block in _case_blocks(run, 0):
        heard.step(block)
    for block in raw.blocks():
        taken.step(block)
    found = find_offset(heard.finish(), taken.finish())
    confidence = round(found.confidence, 2)
    if found.confidence < OFFSET_LEAST_CONFIDENCE:
        warnings.append(
            "no offset of the narration is given, and the room is not heard in it well enough"
            f" to find one (confidence {confidence}): it starts at 0"
        )
        return 0.0, confidence
    warnings.append(
        f"the narration is placed at {found.offset_s:.2f} s by the room sound that it shares with"
        f" the recording (confidence {confidence}): listen to it"
    )
    return round(found.offset_s, 3), confidence


def _cleaned(raw: Stem, work: Path) -> Stem:
    """Without rumble and mains hum, faded in and out."""
    from pipeline.analysis.sound.narration import HumFold, cleaned

    hum = HumFold(1)
    for block in raw.blocks():
        hum.step(block)
    return write_stem(work / "voice.f32", 1, cleaned(raw.blocks(), hum.finish(), raw.length))


def _split_live(raw: Stem, work: Path, warnings: list[str]) -> tuple[Stem, Stem | None]:
    """(voice, rest) of one microphone; (all of it, None) where splitting is not installed."""
    from pipeline.analysis.sound.narration import live_available, split_live

    if not live_available():
        warnings.append(
            "live narration is not split from the room: install fieldstop[live] to duck the room"
        )
        return raw, None
    rest = Stem(work / "rest.f32", 1)
    with writing(), rest.path.open("wb") as file:

        def voices() -> Iterator[NDArray[np.float32]]:
            for voice, other in split_live(raw.blocks()):
                file.write(np.ascontiguousarray(other.T, np.float32).data)
                yield voice

        voice = write_stem(work / "voice_split.f32", 1, voices())
    raw.path.unlink()
    return voice, rest


def _levels(stem: Stem, threshold: float) -> tuple[list[Span], NDArray[np.float32]]:
    from pipeline.analysis.sound import loudness, speech

    fold, voices = loudness.LoudnessFold(stem.channels), speech.SpeechFold(stem.channels)
    for block in stem.blocks():
        fold.step(block)
        voices.step(block)
    spans = list(speech.narration_spans(voices.finish(), threshold))
    return spans, np.asarray(fold.finish().hop_power, np.float32)


def _power(stem: Stem) -> NDArray[np.float32]:
    from pipeline.analysis.sound.loudness import LoudnessFold

    fold = LoudnessFold(stem.channels)
    for block in stem.blocks():
        fold.step(block)
    return np.asarray(fold.finish().hop_power, np.float32)


def _narration_blocks(run: CaseRun) -> Iterator[NDArray[np.float32]]:
    if run.opened.narration is not None:
        check_sound_apart(run.opened.narration)
        yield from narration_sound(run.opened.narration)
        return
    narration = run.opened.case.narration
    yield from _case_blocks(run, (narration.channel if narration is not None else None) or 0)


def _case_blocks(run: CaseRun, channel: int) -> Iterator[NDArray[np.float32]]:
    """The recordings' sound in case time, (1, n): one channel, or for 0 their mean."""
    for kept in planning.keep_parts(run.opened.case, source_inputs(run)):
        media = run.media[kept.source]
        if not media.recording.audio:
            yield np.zeros((1, round((kept.stop_s - kept.start_s) * 48_000)), np.float32)
            continue
        yield from _cut(
            only_channel(media.path, media.recording.video.start_s, channel, media.recording.jumps)
            if channel
            else _mono(media),
            round(kept.start_s * 48_000),
            round(kept.stop_s * 48_000),
        )


def _mono(media: SourceMedia) -> Iterator[NDArray[np.float32]]:
    return read_sound(
        media.path,
        origin_s=media.recording.video.start_s,
        channels=1,
        jumps=media.recording.jumps,
    )


def _cut(
    blocks: Iterator[NDArray[np.float32]], start: int, stop: int
) -> Iterator[NDArray[np.float32]]:
    """Samples [start, stop) of a stream, padded with silence if it ends early."""
    at = 0
    for block in blocks:
        first, last = max(start - at, 0), min(stop - at, block.shape[1])
        if last > first:
            yield block[:, first:last]
        at += block.shape[1]
        if at >= stop:
            return
    if at < stop:
        yield np.zeros((1, stop - max(at, start)), np.float32)


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
    for kept in planning.keep_parts(run.opened.case, source_inputs(run)):
        if kept.source == need.source and need.start_s < kept.stop_s:
            return round(max(0.0, need.start_s - kept.start_s) + kept.case_start_s, 3)
    return need.start_s


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
        surveys=[survey_sha256(s.survey) for s in run.surveyed],
        settings=settings_sha256(run.options),
        plan=planning.plan_sha256(run.plan),
        narration=run.opened.narration_sha256,
    )
    return document.sign_off if holds else None


def write_pages(run: CaseRun, report: Report | None, proof: Report | None) -> None:
    if report is not None:
        run.report = run.folder.private_file("report.html")
        run.folder.atomic_write(run.report, report(run))
        write_events(run)
    if proof is not None and run.kept is not None and run.state != "withheld":
        revision = run.released.revision if run.released is not None else None
        run.proof = proof_file(run.folder, run.kept.name, revision)
        run.folder.atomic_write(run.proof, proof(run))
