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
        text = ". ".join(parts)
        return text if text.endswith("?") else text + "."

    def as_dict(self) -> dict[str, str]:
        return {"what": self.what, "got": self.got, "do": self.do}

    def __reduce__(self) -> tuple[object, ...]:
        return (type(self), (self.what, self.got, self.do))


def explained(error: BaseException) -> FieldstopError:
    """Any error as one that a person can act on; a bug keeps its place, never its values."""
    if isinstance(error, FieldstopError):
        return error
    if isinstance(error, MemoryError):
        return OutputError("The machine has too little memory", "", "close programs")
    if isinstance(error, OSError):
        if error.errno == 28:
            return OutputError("The disk is full", "", "free some space and run again")
        return OutputError(
            "The machine refused to read or write",
            error.strerror or "",
            "look at disk and permissions",
        )
    trace, where = error.__traceback__, ""
    while trace is not None:
        name = trace.tb_frame.f_code.co_filename.replace("\\", "/").rsplit("/", 1)[-1]
        where = f"{name}:{trace.tb_lineno}"
        trace = trace.tb_next
    return FieldstopError(
        "Something went wrong inside the program",
        f"{type(error).__name__} at {where}",
        "report it with this line; your sources are unchanged",
    )


class UsageError(FieldstopError):
    """The command line, a settings file or a setting is wrong."""

    exit_code = EXIT_USAGE


class InputError(FieldstopError):
    """A source file or case cannot be used."""

    exit_code = EXIT_INPUT


class NeedsPerson(FieldstopError):
    """Nothing may be made before a person has resolved something.

    code: as of what withholds a release.
    """

    exit_code = EXIT_WITHHELD

    def __init__(self, what: str, got: str = "", do: str = "", code: str = "catalogue") -> None:
        super().__init__(what, got, do)
        self.code = code

    def __reduce__(self) -> tuple[object, ...]:
        return (type(self), (self.what, self.got, self.do, self.code))


class OutputError(FieldstopError):
    """The machine or the place for the output: disk full, not writable."""

    exit_code = EXIT_OUTPUT
