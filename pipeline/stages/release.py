"""Release: move the verified file into place, write its sheet, record it in the catalogue."""

from __future__ import annotations

import datetime
import hashlib
import os
import shutil
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.errors import InputError, NeedsPerson
from pipeline.media.captions import captions_vtt
from pipeline.media.container import file_sha256
from pipeline.media.frame import Picture, jpeg
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.model.consent import KnownConsent
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.release import Check, Looked, ReleaseRecord, Sheet, look_sentence
from pipeline.model.time import format_time
from pipeline.settings import settings_sha256
from pipeline.stages.judged import judged_lines, without_initials
from pipeline.stages.planning.cards import altered_words
from pipeline.stages.planning.matched import gain_lines
from pipeline.stages.planning.plan import plan_sha256
from pipeline.stages.tracing.prints import (
    keep_prints,
    kept_code,
    planned_discs,
    prints_file,
    prints_of,
    take_prints,
)
from pipeline.stages.verifying.beside import (
    POSTER_QUALITY,
    Likest,
    caption_checks,
    poster_checks,
)
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import claim
from pipeline.store.work import WorkFolder, clip_name, discard, refuse_folders

CAUTIONS = [
    "This clip was made for teaching. It is not a medical device and not for diagnosis.",
    "Automatic anonymisation is an aid: a person looks and listens before a clip is used.",
    "Consent and privacy are matters of local law and of your institution's policy.",
]


PROOF = ".proof.html"
# Where this process has put clips, or was about to: told where it is ended before its answer.
LEFT: list[Path] = []


@dataclass(frozen=True)
class Released:
    path: Path
    sheet: Path
    record: Path
    revision: int
    number: int | None
    signed: bool = False


