"""`fieldstop verify FILE`: every check that a finished file can be given where it lies.

A file may be anybody's; or a release with its sheet; or lie in the OUT folder in which it was
made, with its plan in the private folder, and its recordings where they were. Whatever could
not be checked is said with its reason, and is never counted as passed.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from zipfile import BadZipFile

from pipeline.errors import FieldstopError, InputError, UsageError
from pipeline.media.container import file_sha256, open_media
from pipeline.media.glyphs import load_glyph
from pipeline.media.guard import probe_apart
from pipeline.media.probe import probe
from pipeline.media.time_stamps import JUMP_S
from pipeline.model.options import Options
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Check, NotChecked, ReleaseRecord, Sheet
from pipeline.model.survey import Survey
from pipeline.settings import settings_sha256
from pipeline.stages.beside_files import BesideFiles
from pipeline.stages.intake import remembered_sha256
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.ready import SUFFIX, read_ready, ready_file_name, seal_of
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.signing import HOLDS, LISTED, signature_checks
from pipeline.stages.signing import wanted as wanted_signed
from pipeline.stages.survey import load_series
from pipeline.stages.verifying.alone import verify_file
from pipeline.stages.verifying.captioned import DRAWN
from pipeline.stages.verifying.coding import coarseness
from pipeline.stages.verifying.compared import PREFIX as COMPARED
from pipeline.stages.verifying.kept import verify_kept
from pipeline.stages.verifying.result import Verified, make_check
from pipeline.stages.verifying.throughout import NAME as SURVEYED
from pipeline.stages.verifying.throughout import Series
from pipeline.store.names import secret_file
from pipeline.store.work import WorkFolder

NO_PLAN = "its plan is not here: it does not lie in the folder it was made in"
_LIMIT_BYTES = 50_000_000
# What is checked before a release, and needs more than the file. Others begin with these words.
SOURCES = (
    "picture like its source", "picture brightness kept", "picture colours kept",
    "no picture of its neighbour", "mark seen throughout", SURVEYED,
    "pictures at their times", "damaged pictures shown", "mark visible inside its band",
    "mark visible in every second", "restored contrast is named in the picture",
    "release code reads back", "release code reads back over all",
)  # fmt: skip
TRACKS = (
    "sound as mixed", "tracks at their planned gains", "speech left in the procedure sound",
    "procedure sound that cannot be judged", "live speech that nobody marked", "narration ",
)  # fmt: skip
WORDS = ("lettering in the picture", "faces in the picture")
PLAN = (
    "redacted boxes black", "surround without a faint picture", "length as planned", "chapters",
    "colour tags", "cards as planned", "picture size", "text track as planned",
)  # fmt: skip
_BESIDE = ("poster ", "captions")  # looked at where they lie
_ANY = ("narration over background",)
BECAUSE_TRACKS = "in the file the narration and the procedure's sound are mixed"
BECAUSE_LOUDNESS = "nothing here tells how loud it is meant to be: give its --profile"


@dataclass(frozen=True)
class Known:
    """What lies here of a finished file beside itself.

    sheet: that lies beside it, of this content or not. clip: what is kept of it in the private
    folder. recorded: the sheet as it was noted there. no_plan: why its plan cannot be used.
    """

    sheet: Sheet | None = None
    clip: ReadyClip | None = None
    recorded: Sheet | None = None
    no_plan: str = NO_PLAN


def verify_any(
    path: Path,
    options_of: Callable[[str | None], Options],
    profile: str | None,
    *,
    progress: Progress = no_progress,
) -> Verified:
    """Every check that can be made, and those that cannot, with why.

    options_of: the settings of a profile; left out, that of the sheet or plan is taken, if this
    is its file. Raises InputError if it cannot be read, UsageError for the profile that was given.
    """
    known = known_of(path)
    sha256 = file_sha256(path) if known.sheet is not None or known.clip is not None else ""
    checks = _content_checks(known, sha256)
    mine = all(c.passed for c in checks)
    options, clip, no_plan = _settled(known if mine else replace(known, sheet=None), options_of,
                                      profile)  # fmt: skip
    beside = BesideFiles(path, probe_apart(path), known.sheet, clip.plan if clip else None,
                         coarseness(options.output.crf))  # fmt: skip
    if clip is not None:
        signed = clip.signed
    else:
        signed = bool(known.sheet.provenance) if mine and known.sheet else wanted_signed(options)
    wanted_lufs, silent = _told_sound(clip, known.sheet if mine else None)
    if clip is None:
        found = verify_file(
            path, options, wanted_lufs=wanted_lufs, each=beside.look, progress=progress,
            captions_px=known.sheet.captions_box_px if mine and known.sheet else None,
            signed=signed,
        )  # fmt: skip
        no_sources = no_plan
    else:
        media, no_sources = recordings_of(clip)
        found = verify_kept(
            path, clip.plan, media, load_glyph(options.mark).coverage, options, silent=silent,
            wanted_lufs=wanted_lufs, series=_series(path, clip), signed=signed, progress=progress,
        )  # fmt: skip
    lying, unknown = beside.checked()
    if signed:
        signature, unread = _signature(path)
        lying, unknown = [*lying, *signature], [*unknown, *unread]
    if profile is None and clip is None and wanted_lufs is None:
        kept = tuple(c for c in found.checks if c.check != "loudness")
        if len(kept) < len(found.checks):
            unknown.append(NotChecked(check="loudness", because=BECAUSE_LOUDNESS))
        found = replace(found, checks=kept)
    made = [*checks, *found.checks, *lying]
    wanted = clip.checks if clip else known.sheet.checks if mine and known.sheet else None
    names = _wanted_names(wanted)
    missing = [n for n in names if not any(c.check == n for c in made)]
    could_not = [
        NotChecked(check=n, because=_because(n, no_plan, no_sources, clip is not None))
        for n in missing
    ]
    return replace(found, checks=tuple(made), could_not=(*could_not, *unknown))


def _signature(path: Path) -> tuple[list[Check], list[NotChecked]]:
    try:
        return signature_checks(path), []
    except UsageError as error:
        why = f"what reads it is not installed ({error.got})"
        return [], [NotChecked(check=name, because=why) for name in (HOLDS, LISTED)]


def known_of(path: Path) -> Known:
    """The sheet and the plan of a finished file, by where it lies."""
    sheet = None
    try:
        beside = path.with_suffix(".sheet.json")
        if not beside.is_symlink() and beside.stat().st_size <= _LIMIT_BYTES:
            sheet = Sheet.model_validate_json(beside.read_bytes())
    except (OSError, ValueError):
        pass
    return replace(_kept(path), sheet=sheet)


def _kept(path: Path) -> Known:
    """What is kept of a ready clip or of a release in its OUT folder."""
    changed = "its plan was changed, or was sealed by another installation"
    try:
        at = path.resolve()
        ready = at.with_name(f"{at.name.removesuffix(ready_file_name(''))}{SUFFIX}")
        if at.name.endswith(ready_file_name("")) and ready.is_file():
            return (
                Known(clip=read_ready(ready)) if secret_file().is_file() else Known(no_plan=changed)
            )
        out = at.parents[2]
        if at.parent.parent.name != "releases" or not (out / "private" / at.parent.name).is_dir():
            return Known()
        for folder in WorkFolder(out, at.parent.name).parts():
            document = folder.private_file(f"{at.stem}.clip.json")
            if document.is_symlink() or not document.is_file():
                continue
            clip = ReadyClip.model_validate_json(document.read_bytes())
            sealed = secret_file().is_file() and hmac.compare_digest(seal_of(clip), clip.seal)
            record = folder.private_file(f"{at.stem}.release.json")
            if not sealed:
                return Known(no_plan=changed)
            noted = None
            if record.is_file() and not record.is_symlink():
                noted = ReleaseRecord.model_validate_json(record.read_bytes()).sheet
            return Known(clip=clip, recorded=noted)
    except (OSError, ValueError, IndexError, FieldstopError):
        return Known(no_plan=changed)
    return Known()


def _content_checks(known: Known, sha256: str) -> list[Check]:
    """That the file is the one that its sheet, and what is kept of it, are about."""
    checks = []
    for name, document in (("sheet", known.sheet), ("plan", known.clip)):
        if document is not None:
            same = document.sha256 == sha256
            said = "yes" if same else "no: another content"
            checks.append(make_check(f"file is the one of its {name}", said, "yes", "", same))
    if known.sheet is not None and known.recorded is not None:
        same = known.sheet == known.recorded
        checks.append(make_check("sheet as recorded", "yes" if same else "no", "yes", "", same))
    return checks


def _settled(
    known: Known, options_of: Callable[[str | None], Options], profile: str | None
) -> tuple[Options, ReadyClip | None, str]:
    """The settings in force, and what is kept if it was made by these; else why not."""
    told = known.clip.profile if known.clip else known.sheet.profile if known.sheet else None
    if profile is not None or told is None:
        options = options_of(profile)
    else:
        options = _of_sheet(told, options_of)
    clip = known.clip
    if clip is None:
        return options, None, known.no_plan
    if settings_sha256(options) != clip.settings_sha256:
        return options, None, ("the settings are not those that it was made with: give the same"
                               " --config and --profile")  # fmt: skip
    return options, clip, ""


def _of_sheet(told: str, options_of: Callable[[str | None], Options]) -> Options:
    """By the profile of a sheet, which may go on with the times of a clip."""
    parts = told.split("-")
    for count in range(len(parts), 0, -1):
        try:
            return options_of("-".join(parts[:count]))
        except UsageError:
            continue
    return options_of(None)


def _told_sound(clip: ReadyClip | None, sheet: Sheet | None) -> tuple[float | None, bool]:
    """The loudness that the file was brought to, and whether it was made without sound."""
    checks = clip.checks if clip else sheet.checks if sheet else []
    limits = [c.limit for c in checks if c.check == "loudness"]
    limit = limits[0] if limits else None
    return (
        float(limit) if isinstance(limit, (int, float)) else None,
        not checks or any(c.check == "sound" for c in checks),
    )


def recordings_of(clip: ReadyClip) -> tuple[list[SourceMedia] | None, str]:
    """The recordings of a clip, if all lie where they were and are the same; else why not."""
    media = []
    if len(clip.sources_at) != len(clip.plan.sources):
        return None, "nothing tells where its recordings are"
    for source, at in zip(clip.plan.sources, clip.sources_at, strict=True):
        path = Path(at)
        try:
            if not path.is_file():
                return None, "its recordings are not where they were"
            if remembered_sha256(path) != source.sha256:
                return None, "its recordings were changed since"
            recording = probe(path)
            if not source.still and _jumps(path):
                return None, "the time stamps of its recordings jump"
        except (InputError, OSError):
            return None, "its recordings cannot be read"
        media.append(SourceMedia(path, recording, source.still))
    return media, ""


def _series(path: Path, clip: ReadyClip) -> list[Series] | None:
    """What the surveys of a clip's recordings kept, where they lie beside its plan; else None."""
    places = [out / "private" / clip.case for out in path.resolve().parents[:5]]
    folder = next((p for p in places if p.is_dir()), None)
    found: dict[str, Series] = {}
    for document in sorted(folder.glob("survey*.json")) if folder else []:
        try:
            survey = Survey.model_validate_json(document.read_bytes())
            name = document.with_suffix(".npz").name.replace("survey", "series")
            found[survey.recording.sha256] = load_series(document.with_name(name))
        except (OSError, ValueError, EOFError, BadZipFile):
            continue
    series = [found.get(source.sha256, {}) for source in clip.plan.sources]
    return series if all("tiles" in s for s in series) else None


