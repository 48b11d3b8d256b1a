"""Step 1: open. What was asked, what binds the case, and whether anything is to be made."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.media.glyphs import Glyph, load_glyph
from pipeline.model.options import Options
from pipeline.model.ready import ReadyClip
from pipeline.model.release import ReleaseRecord
from pipeline.stages.consent import bind_consent, look_consent
from pipeline.stages.finishing import leave
from pipeline.stages.gate import forbidden_reasons, may_leave, signed
from pipeline.stages.inputs import inputs_sha256, made_from, read_decisions, standing_release
from pipeline.stages.intake import OpenedCase
from pipeline.stages.likeness import remember_pictures
from pipeline.stages.ready import standing_ready, tidy_ready
from pipeline.stages.release import record_unrecorded
from pipeline.stages.signing import check_signer, leaves_at_once
from pipeline.stages.texts import confirm_texts, texts_of_case
from pipeline.stages.values import Asked, Ending, Opened, looked_now
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import Found
from pipeline.store.names import code_seed
from pipeline.store.stale import clean, work_folder
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import WorkFolder


@contextmanager
def at_work(folder: WorkFolder) -> Iterator[Path]:
    """The lock of a case, and a work folder that is gone afterwards, whatever happens.

    What a killed run left is cleared away first. Raises OutputError.
    """
    folder.prepare()
    with folder.case_lock():
        clean(folder)
        for part in folder.parts():
            tidy_ready(part)
        with work_folder(folder) as work:
            yield work


def opened_case(
    found: OpenedCase,
    folder: WorkFolder,
    options: Options,
    asked: Asked,
    glyph: Glyph,
    known: Catalogue,
) -> Opened:
    """The case with the consent and the decisions that bind it, under its lock.

    What the person who approves has in front of them is confirmed, and what an earlier run
    released without a note is noted. Raises InputError, UsageError, NeedsPerson, OutputError.
    """
    if asked.recipient is not None and not options.mark.release_code:
        raise UsageError(
            "--recipient gives a copy a code of its own, and the release code is turned off",
            "release_code = false", "set release_code = true in [mark] of the settings",
        )  # fmt: skip
    if not asked.survey_only:
        check_signer(options, needed=leaves_at_once(options, asked.looked))
    document = read_decisions(folder)
    consent = bind_consent(found, folder, known)
    opened = Opened(found, folder, options, asked, glyph, consent, document)
    if consent.forbidden or asked.survey_only:
        return opened
    if asked.approve is not None and asked.read_texts:
        leaving = texts_of_case(
            found, options, opened.in_force, title=opened.title, narrated=asked.narrated,
            suffix=asked.suffix,
        )  # fmt: skip
        confirm_texts(leaving, ConfirmedTexts(folder), asked.approve)
    for part in folder.parts():
        record_unrecorded(part, known)
    behind = consent.clock_warning(datetime.datetime.now(datetime.UTC))
    opened = replace(opened, confirmed=ConfirmedTexts(folder).known())
    return replace(_with_hashes(opened), warnings=(behind,) if behind else ())


def looked_at(
    found: OpenedCase,
    folder: WorkFolder,
    options: Options,
    asked: Asked,
    known: Catalogue,
    said: Found | None = None,
) -> Opened:
    """As `opened_case`, without the lock: nothing is noted and nothing written.

    said: what was found about consent in OUT before; read now if left out.
    """
    consent = look_consent(found, folder.out, known, said)
    glyph = load_glyph(options.mark)
    return _with_hashes(
        Opened(found, folder, options, asked, glyph, consent, read_decisions(folder))
    )


def _with_hashes(opened: Opened) -> Opened:
    found, options, asked = opened.found, opened.options, opened.asked
    inputs = _inputs(opened, asked.approve, asked.another)
    parts = made_from(found, options, opened.decisions, narrated=asked.narrated, cut=asked.cut)
    seed = code_seed([s.sha256 for s in found.sources]) if options.mark.release_code else ""
    return replace(opened, inputs=inputs, made_from=parts, code_seed=seed)


def _inputs(opened: Opened, approve: str | None, another: bool) -> str:
    asked = opened.asked
    return inputs_sha256(
        opened.found, opened.options, opened.consent, datetime.date.today(),
        decisions=opened.decisions, approve=approve, another=another, narrated=asked.narrated,
        cut=asked.cut,
    )  # fmt: skip


def rebound(opened: Opened, known: Catalogue) -> Opened:
    """With the consent as it is now: it may have been withdrawn, or narrowed, meanwhile."""
    return replace(opened, consent=bind_consent(opened.found, opened.folder, known))


def made_before(
    opened: Opened, known: Catalogue, today: datetime.date
) -> ReleaseRecord | ReadyClip | None:
    """What an earlier run made from the same, if it is still whole: released, or ready."""
    asked, folder = opened.asked, opened.folder
    if asked.unless_released:
        # What left without an answer needs none: one that is given now changes nothing.
        alike = {opened.inputs, _inputs(opened, None, False)}
        standing = standing_release(known, folder, opened.profile, alike)
        if standing is not None:
            return standing
    return standing_ready(
        folder, opened.profile, opened.made_from, opened.consent, opened.options, today
    )


def waits(opened: Opened, clip: ReadyClip) -> bool:
    """True if a clip that is ready is still to be looked at by somebody."""
    verdict = may_leave(
        clip, opened.consent, opened.decisions, looked_now(opened.asked.looked, existed=True),
        opened.options.output, datetime.date.today(),
    )  # fmt: skip
    return verdict.state == "ready"


def ended_before(opened: Opened, known: Catalogue, work: Path) -> Ending | None:
    """How it ends without anything being made; None where it is to be made.

    Where consent forbids it, nothing at all is made or measured; only its pictures are
    remembered, so that a copy of them is recognised.
    """
    today, asked = datetime.date.today(), opened.asked
    forbidden = forbidden_reasons(opened.consent, opened.options.output.audience, today)
    if forbidden:
        remember_pictures(opened.found, known, work)
        rebound(opened, known)
        return Ending(withheld=tuple(forbidden))
    if asked.survey_only:
        return None
    before = made_before(opened, known, today)
    if isinstance(before, ReleaseRecord):
        return Ending(standing=before, unchanged=True)
    if before is not None and (
        asked.looked or signed(before, opened.decisions) or asked.unless_released
    ):
        # It is there to be looked at: nothing is made again.
        ending = leave(opened, before, looked_now(asked.looked, existed=True), known)
        return replace(ending, unchanged=ending.ready is not None)
    if asked.withheld_before and asked.withheld_before == opened.inputs:
        return Ending(unchanged=True)
    return None
