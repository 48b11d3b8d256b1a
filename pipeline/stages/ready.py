"""What is ready: a verified clip in the private folder that waits for a person's look.

The clip and its document lie side by side; the document is written last and removed first, so
that there is never one without its clip.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import hmac
import json
import os
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import InputError
from pipeline.media.container import file_sha256
from pipeline.model.consent import KnownConsent
from pipeline.model.options import Options
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Looked
from pipeline.settings import settings_sha256
from pipeline.stages import release as releasing
from pipeline.stages import signing
from pipeline.stages.gate import consent_reasons
from pipeline.store.catalogue import Catalogue
from pipeline.store.hashes import HashMemory
from pipeline.store.names import installation_secret
from pipeline.store.stale import work_folder
from pipeline.store.work import WorkFolder, discard, writing

SUFFIX = ".ready.json"
PRINTS = ".ready.prints.json"
LIMIT_BYTES = 50_000_000


def ready_document(folder: WorkFolder, name: str) -> Path:
    """Where the document of a clip named `HL-0142-web` lies."""
    return folder.private_file(f"{name}{SUFFIX}")


def ready_file_name(name: str) -> str:
    return f"{name}-ready.mp4"


def proof_file(folder: WorkFolder, name: str, revision: int | None) -> Path:
    """The proof of a ready clip; with its revision, that of the release."""
    return folder.private_file(f"{name}{f'-r{revision}' if revision else ''}-proof.html")


def seal_of(clip: ReadyClip) -> str:
    """Keyed hash over everything in the document but the seal itself. Raises OutputError.

    What is as it is left out says nothing: a later version may know more of it.
    """
    text = clip.model_copy(update={"seal": ""}).model_dump_json(
        by_alias=True, exclude_defaults=True
    )
    return hmac.new(installation_secret(), b"ready:" + text.encode(), hashlib.sha256).hexdigest()


def write_ready(clip: ReadyClip, folder: WorkFolder) -> None:
    """Seal the document and write it. Raises OutputError."""
    folder.atomic_write(ready_document(folder, clip.name), sealed_text(clip))


def sealed_text(clip: ReadyClip) -> str:
    """The text of its document, with the seal. Raises OutputError."""
    clip = ReadyClip.model_validate_json(clip.to_json())  # as it will be read
    return clip.model_copy(update={"seal": seal_of(clip)}).to_json()


def keep_ready(
    clip: ReadyClip, finished: Path, folder: WorkFolder, prints: Mapping[str, str]
) -> tuple[ReadyClip, Path]:
    """Move `finished` into the private folder, in place of one that was ready before.

    prints: what it will be found by again, taken while it was verified. Returns the clip, which
    knows them, and where it lies. Raises OutputError.
    """
    document, file = ready_document(folder, clip.name), folder.private_file(clip.file)
    with writing():
        discard(document)
    with folder.atomic_path(file) as temp:
        releasing.move(finished, temp)
    text = json.dumps(dict(prints))
    folder.atomic_write(_prints_file(folder, clip.name), text)
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    clip = clip.model_copy(update={"prints_sha256": sha256})
    write_ready(clip, folder)
    return clip, file


def _prints_file(folder: WorkFolder, name: str) -> Path:
    return folder.private_file(f"{name}{PRINTS}")


def _read_prints(clip: ReadyClip, folder: WorkFolder) -> dict[str, str] | None:
    """The prints that were taken of the ready file; None where they are not those."""
    file = _prints_file(folder, clip.name)
    if file.is_symlink() or not file.is_file() or file.stat().st_size > LIMIT_BYTES:
        return None
    text = file.read_bytes()
    if hashlib.sha256(text).hexdigest() != clip.prints_sha256:
        return None
    arrays: dict[str, str] = json.loads(text)
    return arrays


def read_ready(document: Path, *, sealed: bool = True) -> ReadyClip:
    """The clip of a document, whose file lies beside it.

    sealed: False for one that a worker of a cluster wrote just now, under its own seal.
    Raises InputError for a document that is damaged, was changed since, or names another
    case, profile or file than its own place does.
    """
    wrong = InputError(
        "What is noted of a ready clip cannot be used",
        "damaged, changed by hand, or of another installation",
        "make the clip again",
    )
    try:
        if document.is_symlink() or document.stat().st_size > LIMIT_BYTES:
            raise wrong
        clip = ReadyClip.model_validate_json(document.read_bytes())
    except (OSError, ValueError):
        raise wrong from None
    named = document.name.removesuffix(SUFFIX)
    if (clip.name, clip.file, clip.plan.case) != (named, ready_file_name(named), clip.case):
        raise wrong
    if sealed and not hmac.compare_digest(seal_of(clip), clip.seal):
        raise wrong
    file = document.with_name(clip.file)
    if file.is_symlink() or not file.is_file():
        raise InputError("A ready clip is not there any more", clip.file, "make the clip again")
    return clip


def discard_ready(folder: WorkFolder, name: str) -> None:
    """Remove what is ready under this name, if anything is. Its proof is left: it may be that
    of a release whose proof is still to be written."""
    with writing():
        discard(ready_document(folder, name))
        for file in (folder.private_file(ready_file_name(name)), _prints_file(folder, name)):
            discard(file)


def discard_overtaken(folder: WorkFolder, name: str) -> None:
    """Remove what is ready under this name with its proof: a later run withheld the clip."""
    discard_ready(folder, name)
    with writing():
        discard(proof_file(folder, name, None))


def tidy_ready(folder: WorkFolder) -> None:
    """Remove what a killed run left: a ready clip without its document, or one that was
    released already. Call it while holding the lock of the case."""
    for file in folder.private_dir.glob(f"*{ready_file_name('')}"):
        name = file.name.removesuffix(ready_file_name(""))
        document = ready_document(folder, name)
        if not document.is_file():
            with writing():
                discard(file)
            continue
        try:
            clip = read_ready(document)
        except InputError:
            continue
        left = releasing.whole_records(folder)
        if any(clip.sha256 in (r.sheet.sha256, r.unsigned_sha256) for r in left):
            discard_ready(folder, name)


def standing_ready(
    folder: WorkFolder,
    profile: str,
    made_from: Mapping[str, str],
    consent: KnownConsent,
    options: Options,
    today: datetime.date,
) -> ReadyClip | None:
    """What is ready for the profile, if made from these inputs, still whole and still covered."""
    document = ready_document(folder, f"{folder.case}-{profile}")
    if not document.is_file():
        return None
    try:
        clip = read_ready(document)
    except InputError:
        return None
    if clip.made_from != made_from:
        return None
    if clip.settings_sha256 != settings_sha256(options):
        return None
    if consent_reasons(consent, options.output.audience, today) or clip.voice != consent.voice:
        return None
    whole = HashMemory().sha256(document.with_name(clip.file), file_sha256) == clip.sha256
    return clip if whole else None


def release_clip(
    clip: ReadyClip,
    folder: WorkFolder,
    options: Options,
    catalogue: Catalogue,
    consent: KnownConsent,
    looked: Looked | None,
    *,
    proof: bool = False,
) -> releasing.Released:
    """Release what is ready, nothing rendered again; revision and number are given now.

    Whether it may leave was asked before (`gate.may_leave`). Where the settings name a
    certificate it is signed now; the clip stays ready where that cannot be done. Raises
    OutputError, UsageError, NeedsPerson, or InputError if the file is not the one that was checked.
    """
    file = folder.private_file(clip.file)
    with contextlib.ExitStack() as stack:
        signed = None
        if signing.wanted(options):
            signed = signing.signed_file(file, options, stack.enter_context(work_folder(folder)))
        released = _released(clip, file, signed, folder, options, catalogue, consent, looked, proof)
    discard_ready(folder, clip.name)
    return released


def _released(
    clip: ReadyClip,
    file: Path,
    signed: signing.SignedFile | None,
    folder: WorkFolder,
    options: Options,
    catalogue: Catalogue,
    consent: KnownConsent,
    looked: Looked | None,
    proof: bool,
) -> releasing.Released:
    unsigned_sha256, lines, prints = "", list[str](), _read_prints(clip, folder)
    if signed is not None:
        unsigned_sha256, lines, file = clip.sha256, list(signed.lines), signed.path
        checks = [*clip.checks, *signed.checks]
        clip = clip.model_copy(update={"sha256": signed.sha256, "signed": True, "checks": checks})
    return releasing.release(
        file,
        clip.plan,
        clip.case,
        clip.number,
        options,
        folder,
        catalogue,
        sha256=clip.sha256,
        checks=clip.checks,
        consent=consent,
        survey_hashes=clip.survey_sha256,
        mark=clip.mark,
        approved_by=clip.approved_by,
        looked=looked,
        proof=proof,
        suffix=clip.suffix,
        numbered=clip.numbered,
        inputs=clip.inputs,
        narration=clip.narration_sha256 if clip.narrated else "",
        warnings=clip.warnings,
        document=sealed_text(clip),
        code_kept=clip.code_kept,
        recipient=clip.recipient,
        prints=prints,
        provenance=lines,
        unsigned_sha256=unsigned_sha256,
    )


def absolute(path: Path | None) -> str | None:
    return os.path.abspath(path) if path is not None else None
