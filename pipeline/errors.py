"""Errors that a person can act on, each with its exit code.

An error says what was wrong, what was got, and what to do next; the command
line prints exactly these three and never a traceback.
"""

from __future__ import annotations

EXIT_DONE = 0
EXIT_BUG = 1
EXIT_USAGE = 2
EXIT_INPUT = 3
EXIT_WITHHELD = 4
EXIT_BATCH = 5
EXIT_OUTPUT = 6
EXIT_INTERRUPTED = 130


class FieldstopError(Exception):
    """Base of all errors shown to a person.

    what: what was wrong, one sentence without private information.
    got: the offending value or state, shortened.
    do: what to do next, one sentence.
    """

    exit_code = EXIT_BUG

    def __init__(self, what: str, got: str = "", do: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.got = got
        self.do = do

    def __str__(self) -> str:
        parts = [self.what.rstrip(".")]
        if self.got:
            parts.append(f"got: {self.got.rstrip('.')}")
        if self.do:
            parts.append(f"do: {self.do.rstrip('.')}")
        return ". ".join(parts) + "."

    def as_dict(self) -> dict[str, str]:
        return {"what": self.what, "got": self.got, "do": self.do}

    def __reduce__(self) -> tuple[object, ...]:
        return (type(self), (self.what, self.got, self.do))


class UsageError(FieldstopError):
    """The command line, a settings file or a setting is wrong."""

    exit_code = EXIT_USAGE


class InputError(FieldstopError):
    """A source file or case cannot be used."""

    exit_code = EXIT_INPUT


class WithheldError(FieldstopError):
    """Nothing may be released: consent, verification or a missing decision."""

    exit_code = EXIT_WITHHELD


class OutputError(FieldstopError):
    """The machine or the place for the output: disk full, not writable."""

    exit_code = EXIT_OUTPUT
