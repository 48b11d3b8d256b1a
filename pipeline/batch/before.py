"""What an earlier run made of a case, asked before a batch begins; nothing is written."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from pipeline.batch.dry import consent_words
from pipeline.batch.request import Request
from pipeline.media.container import check_plain_file, file_sha256
from pipeline.model.release import ReleaseRecord
from pipeline.stages.intake import OpenedCase, open_case, remembered_sha256
from pipeline.stages.opening import looked_at, made_before, waits
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import Found
from pipeline.store.hashes import LARGE_BYTES, HashMemory
from pipeline.store.names import Names
from pipeline.store.work import WorkFolder


@dataclass(frozen=True)
class Before:
    """state: how it stands from before; None where it is to be made. release, ready: relative
    to OUT. consent: whether it covers the profile, in words."""

    covered: bool
    consent: str
    inputs: str
    state: Literal["released", "ready", "withheld"] | None = None
    release: str | None = None
    ready: str | None = None
    clip_s: float | None = None


def open_known(path: Path, request: Request, names: Names) -> OpenedCase | None:
    """The case at `path`; None where a large file of it would have to be read for that.

    Such a case is to be made: its worker takes the hash and looks again. Raises FieldstopError.
    """
    try:
        return open_case(
            path,
            out=request.out,
            sha256=remembered_sha256 if request.dry_run else _known_sha256,
            names=names,
            case_pattern=request.options.anonymity.case_pattern,
        )
    except _NotKnown:
        return None


def look_before(
    found: OpenedCase,
    folder: WorkFolder,
    request: Request,
    withheld_before: str,
    known: Catalogue,
    said: Found,
) -> Before:
    """How a case stands. withheld_before: hash of inputs that were withheld.

    said: what was found about consent in OUT. Raises FieldstopError.
    """
    options, out = request.options, request.out
    opened = looked_at(found, folder, options, request.asked(withheld_before), known, said)
    today = datetime.date.today()
    answer = Before(
        opened.consent.covers(options.output.audience, today),
        consent_words(opened.consent, options.output, today),
        opened.inputs,
    )
    before = made_before(opened, known, today)
    if isinstance(before, ReleaseRecord):
        file = folder.release_file(before.sheet.profile, before.sheet.revision)
        at, length_s = file.relative_to(out).as_posix(), before.sheet.duration_s
        return replace(answer, state="released", release=at, clip_s=length_s)
    if before is not None and waits(opened, before):
        at = folder.private_file(before.file).relative_to(out).as_posix()
        return replace(answer, state="ready", ready=at, clip_s=before.plan.duration_s)
    if withheld_before and opened.inputs == withheld_before:
        return replace(answer, state="withheld")
    return answer


class _NotKnown(Exception):
    """The hash of a large file is not remembered."""


def _known_sha256(path: Path) -> str:
    check_plain_file(path)
    if path.stat().st_size < LARGE_BYTES:
        return file_sha256(path)
    known = HashMemory().known(path)
    if known is None:
        raise _NotKnown
    return known
