"""What goes with a released clip where it is published: posters, a preview loop, texts."""

from __future__ import annotations

from pathlib import Path

from pipeline.media.captions import captions_srt
from pipeline.model.options import Options
from pipeline.model.publishing import Preview, publishing
from pipeline.model.scorecard import Scorecard, scorecard
from pipeline.stages.preview import make_preview
from pipeline.stages.release import checked_poster
from pipeline.stages.released import ReleasedClip, stills_beside


def publish(released: ReleasedClip, options: Options) -> list[tuple[Path, str]]:
    """Write all that goes with a clip beside it: more posters, a preview loop, captions as
    SubRip, description and `publish.json`.

    (path, what) of each. Raises OutputError, and NeedsPerson where a check does not pass.
    """
    sheet, plan, made = released.record.sheet, released.clip.plan, list[tuple[Path, str]]()
    posters = [sheet.poster] if sheet.poster else []
    for number, at_s in enumerate(plan.more_posters_s, start=2):
        data, _ = checked_poster(released.file, plan, at_s)
        path = released.beside(f"-poster-{number}.jpg")
        released.folder.atomic_write(path, data)
        posters.append(path.name)
        made.append((path, "poster"))
    loop = make_preview(released, options)
    preview = None
    if loop is not None:
        path, span = loop
        preview = Preview(file=path.name, clip_s=(span.start_s, span.stop_s))
        made.append((path, "preview"))
    captions = [sheet.captions] if sheet.captions else []
    cues = [(c.start_s, c.stop_s, c.text) for c in plan.captions]
    if cues:
        path = released.beside(".srt")
        released.folder.atomic_write(path, captions_srt(cues))
        captions.append(path.name)
        made.append((path, "captions"))
    document = publishing(
        sheet, captions, [p.name for p in stills_beside(released)], posters, preview
    )
    for name, text in (
        (".description.txt", document.description),
        (".publish.json", document.to_json()),
    ):
        path = released.beside(name)
        released.folder.atomic_write(path, text)
        made.append((path, "text"))
    return made


def score(released: ReleasedClip) -> Scorecard:
    """How complete the clip is as a teaching video."""
    plan, stills = released.clip.plan, len(stills_beside(released))
    return scorecard(released.record.sheet, plan, stills)
