"""Draft captions from the sound, by a model of the user's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FILE, FOLDER, context_of, global_options


@click.command()
@click.argument("case", type=FILE)
@click.option("--model", required=True, type=click.Path(path_type=Path),
              help="Folder of a Whisper model for faster-whisper; nothing is fetched.")  # fmt: skip
@click.option("--out", required=True, type=FOLDER, help="Folder for what is written.")
@click.option("--narration", type=FILE, help="Sound file with the narrator's voice.")
@click.option("--language", help="That is spoken, such as en; left out: found by the model.")
@global_options
def captions(case: Path, model: Path, out: Path, narration: Path | None, language: str | None,
             **values: Any) -> int:  # fmt: skip
    """Draft captions of the narration, for you to correct; private.

    Name the corrected file in case.toml: no clip leaves with it before a person confirmed it.
    """
    from pipeline.media.whisper import Ear
    from pipeline.model.time import format_time
    from pipeline.stages.drafting import draft_captions

    context = context_of(values)
    options, say = context.options(None), context.say
    try:
        ear = Ear(model, language, options.machine.threads)
        done = draft_captions(
            case, out, options, ear, narration=narration, catalogue=context.catalogue,
            progress=say.progress,
        )  # fmt: skip
    finally:
        say.stop()
    names = [(c.start_s, word) for c in done.cues for word in c.names]
    say.result({
        "case": done.case, "draft": str(done.path), "captions": len(done.cues),
        "language": done.language, "unspoken_words": done.unspoken,
        "look_like_names": [{"start_s": s, "word": word} for s, word in names],
        "heard_badly": sum(len(c.doubtful) for c in done.cues),
        "too_fast": sum(c.fast for c in done.cues), "error": None,
    })  # fmt: skip
    say.line(f"case      {done.case}")
    say.line(f"draft     {done.path}")
    say.line(
        f"captions  {len(done.cues)}, language {done.language}; what to look at is in its notes"
    )
    for at_s, word in names:
        say.line(f"a name?   {format_time(at_s)}  {word}")
    if done.unspoken:
        say.note(f"note: {done.unspoken} words that were written where nobody speaks are left out")
    say.line('Correct it, put it beside case.toml and name it there: captions = "FILE.vtt"')
    return errors.EXIT_DONE
