"""Commands that make something of a clip that left: still, publish, timeline."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FOLDER, context_of, global_options


@click.command()
@click.argument("case")
@click.option("--at", "times", multiple=True, required=True, metavar="T",
              help="Case time of the picture; may be given several times.")  # fmt: skip
@click.option("--clip-time", is_flag=True, help="The times are those of the clip.")
@click.option("--profile", help="Of the clip of this profile.")
@click.option("--out", required=True, type=FOLDER, help="Folder in which it was released.")
@global_options
def still(case: str, times: tuple[str, ...], clip_time: bool, profile: str | None, out: Path,
          **values: Any) -> int:  # fmt: skip
    """Pictures of a released clip as PNG, each with its sheet, beside the clip.

    CASE is a pseudonym, a case folder or a clip's name (HL-0142-web). A still is a picture of
    the released file itself; consent is asked again.
    """
    from pipeline.model.time import parse_time
    from pipeline.stages.released import found_release, note_beside, released_clip
    from pipeline.stages.stills import make_still
    from pipeline.store.catalogue import Catalogue

    context = context_of(values)
    moments = [parse_time(t) for t in times]
    made = []
    record, folder = found_release(out, case, profile)
    with Catalogue(context.catalogue) as store, folder.case_lock():
        released = released_clip(record, folder, store)
        for at_s in moments:
            done = make_still(released, at_s, context.options(None), in_clip=clip_time)
            note_beside(released, [(done.path, "still"), (done.sheet, "sheet")], store)
            made.append(done)
    rows = [
        {"still": str(d.path), "sheet": str(d.sheet), "clip_s": d.clip_s,
         "checks": [c.model_dump() for c in d.checks]}
        for d in made
    ]  # fmt: skip
    context.say.result({"case": record.sheet.case, "stills": rows, "withheld": [], "error": None})
    for done in made:
        context.say.line(f"still     {done.path}")
        context.say.line(f"sheet     {done.sheet}")
    return errors.EXIT_DONE


@click.command()
@click.argument("case")
@click.option("--profile", help="Of the clip of this profile.")
@click.option("--out", required=True, type=FOLDER, help="Folder in which it was released.")
@global_options
def publish(case: str, profile: str | None, out: Path, **values: Any) -> int:
    """What goes with a released clip: posters, a preview loop, texts, publish.json for a script.

    Nothing is sent anywhere; consent is asked again.
    """
    from pipeline.model.scorecard import MOST
    from pipeline.stages.publish import publish as publish_clip
    from pipeline.stages.publish import score
    from pipeline.stages.released import found_release, note_beside, released_clip
    from pipeline.store.catalogue import Catalogue

    context = context_of(values)
    record, folder = found_release(out, case, profile)
    with Catalogue(context.catalogue) as store, folder.case_lock():
        released = released_clip(record, folder, store)
        made = publish_clip(released, context.options(None))
        note_beside(released, made, store)
        card = score(released)
    files = [str(path) for path, _ in made]
    context.say.result({"case": record.sheet.case, "files": files, "scorecard": card.as_json(),
                        "withheld": [], "error": None})  # fmt: skip
    for file in files:
        context.say.line(f"written   {file}")
    context.say.line(f"as a teaching video {card.total} of {MOST} points (LAP-VEGaS, our reading)")
    for item in card.items:
        more = f"  ({item.lacks})" if item.lacks else ""
        context.say.line(f"  {item.points}  {item.name}{more}")
    return errors.EXIT_DONE


@click.command()
@click.argument("case")
@click.option("--to", required=True, type=FOLDER, help="Folder for the timeline and its media.")
@click.option("--profile", help="Of the clip of this profile.")
@click.option("--out", required=True, type=FOLDER, help="Folder in which it was released.")
@global_options
def timeline(case: str, to: Path, profile: str | None, out: Path, **values: Any) -> int:
    """A released clip for an editing program: OpenTimelineIO, pictures, voice and procedure.

    The pictures are the released file; the two tracks are as they are heard in it, ducked, with
    speech replaced. Marks name findings and what was taken out. Consent is asked again.
    """
    from pipeline.stages.hand_on import hand_on
    from pipeline.stages.released import found_release, note_beside, released_clip
    from pipeline.store.catalogue import Catalogue

    context = context_of(values)
    record, folder = found_release(out, case, profile)
    with Catalogue(context.catalogue) as store, folder.case_lock():
        released = released_clip(record, folder, store)
        options = context.options(released.clip.profile)
        try:
            done = hand_on(released, options, store, to, context.say.progress)
        finally:
            context.say.stop()
        made = [done.timeline, *(path for path in done.files if path.name != released.file.name)]
        note_beside(released, [(path, "timeline") for path in made], store)
    files = [str(path) for path in (done.timeline, *done.files)]
    context.say.result({"case": record.sheet.case, "timeline": files[0], "files": files[1:],
                        "lowered_db": done.lowered_db, "withheld": [], "error": None})  # fmt: skip
    for file in files:
        context.say.line(f"written   {file}")
    if done.lowered_db:
        context.say.line(f"both tracks were lowered by {-done.lowered_db:.1f} dB to fit")
    return errors.EXIT_DONE