def _jumps(path: Path) -> bool:
    """Whether decoding times jump: what the survey measured of that is not kept."""
    with closing(open_media(path)) as container:
        stamps = [
            float(p.dts * p.time_base)
            for p in container.demux(container.streams.video[0])
            if p.dts is not None
        ]
    return any(not 0 <= b - a <= JUMP_S for a, b in pairwise(stamps))


def _wanted_names(recorded: Sequence[Check] | None) -> list[str]:
    """Checks that were made of this clip, or that are made of any before its release."""
    if recorded is None:
        return [*(n for n in (*SOURCES, *TRACKS, *PLAN) if not n.endswith(" ")), *_ANY, *WORDS]
    mine = [c.check for c in recorded if c.check in DRAWN or not c.check.startswith(_BESIDE)]
    return [*mine, *(w for w in WORDS if w not in mine)]


def _because(name: str, no_plan: str, no_sources: str, planned: bool) -> str:
    if name.startswith(TRACKS):
        return BECAUSE_TRACKS
    if name in WORDS and not planned:
        return f"only the plan tells what is meant to be seen, and {no_plan}"
    if name in WORDS:
        return "the settings leave it out, or what finds them is not installed"
    if name == SURVEYED and not no_plan:
        return "what the survey kept of its recordings is not here"
    if name in SOURCES or name.startswith((COMPARED, "scale bar ")):
        return no_sources or no_plan or "it does not hold what this looks at"
    return no_plan or "nothing here tells it"
