"""`decisions.json`: what people decided. Append-only; undo is an entry too."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from pydantic import Field

from pipeline.model.document import Document, Part


class Anchor(Part):
    """What a decision is about: a kind of finding in a span of one source."""

    sha256: str
    start_s: float
    stop_s: float
    kind: str


class Decision(Part):
    number: int
    at: str = Field(description="UTC, ISO 8601")
    by: str = Field(pattern=r"^[A-Za-z]{1,4}$", description="initials")
    verb: Literal[
        "accept", "reject", "change", "add", "undo", "redo", "sign", "mark", "mix", "chapter"
    ]
    anchor: Anchor | None = None
    value: dict[str, Any] = {}
    reason: str = Field(default="", max_length=200)
    target: int | None = Field(default=None, description="number of the entry undone or redone")
    request: str | None = Field(
        default=None, pattern=r"^[0-9a-f]{16,64}$", description="sent twice, it counts once"
    )


class SignOff(Part):
    """Approval of the anonymity list; lapses when any of the hashes changes."""

    by: str = Field(pattern=r"^[A-Za-z]{1,4}$")
    at: str
    sources: list[str]
    surveys: list[str]
    settings: str
    plan: str
    narration: str = Field(default="", description="hash of its content; empty for none")


class Decisions(Document):
    schema_: Literal["fieldstop.decisions/1"] = Field(
        default="fieldstop.decisions/1", alias="schema"
    )
    case: str
    entries: list[Decision] = []
    sign_off: SignOff | None = None


def sign_off_holds(
    document: Decisions,
    *,
    sources: Sequence[str],
    surveys: Sequence[str],
    settings: str,
    plan: str,
    narration: str,
) -> bool:
    """True if there is a sign-off and none of the hashes has changed since."""
    given = document.sign_off
    return given is not None and (
        given.sources, given.surveys, given.settings, given.plan, given.narration
    ) == (list(sources), list(surveys), settings, plan, narration)  # fmt: skip


def effective(entries: Sequence[Decision]) -> list[Decision]:
    """Entries in force after undo and redo, oldest first."""
    undone: set[int] = set()
    for entry in entries:
        if entry.verb == "undo" and entry.target is not None:
            undone.add(entry.target)
        elif entry.verb == "redo" and entry.target is not None:
            undone.discard(entry.target)
    return [e for e in entries if e.verb not in ("undo", "redo") and e.number not in undone]
