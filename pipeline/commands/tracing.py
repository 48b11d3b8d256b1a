"""The command that looks whether a clip is one of ours: trace."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FILE, FOLDER, context_of, global_options
from pipeline.commands.say import Say


@click.command()
@click.argument("suspect", type=FILE)
@click.option("--out", "evidence", type=FOLDER, default=Path("evidence"), show_default=True,
              help="Folder for the evidence; private.")  # fmt: skip
@global_options
def trace(suspect: Path, evidence: Path, **values: Any) -> int:
    """Is this clip ours: which release, which seconds, how sure.

    Compares a clip that you downloaded with every release of the catalogue and writes
    report.html and evidence.json. Found or not: exit 0; the answer says which.
    """
    from pipeline.review.traced import build_traced
    from pipeline.stages.tracing.evidence import check_place, keep_evidence
    from pipeline.stages.tracing.trace import as_json, open_catalogue
    from pipeline.stages.tracing.trace import trace as look
    from pipeline.store.catalogue_file import default_catalogue

    context = context_of(values)
    check_place(evidence)
    try:
        with open_catalogue(context.catalogue or default_catalogue()) as catalogue:
            traced = look(suspect, catalogue, context.say.progress)
    finally:
        context.say.stop()
    page, document = keep_evidence(evidence, traced.evidence, build_traced(traced))
    context.say.result({**as_json(traced), "report": str(page), "evidence": str(document)})
    tell(context.say, traced.evidence)
    context.say.line(f"report    {page}")
    return errors.EXIT_DONE


def tell(say: Say, evidence: Any) -> None:
    """The answer in lines."""
    from pipeline.model.time import format_time
    from pipeline.review.traced import code_words, name, rate

    if not evidence.found:
        say.line(f"not found among {evidence.releases} releases")
    for one in evidence.found:
        state = "consent withdrawn: to be taken down" if one.withdrawn else f"consent {one.consent}"
        more = f", replaced by r{one.replaced_by}" if one.replaced_by else ""
        say.line(f"found     {name(one)}  released {one.released_at[:10]}{more}  {state}")
        for m in one.matches:
            say.line(
                f"  {format_time(m.start_s)} to {format_time(m.stop_s)} of the clip is"
                f" {format_time(m.release_start_s)} to {format_time(m.release_stop_s)} of the"
                f" release{', mirrored' if m.mirrored else ''}, speed {m.speed:.2f}"
            )
        if one.code.state != "none":
            say.line(f"  code: {code_words(one.code)}")
        say.line(f"  score {one.score:.2f}; by chance {rate(one.false_alarms)}")
    for note in evidence.notes:
        say.note(f"note: {note}")
    if evidence.not_compared:
        say.note(
            f"note: {len(evidence.not_compared)} releases could not be compared"
            f" ({', '.join(evidence.not_compared[:5])}): run fieldstop catalogue rebuild with"
            " their output folder"
        )
