"""The command line. Heavy libraries load inside the commands, so that -h answers at once."""

from __future__ import annotations

import atexit
import json
import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import click

from pipeline import __version__, errors
from pipeline.errors import FieldstopError, InputError, NeedsPerson, OutputError, UsageError
from pipeline.usage import misused

# Small matrices only: threads of the linear algebra cost more than they give, and they
# would fight with those of the decoder and the encoder.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


class Say:
    """What a run prints: results on standard output, progress on standard error."""

    def __init__(self, as_json: bool, quiet: bool) -> None:
        self.as_json, self.quiet = as_json, quiet
        self._begun = time.monotonic()
        self._told = 0.0
        self._stage = ""
        self._bars: Any = None
        self._tasks: dict[str, Any] = {}

    def line(self, text: str = "") -> None:
        if not self.as_json:
            click.echo(text)

    def note(self, text: str) -> None:
        if not self.quiet:
            self.stop()
            click.echo(text, err=True)

    def result(self, value: dict[str, Any]) -> None:
        if self.as_json:
            click.echo(json.dumps(value, ensure_ascii=False))

    def progress(self, stage: str, done: float, whole: float) -> None:
        """Nothing in the first two seconds; then bars on a terminal, lines elsewhere."""
        now = time.monotonic()
        if self.quiet or now - self._begun < 2:
            return
        share = min(1.0, done / whole) if whole > 0 else 0.0
        if sys.stderr.isatty():
            self._bar(stage, share)
        elif stage != self._stage or now - self._told > 5:
            self._stage, self._told = stage, now
            click.echo(f"{stage}: {share:.0%}", err=True)

    def _bar(self, stage: str, share: float) -> None:
        if self._bars is None:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            self._bars = Progress(
                TextColumn("{task.description:>10}"),
                BarColumn(),
                TextColumn("{task.percentage:3.0f} %"),
                TimeElapsedColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._bars.start()
        if stage not in self._tasks:
            self._tasks[stage] = self._bars.add_task(stage, total=1.0)
        self._bars.update(self._tasks[stage], completed=share)

    def stop(self) -> None:
        if self._bars is not None:
            self._bars.stop()
            self._bars = None
            self._tasks = {}


class Group(click.Group):
    """Turns every error into a sentence (and a JSON object) with its exit code."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        kwargs["standalone_mode"] = False
        as_json = "--json" in sys.argv[1:]
        _end_cleanly()
        try:
            code = super().main(*args, **kwargs)
        except click.exceptions.Exit as stop:
            sys.exit(stop.exit_code)
        except click.ClickException as wrong:
            _fail(misused(wrong), as_json)
        except (click.Abort, KeyboardInterrupt):
            atexit.register(_exit_interrupted)
            click.echo("Interrupted: nothing half-made was left behind.", err=True)
            sys.exit(errors.EXIT_INTERRUPTED)
        except Exception as wrong_any:
            _fail(errors.explained(wrong_any), as_json)
        sys.exit(code if isinstance(code, int) else 0)


def _end_cleanly() -> None:
    """SIGTERM and SIGHUP end every command as Ctrl-C does: what was half made is removed.

    One that was ignored on purpose (nohup) stays ignored.
    """
    import signal

    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    plain = sys.unraisablehook

    def again(lost: sys.UnraisableHookArgs) -> None:
        """An interrupt that fell into a finaliser or a callback is lost there: sent again."""
        if issubclass(lost.exc_type, KeyboardInterrupt):
            late = threading.Timer(0.02, os.kill, (os.getpid(), signal.SIGTERM))
            late.daemon = True
            late.start()
        else:
            plain(lost)

    sys.unraisablehook = again


def _exit_interrupted() -> None:
    """The exit code holds even where the interrupt fell into an `exec` of the interpreter.

    CPython then ends by the signal, whatever `sys.exit` said.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(errors.EXIT_INTERRUPTED)


def _fail(error: FieldstopError, as_json: bool) -> NoReturn:
    if as_json:
        value = {**EMPTY, "error": error.as_dict()}
        if isinstance(error, NeedsPerson):
            value["withheld"] = [{"code": error.code, "message": str(error), "start_s": None}]
        click.echo(json.dumps(value, ensure_ascii=False))
    click.echo(f"fieldstop: {error}", err=True)
    if sys.stderr.isatty() and not as_json:
        # Names of files are for the eyes of who runs this; a log does not get them.
        from pipeline.media.labels import files_spoken_of
        from pipeline.model.pseudonym import printable

        for name, path in files_spoken_of(str(error)):
            click.echo(f"           {name} is {printable(path)}", err=True)
    sys.exit(error.exit_code)


EMPTY: dict[str, Any] = {
    "case": None, "release": None, "ready": None, "draft": None, "sheet": None,
    "record": None, "survey": [], "plan": None, "report": None, "checks": [], "withheld": [],
    "texts": [],
}  # fmt: skip

_FOLDER = click.Path(path_type=Path, file_okay=False)
_FILE = click.Path(path_type=Path)


def _globals(command: Callable[..., Any]) -> Callable[..., Any]:
    """The global options, accepted before and after the command's name."""
    for option in (
        click.option(
            "--json", "as_json", is_flag=True, help="Print one JSON object, nothing else."
        ),
        click.option("--quiet", is_flag=True, help="No progress on standard error."),
        click.option("--config", type=_FILE, help="Settings file over your own and the defaults."),
        click.option("--catalogue", type=_FILE, help="Catalogue file instead of your own."),
    ):
        command = option(command)
    return command


class Context:
    """Global options of one call."""

    def __init__(self, as_json: bool, quiet: bool, config: Path | None, catalogue: Path | None):
        self.say = Say(as_json, quiet)
        self.config, self.catalogue = config, catalogue

    def options(self, profile: str | None) -> Any:
        from pipeline.settings import load_options

        return load_options(profile, self.config)


def _context(values: dict[str, Any]) -> Context:
    """Global options of the group and of the command together."""
    outer = click.get_current_context().find_root().params
    merged = {}
    for key in ("as_json", "quiet", "config", "catalogue"):
        merged[key] = values.pop(key, None) or outer.get(key)
    context = Context(bool(merged["as_json"]), bool(merged["quiet"]), merged["config"],
                      merged["catalogue"])  # fmt: skip
    out = click.get_current_context().params.get("out")
    if out is not None:
        swept(context.say, out)
    return context


def swept(say: Say, out: Path) -> None:
    """Every command on an OUT folder begins with this: raw sound of dead processes goes."""
    from pipeline.store.stale import sweep

    left = sweep(out)
    if left:
        say.note(f"note: {left} work files of an ended run could not be removed; they may hold"
                 " raw sound: look into the private folder for names with .part-")  # fmt: skip


@click.group(cls=Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fieldstop")
@_globals
def main(**_: Any) -> None:
    """From endoscope recordings and a narration to safe teaching clips.

    Not a medical device; not for diagnosis. A person reviews before release.
    """


def _make_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--out", required=True, type=_FOLDER, help="Folder for what is made."),
        click.option(
            "--approve",
            metavar="INITIALS",
            help="You answer for the open points and have read the texts.",
        ),
        click.option("--looked", metavar="INITIALS", help="You have looked: it is released."),
        click.option(
            "--consent",
            type=click.Choice(["none", "teaching", "public"]),
            help="Consent for a bare recording (a case says it in case.toml).",
        ),
        click.option("--profile", help="Profile: web, lecture, broadcast, or your own."),
        click.option("--narration", type=_FILE, help="Narration file."),
    ):
        command = option(command)
    return command


def _report_of(run: Any) -> str:
    from pipeline.review.report.collect import case_report

    return case_report(run)


def _run(context: Context, path: Path, out: Path, options: Any, **more: Any) -> Any:
    from pipeline.batch.one import run_one

    try:
        return run_one(
            path, out, options, catalogue=context.catalogue, progress=context.say.progress, **more
        )
    finally:
        context.say.stop()


@main.command()
@click.argument("case", type=_FILE)
@_make_options
@_globals
def make(case: Path, out: Path, approve: str | None, looked: str | None, consent: Any,
         profile: str | None, narration: Path | None, **values: Any) -> int:  # fmt: skip
    """Turn a case folder or a recording into a finished clip."""
    context = _context(values)
    run = _run(
        context, case, out, context.options(profile), narration=narration, consent=consent,
        approve=approve, looked=looked,
    )  # fmt: skip
    context.say.result(run.as_json())
    tell_run(context.say, run)
    tell_ready(context.say, [run], out)
    return errors.EXIT_WITHHELD if run.withheld else errors.EXIT_DONE


def tell_ready(say: Say, runs: list[Any], out: Path) -> None:
    """The last line: what is to be done with what is ready."""
    ready = [r for r in runs if r.ready is not None]
    if ready:
        clip = ready[0].folder.clip
        name = ready[0].ready.name.removesuffix("-ready.mp4") if clip else ready[0].opened.case.case
        name = name if len(runs) == 1 else "NAME"
        say.line(
            f"ready: look at it, then `fieldstop release {name} --out {out} --by AB`,"
            " or sign off on the page"
        )


def tell_run(say: Say, run: Any) -> None:
    """The result of a case for a person."""
    from pipeline.model.pseudonym import printable

    bare = run.opened.bare and sys.stdout.isatty()
    file = f" ({printable(run.opened.sources[0].path.name)})" if bare else ""
    say.line(f"case      {run.opened.case.case}{file}")
    for warning in (run.plan.warnings if run.plan else []) + run.warnings:
        say.note(f"note: {warning}")
    if run.leaving is not None:
        path, sheet, _ = run.leaving
        say.line(f"{'released' if run.released else 'unchanged'}  {path}")
        say.line(f"sheet     {sheet}")
    if run.ready is not None:
        say.line(f"ready     {run.ready}")
    for reason in run.withheld:
        say.line(f"withheld  {reason.code}: {reason.message}")
    for text in run.texts:
        from pipeline.stages.texts import told

        say.line(f"text      {told(text)}")
    if run.draft is not None:
        say.line(f"draft     {run.draft}")
    if run.report is not None:
        say.line(f"report    {run.report}")
    if run.proof is not None:
        say.line(f"proof     {run.proof}")
    failed = sum(not c.passed for c in run.checks)
    if run.checks:
        say.line(f"checks    {len(run.checks) - failed} passed, {failed} failed")


@main.command()
@click.argument("case", type=_FILE)
@click.option("--from", "from_", metavar="T", help="Start in case time: 90, 1:30, 1:30.5.")
@click.option("--to", "to", metavar="T", help="End in case time.")
@click.option("--cues", type=_FILE, help="TOML or CSV list of clips: from, to, title.")
@click.option("--title", default="", help="Title of the clip.")
@click.option("--narrated", is_flag=True, help="Keep the narration.")
@_make_options
@_globals
def clip(case: Path, from_: str | None, to: str | None, cues: Path | None, title: str,
         narrated: bool, out: Path, approve: str | None, looked: str | None, consent: Any,
         profile: str | None, narration: Path | None, **values: Any) -> int:  # fmt: skip
    """Anonymised teaching clips of parts of a case."""
    from pipeline.stages.cues import cuts_of

    context = _context(values)
    options = context.options(profile or "lecture")
    cuts = cuts_of(from_, to, title, cues)
    runs: list[Any] = []
    rows: list[dict[str, Any]] = []
    failed: list[FieldstopError] = []
    for cut in cuts:
        try:
            run = _run(
                context, case, out, options, narration=narration, consent=consent,
                approve=approve, looked=looked, clip=cut, unless_released=True,
                narrated=narrated or narration is not None,
            )  # fmt: skip
        except Exception as wrong:
            if len(cuts) == 1:
                raise
            # One clip that fails never stops the others.
            failed.append(errors.explained(wrong))
            rows.append({**EMPTY, "clip": cut.name, "error": failed[-1].as_dict()})
            context.say.line(f"failed    {cut.name}: {failed[-1]}")
            continue
        runs.append(run)
        rows.append(run.as_json())
        tell_run(context.say, run)
    context.say.result(rows[0] if len(cuts) == 1 else {"clips": rows, "error": None})
    tell_ready(context.say, runs, out)
    if failed:
        return errors.EXIT_BATCH
    return errors.EXIT_WITHHELD if any(r.withheld for r in runs) else errors.EXIT_DONE


@main.command()
@click.argument("folder", type=_FOLDER)
@click.option("--out", required=True, type=_FOLDER, help="Folder for what is made.")
@click.option("--jobs", type=click.IntRange(1, 256), help="Cases at once; by cores and memory.")
@click.option("--scheduler", metavar="ADDRESS", help="Run on the Dask cluster of this scheduler.")
@click.option("--dry-run", is_flag=True, help="Say what would be done, write nothing.")
@click.option("--watch", is_flag=True, help="Take in new recordings until Ctrl-C.")
@click.option("--profile", help="Profile: web, lecture, broadcast, or your own.")
@click.option(
    "--consent",
    type=click.Choice(["none", "teaching", "public"]),
    help="Consent for loose recordings (a case says it in case.toml).",
)
@click.option(
    "--approve",
    metavar="INITIALS",
    help="You answer for the open points of all cases; confirms no text.",
)
@click.option("--looked", metavar="INITIALS", help="You have looked at all cases: released.")
@_globals
def batch(folder: Path, out: Path, jobs: int | None, scheduler: str | None, dry_run: bool,
          watch: bool, profile: str | None, consent: Any, approve: str | None,
          looked: str | None, **values: Any) -> int:  # fmt: skip
    """Every case in a folder; goes on where it stopped."""
    import signal

    from pipeline.batch.board import Board
    from pipeline.batch.run import Request, run_batch

    context = _context(values)
    if jobs and scheduler:
        raise UsageError("--jobs and --scheduler exclude each other", "", "give one of them")
    # A service manager stops it as Ctrl-C does. A shell that starts it in the background has
    # Ctrl-C ignored, and would have a watch that cannot be ended cleanly.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    board = Board(context.say.quiet)
    report = run_batch(
        Request(
            folder, out, context.options(profile), jobs=jobs, catalogue=context.catalogue,
            consent=consent, approve=approve, looked=looked, dry_run=dry_run, watch=watch,
            scheduler=scheduler,
        ),
        board,
    )  # fmt: skip
    return tell_batch(context.say, report, out, board)


def tell_batch(say: Say, report: Any, out: Path, board: Any) -> int:
    """The result of a batch for a person and for --json; its exit code.

    Names of files are shown by a dry run, which is for that, and on a terminal.
    """
    from pipeline.batch.board import reason
    from pipeline.batch.run import summary

    written = not report.dry_run
    value = json.loads(report.to_json())
    value |= {
        "file": str(out / "batch.json") if written else None,
        "page": str(out / "batch.html") if written else None,
        "counts": {s: report.count(s) for s in
                   ("released", "ready", "withheld", "failed", "stopped", "waiting")},
        "unchanged": sum(c.unchanged for c in report.cases),
        "error": None,
    }  # fmt: skip
    say.result(value)
    for row in report.cases:
        state = "to make" if row.state == "waiting" else row.state
        place = row.release or row.ready
        release = f"  {place}" if place else ""
        name = board.called(row, sys.stdout.isatty() and not report.dry_run)
        say.line(f"{state:9} {name}{release}{reason(row)}")
        if report.dry_run:
            for part, files in board.files.get(id(row), []):
                say.line(f"{'':9}   {part or 'file'}: {files}")
            if row.consent:
                will = "" if row.covered else ": it will be withheld"
                say.line(f"{'':9}   {row.consent}{will}")
    for name, why in board.left if report.dry_run else []:
        say.line(f"left out  {name}: {why}")
    say.line(f"{len(report.cases)} cases: {summary(report)}")
    if written:
        say.line(f"page      {out / 'batch.html'}")
        say.line(f"names     {out / 'private' / 'names.csv'} (which file each name is)")
    if report.count("ready"):
        say.line(f"ready: look at each, then `fieldstop release --all --out {out} --by AB`,"
                 " or sign off on the page")  # fmt: skip
    if report.interrupted:
        return errors.EXIT_INTERRUPTED
    if report.count("failed"):
        return errors.EXIT_BATCH
    uncovered = report.dry_run and any(c.covered is False for c in report.cases)
    held = report.count("withheld") or uncovered
    return errors.EXIT_WITHHELD if held else errors.EXIT_DONE


@main.command()
@click.argument("case", type=_FILE)
@click.option("--out", required=True, type=_FOLDER, help="Folder for what is written.")
@_globals
def survey(case: Path, out: Path, **values: Any) -> int:
    """Measure: survey.json, series.npz and report.html."""
    context = _context(values)
    run = _run(context, case, out, context.options(None), survey_only=True)
    context.say.result(run.as_json())
    if run.withheld:
        tell_run(context.say, run)
        return errors.EXIT_WITHHELD
    context.say.line(f"case      {run.opened.case.case}")
    for path in run.surveys:
        context.say.line(f"survey    {path}")
    context.say.line(f"report    {run.report}")
    return errors.EXIT_DONE


@main.command()
@click.argument("out", type=_FOLDER)
@click.option("--by", metavar="INITIALS", help="Your initials, for decisions and the sign-off.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port of the page; 0 for any free one.")
@click.option("--new-link", is_flag=True, help="Draw a new address; the old one opens nothing.")
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option("--profile", help="Profile of the settings.")
@_globals
def review(out: Path, by: str | None, port: int | None, new_link: bool, no_browser: bool,
           profile: str | None, **values: Any) -> int:  # fmt: skip
    """The local review page over an OUT folder: see, hear, overrule, sign off.

    Its address stays the same for a folder, also after a restart.
    """
    context = _context(values)
    if not (out / "private").is_dir():
        raise InputError("The folder holds no cases", "", "give the --out folder of make")
    from pipeline.review.folder import FolderBackend
    from pipeline.store.catalogue import Catalogue
    from pipeline.store.consent_files import check_catalogue

    with Catalogue(context.catalogue) as known:
        known.feed(check_catalogue(out, known).facts)
    from pipeline.review.link import only_one, open_server

    backend = FolderBackend(
        out, context.options(profile), catalogue=context.catalogue, report=_report_of
    )
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


@main.command()
@click.argument("file", type=_FILE)
@_globals
def probe(file: Path, **values: Any) -> int:
    """What a file is, and what in it could identify someone."""
    from pipeline.media.guard import probe_apart as look
    from pipeline.store.names import Names, earlier_names

    context = _context(values)
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


@main.command()
@click.argument("file", type=_FILE)
@click.option("--profile", help="Profile whose limits apply.")
@_globals
def verify(file: Path, profile: str | None, **values: Any) -> int:
    """The checks on any finished file."""
    from pipeline.stages.verifying.alone import verify_file

    context = _context(values)
    try:
        result = verify_file(file, context.options(profile), progress=context.say.progress)
    finally:
        context.say.stop()
    context.say.result(
        {"checks": [c.model_dump() for c in result.checks], "passed": result.passed, "error": None}
    )
    for check in result.checks:
        mark = "passed" if check.passed else "FAILED"
        context.say.line(
            f"{mark}  {check.check}: {check.measured} {check.unit} (limit {check.limit})"
        )
    return errors.EXIT_DONE if result.passed else errors.EXIT_WITHHELD


@main.command()
@click.option("--out", type=_FOLDER, default=Path("fieldstop-demo"), show_default=True,
              help="Folder for what is made.")  # fmt: skip
@_globals
def demo(out: Path, **values: Any) -> int:
    """The main job on the sample case that comes with the program."""
    from pipeline.settings import packaged

    context = _context(values)
    if context.catalogue is None:
        context.catalogue = out / "demo-catalogue.sqlite3"
    sample = packaged("sample_media")
    if not (sample / "case.toml").is_file():
        raise InputError("The sample case is not installed", "", "install the package again")
    options = context.options(None)
    # Nobody is in the sample case: it may leave before anyone has looked.
    options = options.model_copy(
        update={"output": options.output.model_copy(update={"look": "after"})}
    )
    run = _run(context, sample, out, options)
    context.say.result(run.as_json())
    tell_run(context.say, run)
    if run.released is not None:
        context.say.line(f"look at it: {run.released.path}")
    return errors.EXIT_WITHHELD if run.withheld else errors.EXIT_DONE


@main.command()
@click.argument("cases", nargs=-1, metavar="CASE...")
@click.option("--out", required=True, type=_FOLDER, help="Folder in which it is ready.")
@click.option("--by", metavar="INITIALS", help="Your initials: you have looked at it.")
@click.option("--profile", help="Of this profile only.")
@click.option("--proof", is_flag=True, help="Put a proof without initials beside the clip.")
@click.option("--all", "everything", is_flag=True, help="Ask about each clip that is ready.")
@_globals
def release(cases: tuple[str, ...], out: Path, by: str | None, profile: str | None,
            everything: bool, proof: bool, **values: Any) -> int:  # fmt: skip
    """Release what is ready and was looked at; nothing is rendered again.

    CASE is a pseudonym, a case folder or file, or the name of a ready clip (HL-0142-web).
    """
    from pipeline.review.standing import tell_released
    from pipeline.stages import leave
    from pipeline.stages.make import check_initials
    from pipeline.stages.ready import read_ready
    from pipeline.store.catalogue import Catalogue

    context = _context(values)
    say = context.say
    check_initials(by, "--by")
    if by is None:
        raise UsageError("release needs to know who looked", "", "give --by INITIALS")
    if everything and cases:
        raise UsageError("--all and a case exclude each other", "", "give one of them")
    if not everything and not cases:
        raise UsageError(
            "release needs a case", leave.listed(leave.ready_documents(out)),
            "name the one that you looked at, or give --all on a terminal",
        )  # fmt: skip
    if everything and (say.as_json or not sys.stdin.isatty()):
        raise UsageError(
            "--all asks about each clip, and nobody is at a terminal to answer",
            leave.listed(leave.ready_documents(out)),
            "name the cases that were looked at",
        )
    documents = leave.all_ready(out, profile) if everything else leave.chosen(out, cases, profile)
    left, faults = [], []
    with Catalogue(context.catalogue) as store:
        for document in documents:
            try:
                clip = read_ready(document)
                if everything and not _ask(say, clip, document):
                    continue
                one = leave.release_kept(
                    document, out, context.options(clip.profile), store, leave.looked_by(by),
                    proof=proof,
                )  # fmt: skip
            except FieldstopError as error:
                if len(documents) == 1:
                    raise
                faults.append(error)
                say.note(f"{document.name.removesuffix('.ready.json')}: {error}")
                continue
            if one.released is not None:
                tell_released(
                    leave.folder_of(out, document), clip, one.looked, one.released.revision,
                    outside=proof,
                )  # fmt: skip
            left.append(one)
    rows = [one.as_json() for one in left]
    first = faults[0].as_dict() if faults else None
    say.result(rows[0] if len(documents) == 1 and rows else {"cases": rows, "error": first})
    for one in left:
        for warning in one.warnings:
            say.note(f"note: {warning}")
        if one.released is not None:
            say.line(f"released  {one.released.path}")
            say.line(f"sheet     {one.released.sheet}")
        for why in one.withheld:
            say.line(f"withheld  {one.clip.name}: {why.message}")
    if faults:
        return max(error.exit_code for error in faults)
    return errors.EXIT_WITHHELD if any(one.withheld for one in left) else errors.EXIT_DONE


def _ask(say: Say, clip: Any, document: Path) -> bool:
    """Whether the person at the terminal has looked at this clip, and lets it go."""
    say.line(f"{clip.name}  {clip.plan.title}  made {clip.made_at[:16].replace('T', ' ')} UTC")
    say.line(f"  {document.with_name(clip.file)}")
    return click.confirm("  Have you looked at it, and may it leave?", default=False)


@main.command()
@click.argument("case")
@click.option("--out", type=_FOLDER, help="OUT folder it lies in, if it was moved.")
@click.option("--move-to", type=_FOLDER, help="Move the released files there.")
@click.option("--future", is_flag=True, help="Also for a case that is not known yet.")
@_globals
def withdraw(case: str, out: Path | None, move_to: Path | None, future: bool,
             **values: Any) -> int:  # fmt: skip
    """Consent withdrawn: what was made from a case, what to take down."""
    from pipeline.stages.withdraw import withdraw_case
    from pipeline.store.catalogue import Catalogue

    context = _context(values)
    with Catalogue(context.catalogue) as catalogue:
        done = withdraw_case(case, catalogue, out=out, future=future, move_to=move_to)
    fault = None
    if done.faults:
        fault = OutputError(
            "Consent is withdrawn, but not everything could be written or found",
            "; ".join(done.faults),
            "mend that, then run this again",
        )
    context.say.result(
        {"case": done.cases[0], "cases": done.cases, "take_down": done.take_down,
         "kept": done.kept, "moved": done.moved, "sheets": done.sheets,
         "error": fault.as_dict() if fault is not None else None}
    )  # fmt: skip
    tell_withdrawal(context.say, done)
    if fault is not None:
        click.echo(f"fieldstop: {fault}", err=True)
        return fault.exit_code
    return errors.EXIT_DONE


def tell_withdrawal(say: Say, done: Any) -> None:
    """What was withdrawn and where everything made of it lies."""
    names = ", ".join(done.cases)
    say.line(f"Consent for {names} is withdrawn; no further clip will be made from it.")
    rows = done.take_down
    say.line("Take down, wherever it was published:" if rows else "Nothing was released.")
    for row in rows:
        gone = "" if row["there"] else "  (not there any more)"
        say.line(
            f"  {row['file']}{gone}  {row['audience']}  {str(row['released_at'])[:10]}"
            f"  sha256 {row['sha256']}"
        )
        for beside in row["beside"]:
            say.line(f"  {beside}")
    for move in done.moved:
        say.line(f"moved     {move['to']}")
    if done.kept:
        say.line("Also made from it, kept on this machine:")
    for row in done.kept:
        say.line(f"  {row['what']:13} {row['file']}")
    say.line("The cache may hold small copies: `fieldstop cache clear` empties it.")
    for sheet in done.sheets:
        say.line(f"sheet     {sheet}")


@main.command()
@click.argument("action", required=False, type=click.Choice(["rebuild", "backup"]))
@click.argument("paths", nargs=-1, type=_FILE)
@_globals
def catalogue(action: str | None, paths: tuple[Path, ...], **values: Any) -> int:
    """Releases of the series with their marks and measured visibility.

    `rebuild OUT...` reads the release records of OUT folders again; `backup FILE`
    writes a copy.
    """
    from pipeline.store.catalogue import Catalogue

    context = _context(values)
    notes: list[str] = []
    with Catalogue(context.catalogue, anew=action == "rebuild") as store:
        if action == "backup":
            if len(paths) != 1:
                raise UsageError("backup takes one file", f"{len(paths)}", "name the copy")
            store.backup(paths[0])
            context.say.result({"backup": str(paths[0]), "error": None})
            context.say.line(f"copied to {paths[0]}")
            return errors.EXIT_DONE
        if action == "rebuild":
            from pipeline.stages.rebuild import rebuild

            for out in paths:
                swept(context.say, out)
            notes = rebuild(store, paths)
        records = store.releases()
        rows = [catalogue_row(r, store) for r in records]
        without = cases_without_release(store, {r.sheet.case for r in records})
    context.say.result({"releases": rows, "cases": without, "notes": notes, "error": None})
    for note in notes:
        context.say.note(f"note: {note}")
    for row in without:
        context.say.line(f"{row['state']:9} {row['case']} (nothing released)")
    if not rows:
        context.say.line("no releases yet")
    elif not context.say.as_json:
        from rich.console import Console
        from rich.table import Table

        table = Table(box=None, pad_edge=False)
        for title in ("no.", "case", "profile", "audience", "crop loss", "visibility L*",
                      "in band", "worst second", "consent until", "consent"):  # fmt: skip
            table.add_column(title)
        for row in rows:
            table.add_row(*(("" if v is None else str(v)) for v in list(row.values())[:10]))
        Console(width=None if sys.stdout.isatty() else 140).print(table)
    return errors.EXIT_DONE


def cases_without_release(store: Any, released: set[str]) -> list[dict[str, Any]]:
    """Cases of which nothing was released and nothing may be: withdrawn, refused or ended."""
    import datetime

    today, out = datetime.date.today(), []
    for case in store.case_names():
        state = store.consent_for([], case).state(today)
        if case not in released and state in ("withdrawn", "refused", "ended"):
            out.append({"case": case, "state": state})
    return out


def catalogue_row(record: Any, store: Any) -> dict[str, Any]:
    """One release for the table: number, case, profile, audience, mark numbers, consent."""
    import datetime

    known = store.consent_for(record.sources, record.sheet.case)
    seen = record.mark.get("visibility") or {}

    def number(value: Any, digits: int) -> float | None:
        return None if value is None else round(float(value), digits)

    return {
        "number": record.sheet.number,
        "case": record.sheet.case,
        "profile": f"{record.sheet.profile}-r{record.sheet.revision}",
        "audience": record.sheet.audience,
        "crop_loss": number(record.mark.get("crop_loss"), 2),
        "visibility": number(seen.get("median"), 1),
        "in_band": number(seen.get("in_band_ratio"), 3),
        "worst_second": number(seen.get("worst_second"), 1),
        "consent_until": str(known.expires_on) if known.expires_on is not None else None,
        "consent": known.state(datetime.date.today()),
        "released_at": record.released_at,
        "file": record.path,
    }


@main.command()
@click.argument("action", required=False, type=click.Choice(["clear"]))
@_globals
def cache(action: str | None, **values: Any) -> int:
    """Show the cache of measurements, or clear it."""
    from pipeline.store.cache import Cache

    context = _context(values)
    store = Cache(context.options(None).machine.cache_gb)
    use = store.clear() if action == "clear" else store.use()
    if action == "clear":
        from pipeline.store.hashes import HashMemory

        HashMemory().clear()
    context.say.result(
        {"entries": use.entries, "size_bytes": use.size_bytes, "cleared": action == "clear",
         "error": None}
    )  # fmt: skip
    done = "cleared" if action == "clear" else "holds"
    context.say.line(f"cache {done} {use.entries} measured files, {use.size_bytes / 1e6:.1f} MB")
    return errors.EXIT_DONE


if __name__ == "__main__":
    main()