def release(
    finished: Path,
    plan: Plan,
    case: str,
    wanted: int | None,
    options: Options,
    folder: WorkFolder,
    catalogue: Catalogue,
    *,
    sha256: str,
    checks: list[Check],
    consent: KnownConsent,
    survey_hashes: list[str],
    mark: dict[str, Any],
    approved_by: str | None,
    looked: Looked | None = None,
    proof: bool = False,
    suffix: str = "",
    numbered: bool = True,
    inputs: str = "",
    narration: str = "",
    warnings: Sequence[str] = (),
    document: str = "",
    prints: Mapping[str, str] | None = None,
    code_kept: float | None = None,
    recipient: str = "",
    provenance: Sequence[str] = (),
    unsigned_sha256: str = "",
) -> Released:
    """Put `finished` into the releases folder and write sheet, record and catalogue row.

    The file stays where it is, so that a run killed in between has lost nothing.
    proof: one is going to be put beside it.
    looked: the person who looked at it, None where the settings let it go without.
    case: its pseudonym. wanted: its number in the series, None for the next free one.
    suffix: part of the file name of a clip cut from a case. numbered: False for
    clips that stand outside the series. inputs: hash of what it was made from. narration: hash
    of its file.
    document: of the ready clip, kept for what is made beside the release later. prints: what the
    file is found by again, as it was verified; taken from it now if left out. code_kept: share
    of the release code that is in its pictures. recipient: of this copy; goes into the record only.
    provenance: what the signature in it covers. unsigned_sha256: of the file before it was signed.
    The record is written first and the file appears under its name only when whole, so
    that a run killed in between leaves no file without a record: `record_unrecorded`
    finishes such a release. Raises OutputError.
    """
    profile = options.output.profile + suffix
    number = None
    if numbered:
        number = catalogue.claim_number(options.output.series_title, case, wanted)
    revision = catalogue.next_revision(case, profile)
    while folder.release_file(profile, revision).exists():
        revision += 1
    target = folder.release_file(profile, revision)
    today = datetime.date.today()
    (poster, seen), captions = checked_poster(finished, plan), captions_file(plan)
    checks = [*checks, *seen, *captions_are_right(plan, captions)]
    sheet = Sheet(
        case=case,
        title=plan.title,
        number=number,
        series_title=options.output.series_title,
        profile=profile,
        audience=options.output.audience,
        revision=revision,
        replaces=revision - 1 if revision > 1 else None,
        file=target.name,
        sha256=sha256,
        duration_s=plan.duration_s,
        width_px=plan.width_px,
        height_px=plan.height_px,
        year=today.year,
        chapters=[(c.start_s, c.title) for c in plan.chapters],
        sides=plan.sides,
        measured=plan.measured,
        teaching=plan.teaching,
        cautions=CAUTIONS,
        look=look_sentence(looked, initials=False),
        checks=[without_initials(c) for c in checks],
        edits=edit_lines(plan),
        altered=altered_words(plan.edits, plan.redactions, plan.sources),
        poster=target.with_suffix(".jpg").name,
        poster_sha256=hashlib.sha256(poster).hexdigest(),
        captions=target.with_suffix(".vtt").name if captions else None,
        captions_sha256=hashlib.sha256(captions).hexdigest() if captions else None,
        captions_box_px=plan.drawn.box_px if plan.drawn is not None else None,
        proof=f"{target.stem}{PROOF}" if proof else None,
        provenance=list(provenance),
    )
    record = ReleaseRecord(
        sheet=sheet,
        released_at=_not_before(catalogue).isoformat(timespec="seconds"),
        program_version=__version__,
        sources=[s.sha256 for s in plan.sources],
        narration=narration,
        settings_sha256=settings_sha256(options),
        plan_sha256=plan_sha256(plan),
        inputs_sha256=inputs,
        survey_sha256=survey_hashes,
        consent={
            "scope": consent.scope,
            "given_on": str(consent.given_on) if consent.given_on else None,
            "expires_on": str(consent.expires_on) if consent.expires_on else None,
            "references": list(consent.references),
            "voice": consent.voice,
            "review_on": str(consent.review_on) if consent.review_on else None,
        },
        mark=mark,
        approved_by=approved_by,
        looked=looked,
        path=os.path.abspath(target),
        unsigned_sha256=unsigned_sha256,
        code=kept_code(plan, code_kept),
        recipient=recipient,
        warnings=[*plan.warnings, *warnings],
        judged=judged_lines(plan, initials=True),
    )
    arrays = prints or take_prints(finished, planned_discs(plan))
    sheet_file = folder.sheet_file(profile, revision)
    record_file = folder.record_file(profile, revision)
    claim(folder.out, catalogue)
    beside = [folder.release_file(profile, revision, s) for s in (".jpg", ".vtt")]
    latest = folder.private_file("release.json")
    refuse_folders([target, sheet_file, record_file, latest, prints_file(record_file), *beside])
    try:
        folder.atomic_write(record_file, record.to_json())
        keep_prints(record_file, prints_of(sheet, arrays))
        if document:
            folder.atomic_write(folder.clip_document(profile, revision), document)
        folder.atomic_write(beside[0], poster)
        if captions:
            folder.atomic_write(beside[1], captions)
        else:
            discard(beside[1])  # of a run that was killed
        LEFT.append(target)
        with folder.atomic_path(target) as temp:
            put(finished, temp)
            if file_sha256(temp) != sha256:
                raise InputError(
                    "The finished file is not the one that was checked",
                    "another content",
                    "make the clip again",
                )
        try:
            catalogue.add_release(record, leaving=True)
        except NeedsPerson:
            discard(target)
            raise
    except BaseException:
        if not target.exists():
            private = (record_file, prints_file(record_file))
            for path in (*private, folder.clip_document(profile, revision), *beside):
                discard(path)
        raise
    folder.atomic_write(sheet_file, sheet.to_json())
    folder.atomic_write(latest, record.to_json())
    return Released(target, sheet_file, record_file, revision, number, bool(provenance))


def captions_file(plan: Plan) -> bytes:
    """The WebVTT file of a clip; empty where nothing is said."""
    cues = [(c.start_s, c.stop_s, c.text) for c in plan.captions]
    return captions_vtt(cues).encode() if cues else b""


_KEY_S = 0.001


def checked_poster(
    finished: Path, plan: Plan, at_s: float | None = None
) -> tuple[bytes, list[Check]]:
    """A poster as `poster_of`, and its checks from the very bytes that will leave.

    Raises NeedsPerson where one does not pass: then nothing leaves.
    """
    near = _pictures_from(finished, plan.poster_s if at_s is None else at_s)
    poster = jpeg(near[0].frame, plan.height_px, plan.matrix, POSTER_QUALITY)
    likest = Likest(poster, plan.matrix)
    for picture in near:
        likest.look_closely(picture)
    return poster, _all_right(poster_checks(poster, likest))


def captions_are_right(plan: Plan, captions: bytes) -> list[Check]:
    """The checks of the WebVTT file; none where there is none. Raises as `checked_poster`."""
    if not captions:
        return []
    cues = [(c.start_s, c.stop_s, c.text) for c in plan.captions]
    return _all_right(caption_checks(captions, "vtt", cues, plan.duration_s))


def _all_right(checks: list[Check]) -> list[Check]:
    for check in checks:
        if not check.passed:
            raise NeedsPerson(
                "The clip stays here: a check of what lies beside it did not pass",
                f"{check.check}: {check.measured} {check.unit}".strip(),
                "look at the report, then make the clip again", code="check",
            )  # fmt: skip
    return checks


