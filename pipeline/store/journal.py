"""What was withdrawn or refused, in the user's own data folder, whatever catalogue is used.

A third place beside OUT and the case folder: a bare recording has no folder of its own, and
another OUT knows nothing of the first. Append-only, as `store.consent_files` writes it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.model.consent import ConsentFact, is_refusal
from pipeline.settings import user_folder
from pipeline.store.consent_files import Found, append, keep_file, read_file

NAME = "withdrawn.jsonl"
DAMAGED = (
    f"a line of {NAME} in your data folder cannot be read: a withdrawal may stand there; restore"
    " the file from a backup, or run `fieldstop catalogue rebuild` with every output folder and"
    " withdraw again what it names"
)


def journal_path() -> Path:
    return user_folder("data") / NAME


def length() -> int:
    """Bytes of the journal: what is told apart from what was read before. 0 if there is none."""
    try:
        return journal_path().stat().st_size
    except OSError:
        return 0


def read() -> Found:
    """All that can be read of the journal; `damaged` holds it where not all of it can."""
    return read_file(journal_path())


def mend(known: Sequence[ConsentFact]) -> Path:
    """Put a damaged journal aside, and write anew what can be read of it and what is known.

    Returns where the damaged one lies now. Raises OutputError.
    """
    return keep_file(journal_path(), [*read().facts, *known])


def keep(facts: Sequence[ConsentFact]) -> None:
    """Add what ends consent. Where the folder cannot be written the catalogue alone holds it."""
    ends = [f for f in facts if f.what == "withdrawn" or (f.consent and is_refusal(f.consent))]
    if ends:
        with contextlib.suppress(OutputError):
            append(journal_path(), ends)
