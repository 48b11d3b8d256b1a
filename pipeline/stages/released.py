"""A clip that left, found again for what is made beside it: asked anew whether it may leave.

Whatever is made beside a clip is made from the released file itself, whose content was
verified and looked at: it cannot show what the clip does not show.
"""

from __future__ import annotations

import datetime
import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError, NeedsPerson, UsageError
from pipeline.media.container import file_sha256
from pipeline.model.beside import BesideFile, BesideList
from pipeline.model.consent import nearest_names
from pipeline.model.options import Options
from pipeline.model.ready import ReadyClip
from pipeline.model.release import ReleaseRecord, Withheld
from pipeline.stages.gate import consent_reasons
from pipeline.stages.inputs import read_decisions, resolved_by
from pipeline.stages.leave import as_found, consent_today, ready_documents
from pipeline.stages.likeness import alike_since
from pipeline.stages.named import case_of
from pipeline.stages.ready import seal_of
from pipeline.stages.release import whole_records
from pipeline.stages.values import now_text
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import check_catalogue
from pipeline.store.names import Names
from pipeline.store.work import WorkFolder, atomic_write, beside_clip, clip_name, is_clip


@dataclass(frozen=True)
class ReleasedClip:
    """The record of a release, what it was made from, and where it lies."""

    record: ReleaseRecord
    clip: ReadyClip
    folder: WorkFolder
    file: Path

    @property
    def stem(self) -> str:
        return self.file.stem

    def beside(self, name: str) -> Path:
        """A file beside the clip: `-still-0m01s500.png` or `.srt` after the clip's name."""
        return self.file.with_name(f"{self.stem}{name}")


def found_release(out: Path, name: str, profile: str | None) -> tuple[ReleaseRecord, WorkFolder]:
    """The newest release that a person names: a pseudonym, a clip's name, its file, or what
    `case_of` knows of. A pseudonym means the clip of the whole case where one left, else the
    clips of its parts and the copies for recipients.

    Raises InputError where nothing of that name left, UsageError where a case has several
    clips, NeedsPerson where one is only ready.
    """
    base = Path(name).name if name.endswith(".mp4") else name
    wanted = clip_name(f"{base}.") or clip_name(base) or base
    private = out / "private"
    cases = [p.name for p in private.iterdir()] if private.is_dir() else []
    cases = sorted(c for c in cases if not c.startswith("."))
    if wanted not in cases and Path(name).exists() and not is_clip(Path(name)):
        wanted = case_of(name, Names(out))
    newest: dict[str, tuple[ReleaseRecord, WorkFolder]] = {}
    for case in cases:
        if wanted != case and not wanted.startswith(f"{case}-"):
            continue
        for folder in WorkFolder(out, case).parts():
            for record in whole_records(folder):
                sheet = record.sheet
                stem = folder.stem(sheet.profile, sheet.revision)
                if wanted not in (case, stem, f"{case}-{sheet.profile}"):
                    continue
                key = stem if wanted == stem else sheet.profile
                mine = sheet.profile.removesuffix(f"-{folder.clip}") if folder.clip else None
                if profile is not None and profile not in (sheet.profile, mine):
                    continue
                if key not in newest or newest[key][0].sheet.revision < sheet.revision:
                    newest[key] = (record, folder)
    if whole := {k: found for k, found in newest.items() if not found[1].clip}:
        newest = whole
    if len(newest) == 1:
        return next(iter(newest.values()))
    if newest:
        names = sorted(f"{r.sheet.case}-{r.sheet.profile}" for r, _ in newest.values())
        raise UsageError(
            f"{wanted} has {len(names)} clips that left", ", ".join(names[:6]),
            "name one of them, or give --profile",
        )  # fmt: skip
    raise _nothing(out, wanted, cases)


def _nothing(out: Path, wanted: str, cases: Sequence[str]) -> InputError | NeedsPerson:
    ready = [d.name.removesuffix(".ready.json") for d in ready_documents(out)]
    mine = [n for n in ready if n == wanted or n.startswith(f"{wanted}-")]
    if mine:
        return NeedsPerson(
            f"{mine[0]} is ready, but nobody has looked at it", "",
            f"look at it, then run fieldstop release {mine[0]} --by INITIALS", code="look",
        )  # fmt: skip
    if wanted in cases:
        return InputError(f"Nothing of {wanted} left that lies here", "",
                          "run fieldstop make on the case, then fieldstop release")  # fmt: skip
    near = nearest_names(wanted, cases)
    do = f"did you mean {', '.join(near)}?" if near else "give the --out folder of make"
    return InputError("There is no case or clip of that name here", "", do)


