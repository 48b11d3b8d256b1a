"""What is wrong with a command line, in a sentence.

What was typed is repeated only where it is nearly something known: a path holds a name.
"""

from __future__ import annotations

import difflib

import click

from pipeline.errors import UsageError


def misused(wrong: click.ClickException) -> UsageError:
    """The error of the command-line library as ours: what, got, do."""
    context = getattr(wrong, "ctx", None)
    path = context.command_path if context is not None else "fieldstop"
    name = f"fieldstop{path[path.find(' ') :] if ' ' in path else ''}"
    see = f"see `{name} -h`"
    if isinstance(wrong, click.NoSuchOption):
        near = difflib.get_close_matches(wrong.option_name, wrong.possibilities or [], 1)
        got = wrong.option_name if near else ""
        return UsageError("There is no such option", got, f"write {near[0]}" if near else see)
    if isinstance(wrong, click.MissingParameter) and wrong.param is not None:
        return UsageError(f"{_called(wrong.param)} is missing", "", f"add it; {see}")
    if isinstance(wrong, click.BadParameter) and wrong.param is not None:
        return _bad(wrong, wrong.param, see)
    if isinstance(wrong, click.BadOptionUsage):
        lacks = "requires" in wrong.message
        said = "needs a value" if lacks else "takes no value"
        return UsageError(f"{wrong.option_name} {said}", "", see)
    message = wrong.format_message()
    if "unexpected extra argument" in message:
        return UsageError(
            "There are more words than the command takes",
            "",
            f"put a path with blanks into quotes; {see}",
        )
    if "No such command" in message and context is not None:
        return _no_command(message, context, see)
    return UsageError("The command line cannot be read", "", see)


def _no_command(message: str, context: click.Context, see: str) -> UsageError:
    known = (
        context.command.list_commands(context) if isinstance(context.command, click.Group) else []
    )
    typed = message.split("'")[1] if "'" in message else ""
    near = difflib.get_close_matches(typed, known, 1)
    do = f"write {near[0]}" if near else f"use one of: {', '.join(known)}"
    return UsageError("There is no such command", typed if near else "", f"{do}; {see}")


def _called(param: click.Parameter) -> str:
    """`--out` of an option, `CASE` of an argument."""
    if isinstance(param, click.Option):
        return max(param.opts, key=len)
    return (param.metavar or param.name or "a word").upper()


def _bad(wrong: click.BadParameter, param: click.Parameter, see: str) -> UsageError:
    name, kind = _called(param), param.type
    if isinstance(kind, click.Choice):
        choices = [str(c) for c in kind.choices]
        return UsageError(f"{name} has a bad value", "", f"use one of: {', '.join(choices)}")
    if isinstance(kind, click.IntRange):
        takes = f"give a whole number from {kind.min} to {kind.max}"
        return UsageError(f"{name} has a bad value", "", takes)
    if isinstance(kind, click.Path) and "is a file" in wrong.message:
        return UsageError(f"{name} takes a folder", "a file", "give a folder")
    return UsageError(f"{name} has a bad value", "", see)
