"""The group of all commands: every error becomes a sentence and an exit code."""

from __future__ import annotations

import atexit
import json
import os
import sys
import threading
from typing import Any, NoReturn

import click

from pipeline import errors
from pipeline.commands.say import Say
from pipeline.commands.usage import misused
from pipeline.errors import FieldstopError, NeedsPerson


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
        except (click.Abort, KeyboardInterrupt) as stop:
            if isinstance(stop.__cause__, EOFError):  # of a file: click takes it for a key
                _fail(errors.explained(stop.__cause__), as_json)
            atexit.register(_exit_interrupted)
            left = _left()
            if as_json and not Say.answered:
                release = left[-1] if left else None
                click.echo(
                    json.dumps({**EMPTY, "release": release, "error": _interrupted(left).as_dict()})
                )
            nothing = "Interrupted: nothing half-made was left behind."
            click.echo(f"fieldstop: {_interrupted(left)}" if left else nothing, err=True)
            sys.exit(errors.EXIT_INTERRUPTED)
        except Exception as wrong_any:
            _fail(errors.explained(wrong_any), as_json)
        sys.exit(code if isinstance(code, int) else 0)


def _end_cleanly() -> None:
    """What ends a program by default ends every command as Ctrl-C does: what was half made is
    removed. Of SIGQUIT, which is Ctrl-\\ on a terminal, no core file is left either.

    One that was ignored on purpose (nohup) stays ignored.
    """
    import signal

    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGXCPU):
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


def _left() -> list[str]:
    """Clips that this run released before it was ended."""
    releasing = sys.modules.get("pipeline.stages.release")  # else nothing can have left
    return [str(path) for path in releasing.LEFT if path.is_file()] if releasing else []


def _interrupted(left: list[str]) -> FieldstopError:
    if not left:
        return FieldstopError("Interrupted", "", "run the same command again")
    several = "clips were" if len(left) > 1 else "the clip was"
    return FieldstopError(
        f"Interrupted after {several} released", ", ".join(left),
        "run the same command again: it finishes what is written beside it",
    )  # fmt: skip


EMPTY: dict[str, Any] = {
    "case": None, "release": None, "ready": None, "draft": None, "sheet": None,
    "record": None, "survey": [], "plan": None, "report": None, "checks": [], "withheld": [],
    "texts": [],
}  # fmt: skip
