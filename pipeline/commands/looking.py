"""Commands that look: probe, verify, review."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from pipeline import errors
from pipeline.commands.base import FILE, FOLDER, context_of, global_options, report_of
from pipeline.errors import InputError


@click.command()
@click.argument("out", type=FOLDER)
@click.option("--by", metavar="INITIALS", help="Your initials, for decisions and the sign-off.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port of the page; 0 for any free one.")
@click.option("--new-link", is_flag=True, help="Draw a new address; the old one opens nothing.")
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option("--profile", help="Profile that clips are made for; left out: web.")
@global_options
def review(out: Path, by: str | None, port: int | None, new_link: bool, no_browser: bool,
           profile: str | None, **values: Any) -> int:  # fmt: skip
    """The local review page over an OUT folder: see, hear, overrule, sign off.

    Its address stays the same for a folder, also after a restart.
    """
    context = context_of(values)
    if not (out / "private").is_dir():
        raise InputError("The folder holds no cases", "", "give the --out folder of make")
    from pipeline.review.folder import FolderBackend
    from pipeline.stages.signing import check_signer
    from pipeline.store.catalogue import Catalogue
    from pipeline.store.consent_files import check_catalogue

    with Catalogue(context.catalogue) as known:
        known.feed(check_catalogue(out, known).facts)
    from pipeline.review.link import only_one, open_server

    options = context.options(profile)
    check_signer(options, needed=False, ask=True)
    backend = FolderBackend(out, options, catalogue=context.catalogue, report=report_of)
    try:
        with only_one(out):
            server, note = open_server(backend, port=port, by=by or "", new=new_link)
            context.say.result({"address": server.address, "error": None})
            context.say.line(f"review    {server.address}")
            context.say.line("Stop it with Ctrl-C. It answers on this machine only.")
            if note:
                context.say.note(f"note: {note}")
            if not no_browser:
                import threading
                import webbrowser

                threading.Timer(0.4, webbrowser.open, [server.address]).start()
            server.run()
    finally:
        backend.close()
    return errors.EXIT_DONE


@click.command()
@click.argument("file", type=FILE)
@global_options
def probe(file: Path, **values: Any) -> int:
    """What a file is, and what in it could identify someone."""
    from pipeline.media.guard import probe_apart as look
    from pipeline.store.names import Names, earlier_names

    context = context_of(values)
    found = look(file)
    name = Names(None, earlier_names(context.catalogue)).of(found.sha256)
    context.say.result({"label": name, "recording": json.loads(found.to_json()), "error": None})
    video = found.video
    context.say.line(f"called    {name}")
    context.say.line(
        f"picture   {video.codec} {found.width_px}x{found.height_px}"
        f" {found.frame_rate_hz:g} Hz {video.pixel_format} {video.matrix}"
        f"{' interlaced' if video.interlaced else ''}"
        f"{f' turned {video.rotation_deg} degrees' if video.rotation_deg else ''}"
    )
    for sound in found.audio:
        context.say.line(f"sound     {sound.codec} {sound.rate_hz} Hz {sound.layout}")
    context.say.line(f"length    {found.duration_s:.2f} s (by the header)")
    for item in found.identifying:
        context.say.line(f"identifying  {item.where}: {item.key} ({item.kind})")
    if not found.identifying:
        context.say.line("identifying  no tags or extra streams found")
    context.say.line("note      lettering, faces and voices are looked for by make, not here")
    for warning in found.warnings:
        context.say.line(f"note      {warning}")
    return errors.EXIT_DONE


@click.command()
@click.argument("file", type=FILE)
@click.option("--profile", help="Profile whose limits apply; left out: that of its sheet, or web.")
@global_options
def verify(file: Path, profile: str | None, **values: Any) -> int:
    """The checks on any finished file, and which of them could not be made."""
    from pipeline.stages.any_file import verify_any

    context = context_of(values)
    try:
        result = verify_any(file, context.options, profile, progress=context.say.progress)
    finally:
        context.say.stop()
    context.say.result(
        {
            "checks": [c.model_dump() for c in result.checks],
            "could_not": [c.model_dump() for c in result.could_not],
            "passed": result.passed,
            "wholly_checked": not result.could_not,
            "error": None,
        }
    )
    for check in result.checks:
        mark = "passed" if check.passed else "FAILED"
        context.say.line(
            f"{mark}  {check.check}: {check.measured} {check.unit} (limit {check.limit})"
        )
    for why in dict.fromkeys(c.because for c in result.could_not):
        names = ", ".join(c.check for c in result.could_not if c.because == why)
        context.say.line(f"could not be checked: {names}, because {why}")
    if result.could_not:
        made = len(result.checks)
        context.say.line(
            f"This file was not wholly checked: {made} checks were made, {len(result.could_not)}"
            " could not be. What could not be checked has not passed."
        )
    return errors.EXIT_DONE if result.passed else errors.EXIT_WITHHELD
