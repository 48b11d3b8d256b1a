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
from pipeline.store.consent_files import append, read_file

NAME = "withdrawn.jsonl"


def journal_path() -> Path:
    return user_folder("data") / NAME


def length() -> int:
    """Bytes of the journal: what is told apart from what was read before. 0 if there is none."""
    try:
        return journal_path().stat().st_size
    except OSError:
        return 0


def kept_facts() -> list[ConsentFact]:
    """All that can be read of the journal."""
    return read_file(journal_path()).facts


def keep(facts: Sequence[ConsentFact]) -> None:
    """Add what ends consent. Where the folder cannot be written the catalogue alone holds it."""
    ends = [f for f in facts if f.what == "withdrawn" or (f.consent and is_refusal(f.consent))]
    if ends:
        with contextlib.suppress(OutputError):
            append(journal_path(), ends)