def poster_of(finished: Path, plan: Plan, at_s: float | None = None) -> bytes:
    """A picture of the finished, checked clip as a JPEG without any tags. Raises InputError.

    at_s: clip time; that of the plan's poster if left out.
    """
    shown = _pictures_from(finished, plan.poster_s if at_s is None else at_s)[0]
    return jpeg(shown.frame, plan.height_px, plan.matrix, POSTER_QUALITY)


def _pictures_from(finished: Path, wanted_s: float, most: int = 3) -> list[Picture]:
    """The picture at a time of the clip, and up to `most` - 1 that come after it.

    The coder makes that of the plan's poster a key picture, so nothing is decoded before it.
    Where nothing lies from that time on, the last one before it.
    Raises InputError where there is none.
    """
    before: deque[Picture] = deque(maxlen=1)
    near: list[Picture] = []
    start_s = wanted_s + _KEY_S  # of the clock of the file, which may round down
    for picture in read_pictures(finished, probe(finished), start_s=start_s, from_key=True):
        (near if picture.time_s >= wanted_s - 1e-6 else before).append(picture)
        if len(near) == most:
            break
    if near or before:
        return near or list(before)
    raise InputError("The finished clip holds no picture", "", "look at the recording")


def record_unrecorded(folder: WorkFolder, catalogue: Catalogue) -> None:
    """Finish releases of a killed run: whole files with a record, but no sheet or no row.

    What such a run left beside a clip that never came is removed. Call it while holding
    the lock of the case.
    """
    for suffix in (".jpg", ".vtt"):
        for path in folder.releases_dir.glob(f"*{suffix}"):
            if not path.with_name(f"{clip_name(path.name) or path.stem}.mp4").exists():
                path.unlink(missing_ok=True)
    for path in folder.record_files():
        try:
            record = ReleaseRecord.model_validate_json(path.read_bytes())
        except ValueError:
            continue
        sheet = record.sheet
        target = folder.release_file(sheet.profile, sheet.revision)
        beside = folder.sheet_file(sheet.profile, sheet.revision)
        known = catalogue.has_release(sheet.case, sheet.profile, sheet.revision)
        if sheet.case != folder.case or not target.is_file() or (known and beside.is_file()):
            continue
        if file_sha256(target) != sheet.sha256:
            continue
        if not known:
            catalogue.add_release(record)
        if not beside.is_file():
            folder.atomic_write(beside, sheet.to_json())
        newest = catalogue.latest_release(sheet.case, sheet.profile)
        if newest is not None and newest.sheet.revision == sheet.revision:
            folder.atomic_write(folder.private_file("release.json"), record.to_json())


def whole_records(folder: WorkFolder) -> list[ReleaseRecord]:
    """The records of the case whose file lies in the releases folder."""
    found = []
    for path in folder.record_files():
        try:
            record = ReleaseRecord.model_validate_json(path.read_bytes())
        except ValueError:
            continue
        if folder.release_file(record.sheet.profile, record.sheet.revision).is_file():
            found.append(record)
    return found


def _not_before(catalogue: Catalogue) -> datetime.datetime:
    """Now; by a clock that was set back, the time of the catalogue's newest entry."""
    now, newest = datetime.datetime.now(datetime.UTC), catalogue.newest()
    return now if newest is None else max(now, newest)


def put(source: Path, target: Path) -> None:
    """The same file under another name, to be read by everybody; a copy on another disk."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
    mask = os.umask(0)
    os.umask(mask)
    target.chmod(0o666 & ~mask)


def move(source: Path, target: Path) -> None:
    """Rename; copy where the two lie on different disks."""
    try:
        os.replace(source, target)
    except OSError as error:
        if error.errno != 18:
            raise
        shutil.copyfile(source, target)
        source.unlink()


def edit_lines(plan: Plan) -> list[str]:
    """What was done to the picture, in sentences without source names."""
    lines = []
    for edit in plan.edits:
        if edit.action == "keep":
            continue
        words = {
            "cut": "cut out",
            "freeze": "picture held",
            "clear": "contrast restored",
            "black": "picture black",
        }[edit.action]
        side = plan.sources[edit.source].recording + 1
        lines.append(
            f"recording {side}, {format_time(edit.start_s)} to {format_time(edit.stop_s)}: {words} "
            f"({edit.kind.replace('_', ' ')})"
        )
    lines += [f"colour and exposure matched: {line}" for line in gain_lines(plan.sources)]
    return lines + judged_lines(plan, initials=False)