def released_clip(record: ReleaseRecord, folder: WorkFolder, catalogue: Catalogue) -> ReleasedClip:
    """The clip, if what it is was not changed and it may still leave today.

    Call it while holding the lock of the case. Raises NeedsPerson where consent does not cover
    its audience today or a person decided otherwise since, InputError where the file or what
    is kept of it was changed.
    """
    sheet = record.sheet
    file = folder.release_file(sheet.profile, sheet.revision)
    check_catalogue(folder.out, catalogue)
    clip = _kept_clip(record, folder)
    if file.is_symlink() or file_sha256(file) != sheet.sha256:
        raise InputError("The released file is not the one that was checked", file.name,
                         "restore it, or make the clip again")  # fmt: skip
    if not catalogue.has_release(sheet.case, sheet.profile, sheet.revision):
        raise NeedsPerson("The catalogue does not know this release", file.name,
                          "run fieldstop catalogue rebuild with the OUT folder")  # fmt: skip
    why = still_may_leave(clip, folder, catalogue)
    if why:
        do = "see fieldstop catalogue"
        if why[0].code == "changed":
            do = "run fieldstop make on the case, then fieldstop release"
        raise NeedsPerson(f"Nothing of {sheet.case} may leave", why[0].message, do,
                          code=why[0].code)  # fmt: skip
    return ReleasedClip(record, clip, folder, file)


def still_may_leave(clip: ReadyClip, folder: WorkFolder, catalogue: Catalogue) -> list[Withheld]:
    """Why nothing more of a released clip may leave; empty if it may."""
    case, _ = as_found(clip, folder.out, [])
    consent = consent_today(clip, case, folder, catalogue)
    reasons = consent_reasons(consent, clip.plan.audience, datetime.date.today())
    if clip.voice and not consent.voice and not reasons:
        reasons = [Withheld(code="consent", message="consent does not cover voices any more")]
    decided = resolved_by(Options(), read_decisions(folder))["the decisions"]
    if decided != clip.made_from.get("the decisions"):
        reasons.append(
            Withheld(code="changed", message="a person decided about the case since it left")
        )  # fmt: skip
    return reasons or alike_since(clip, folder, catalogue)


def _kept_clip(record: ReleaseRecord, folder: WorkFolder) -> ReadyClip:
    wrong = InputError(
        "What is kept of the released clip cannot be used",
        "missing, damaged, changed by hand, or of another installation",
        "make and release the clip again",
    )
    sheet = record.sheet
    document = folder.clip_document(sheet.profile, sheet.revision)
    try:
        clip = ReadyClip.model_validate_json(document.read_bytes())
    except (OSError, ValueError):
        raise wrong from None
    if not hmac.compare_digest(seal_of(clip), clip.seal) or clip.sha256 != sheet.sha256:
        raise wrong
    return clip


def note_beside(
    released: ReleasedClip, made: Sequence[tuple[Path, str]], catalogue: Catalogue
) -> None:
    """Record files made beside a clip, privately and in the catalogue. Raises OutputError."""
    sheet = released.record.sheet
    path = released.folder.private_file(f"{released.stem}.beside.json")
    try:
        known = BesideList.model_validate_json(path.read_bytes()).files
    except (OSError, ValueError):
        known = []
    new = [
        BesideFile(file=p.name, what=what, sha256=file_sha256(p), made_at=now_text())
        for p, what in made
    ]
    kept = [f for f in known if (f.file, f.sha256) not in {(n.file, n.sha256) for n in new}]
    document = BesideList(
        case=sheet.case, profile=sheet.profile, revision=sheet.revision, files=[*kept, *new]
    )
    atomic_write(path, document.to_json(), private=True)
    catalogue.note_beside(document)


def stills_beside(released: ReleasedClip) -> list[Path]:
    """The stills that lie beside a clip."""
    mark = f"{released.stem}-still-"
    return [p for p in beside_clip(released.file) if p.name.startswith(mark) and p.suffix == ".png"]
