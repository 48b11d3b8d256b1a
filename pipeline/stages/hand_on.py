"""A released clip for an editor's own program: pictures, two tracks, a timeline with marks.

Only what left goes on: the pictures are the released file itself, the tracks are those that are
heard in it. Gains do not travel between programs, so the ducking is in the tracks.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import InputError, OutputError, UsageError
from pipeline.media.timeline_file import Marks, Track, faults_of_timeline, write_timeline
from pipeline.model.kinds import BY_NAME
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.pseudonym import SAFE
from pipeline.model.timeline import Timeline
from pipeline.stages.any_file import recordings_of
from pipeline.stages.intake import open_case
from pipeline.stages.making import heard
from pipeline.stages.opening import looked_at
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.released import ReleasedClip
from pipeline.stages.rendering.sound import render_sound
from pipeline.stages.stems import check_written, write_ducked
from pipeline.stages.surveying import survey_case
from pipeline.stages.values import Asked
from pipeline.store.catalogue import Catalogue
from pipeline.store.stale import work_folder
from pipeline.store.work import atomic_path, make_folder, writing

_DONE = {"cut": "cut out", "freeze": "picture held", "clear": "contrast restored",
         "black": "picture black", "keep": "kept"}  # fmt: skip
_COVERED = {"lettering": "lettering covered", "face": "face covered", "speech": "speech replaced",
            "damage": "damaged sound replaced"}  # fmt: skip
_SHOWN = {"freeze": "picture held", "black": "picture black", "card": "card"}


@dataclass(frozen=True)
class HandedOn:
    """What was written. lowered_db: how far both tracks were lowered to fit."""

    timeline: Path
    files: list[Path] = field(default_factory=list)
    lowered_db: float = 0.0


def hand_on(
    released: ReleasedClip,
    options: Options,
    catalogue: Catalogue,
    to: Path,
    progress: Progress = no_progress,
) -> HandedOn:
    """Write NAME.otio, NAME.mp4 and the tracks into the folder `to`.

    options: of the clip's profile, as it was made. Raises InputError where its recordings are
    not here any more, NeedsPerson where its tracks are not what is heard in it, OutputError.
    """
    plan, stem = released.clip.plan, released.stem
    for area in ("private", "releases"):
        if to.resolve().is_relative_to((released.folder.out / area).resolve()):
            raise UsageError(f"The folder lies in OUT/{area}", "", "give another one with --to")
    with writing():
        make_folder(to)
    sounds = {what: to / f"{stem}-{what}.wav" for what in ("voice", "procedure")}
    made, lowered_db = dict[str, Path](), 0.0
    if plan.mix is not None:
        made, lowered_db = _tracks_again(released, options, catalogue, sounds, progress)
    pictures = to / released.file.name
    with atomic_path(pictures) as temp:
        shutil.copyfile(released.file, temp)
    lengths = {path.name: check_written(path, plan.duration_s) for path in made.values()}
    rows = [
        Track("pictures", "Video", pictures.name, plan.duration_s,
              [(p.out_start_s, p.length_s, _words(p, plan)) for p in plan.pieces], marks_of(plan)),
        *(Track(what, "Audio", path.name, lengths[path.name], [(0.0, plan.duration_s, what)])
          for what, path in made.items()),
    ]  # fmt: skip
    target = to / f"{stem}.otio"
    with atomic_path(target) as temp:
        write_timeline(temp, stem, plan.frame_rate_hz, rows)
        faults = faults_of_timeline(temp, {pictures.name: plan.duration_s, **lengths})
        if faults:
            raise OutputError("The timeline cannot be used", faults[0], "run it again")
    return HandedOn(target, [pictures, *made.values()], lowered_db)


def _tracks_again(
    released: ReleasedClip,
    options: Options,
    catalogue: Catalogue,
    names: dict[str, Path],
    progress: Progress,
) -> tuple[dict[str, Path], float]:
    """The tracks of the clip, made from the recordings by the plan that is kept of it."""
    clip = released.clip
    media, why = recordings_of(clip)
    if media is None:
        raise InputError("The tracks of the clip cannot be made again", why,
                         "bring the recordings back, or make the clip again")  # fmt: skip
    given = Path(clip.narration_at) if clip.narration_at else None
    found = open_case(Path(clip.case_at), narration=given, out=released.folder.out,
                      case_pattern=SAFE)  # fmt: skip
    asked = Asked(narration=given, narrated=clip.narrated)
    opened = looked_at(found, released.folder.whole, options, asked, catalogue)
    with work_folder(released.folder.whole) as work:
        survey = survey_case(opened, work, progress)
        narration = heard(opened, survey, work, progress)
        sound = render_sound(clip.plan, media, narration.media if narration else None, options,
                             work, progress=progress)  # fmt: skip
        with writing():
            done = write_ducked(released.file, clip.plan, sound, options, work, {
                what: work / path.name for what, path in names.items()
            })  # fmt: skip
        for what, path in done.files.items():
            with atomic_path(names[what]) as temp:
                shutil.copyfile(path, temp)
    return {what: names[what] for what in done.files}, done.lowered_db


def _words(piece: Piece, plan: Plan) -> str:
    title = next((c.title for c in reversed(plan.chapters)
                  if c.start_s <= piece.out_start_s + 1e-3), "")  # fmt: skip
    return ": ".join(filter(None, (title, _SHOWN.get(piece.kind, ""))))


def marks_of(plan: Plan) -> Marks:
    """Chapters, findings with what was done, and what was taken out, in clip time."""
    timeline = Timeline(pieces=plan.pieces)
    marks = [(c.start_s, c.start_s, c.title, "GREEN") for c in plan.chapters]
    for edit in plan.edits:
        name = BY_NAME[edit.kind].name if edit.kind in BY_NAME else edit.kind
        words = f"{name}: {_DONE[edit.action]}"
        for span in timeline.clip_of_source(edit.source, [(edit.start_s, edit.stop_s)]):
            marks.append((*span, words, "YELLOW"))
    for taken in plan.redactions:
        if taken.what == "surround":
            continue
        spans = (timeline.clip_of_sound if taken.of_sound else timeline.clip_of_source)(
            taken.source, [(taken.start_s, taken.stop_s)]
        )
        marks += [(*span, _COVERED[taken.what], "RED") for span in spans]
    return sorted(marks)
