"""Entries of decisions.json: add, undo, redo, sign. They are only ever added. Pure.

A document goes in, a new one comes out; `decision_file` keeps one on disk,
`decision_values` says what an entry may hold.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from pipeline.errors import UsageError
from pipeline.model.decisions import Anchor, Decision, Decisions, SignOff
from pipeline.model.faults import fault_of
from pipeline.review.decision_values import Verb, check_reason, check_value


class StaleVersion(UsageError):
    """Somebody else added entries since the caller looked. Nothing was written."""

    def __init__(self, seen: int, now: int) -> None:
        super().__init__(
            "Somebody decided something meanwhile, and this was not saved",
            f"{now - seen} newer decision{'' if now - seen == 1 else 's'}" if now > seen else "",
            "look at the newer state, then decide again",
        )
        self.seen, self.now = seen, now


def now_utc() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def version(document: Decisions) -> int:
    """The number of the last entry; 0 for none."""
    return document.entries[-1].number if document.entries else 0


def undone(entries: Sequence[Decision]) -> set[int]:
    """Numbers of entries that are undone and not redone."""
    out: set[int] = set()
    for entry in entries:
        if entry.target is None:
            continue
        if entry.verb == "undo":
            out.add(entry.target)
        elif entry.verb == "redo":
            out.discard(entry.target)
    return out


def effective(document: Decisions) -> list[Decision]:
    """Entries in force after undo and redo, oldest first."""
    gone = undone(document.entries)
    return [e for e in document.entries if e.verb not in ("undo", "redo") and e.number not in gone]


def undoable(document: Decisions) -> Decision | None:
    """The entry that `undo` would take back: the last one in force."""
    left = effective(document)
    return left[-1] if left else None


def redoable(document: Decisions) -> Decision | None:
    """The entry that `redo` would bring back: the last undone, unless something new came since.

    A sign-off is never brought back: it has to be given again.
    """
    stack: list[int] = []
    for entry in document.entries:
        if entry.verb == "undo" and entry.target is not None:
            stack.append(entry.target)
        elif entry.verb == "redo":
            stack = stack[:-1]
        else:
            stack = []
    if not stack:
        return None
    found = next(e for e in document.entries if e.number == stack[-1])
    return None if found.verb == "sign" else found


def _added(document: Decisions, seen: int, fields: Mapping[str, Any]) -> Decisions:
    now = version(document)
    if seen != now:
        raise StaleVersion(seen, now)
    try:
        entry = Decision(number=now + 1, **fields)
    except ValidationError as error:
        what, _, do = fault_of(error, Decision, "the decision", values=False)
        raise UsageError("A decision is not complete", what, do) from None
    return document.model_copy(update={"entries": [*document.entries, entry], "sign_off": None})


def noted(document: Decisions, before: Decisions, request: str | None) -> Decisions:
    """The document whose entries since `before` carry the id of the request that added them."""
    old = len(before.entries)
    new = [e.model_copy(update={"request": request}) for e in document.entries[old:]]
    return document.model_copy(update={"entries": [*document.entries[:old], *new]})


def append(
    document: Decisions,
    *,
    seen: int,
    verb: Verb,
    by: str,
    at: str | None = None,
    anchor: Anchor | None = None,
    value: Mapping[str, Any] | None = None,
    reason: str = "",
) -> Decisions:
    """The document with one more entry; a sign-off lapses.

    seen: `version` of the document that the person saw. Raises StaleVersion if it is
    older, UsageError if the entry makes no sense.
    """
    checked = check_value(verb, anchor, dict(value or {}))
    check_reason(verb, anchor, checked, reason)
    fields = {
        "at": at or now_utc(),
        "by": by,
        "verb": verb,
        "anchor": anchor,
        "value": checked,
        "reason": reason,
    }
    return _added(document, seen, fields)


def undo(
    document: Decisions, *, seen: int, by: str, at: str | None = None, target: int | None = None
) -> Decisions:
    """Takes back an entry by adding one: `target`, or the last in force.

    Raises UsageError if there is none, or it is not in force.
    """
    left = effective(document)
    if target is not None:
        left = [e for e in left if e.number == target]
    if not left:
        raise UsageError("There is nothing to undo", "", "decide something first")
    fields = {"at": at or now_utc(), "by": by, "verb": "undo", "target": left[-1].number}
    return _added(document, seen, fields)


def redo(document: Decisions, *, seen: int, by: str, at: str | None = None) -> Decisions:
    """Brings back the last entry undone by adding an entry. UsageError if there is none."""
    entry = redoable(document)
    if entry is None:
        raise UsageError("There is nothing to redo", "", "undo something first")
    fields = {"at": at or now_utc(), "by": by, "verb": "redo", "target": entry.number}
    return _added(document, seen, fields)


def sign(
    document: Decisions,
    *,
    seen: int,
    by: str,
    sources: Sequence[str],
    surveys: Sequence[str],
    settings: str,
    plan: str,
    narration: str,
    at: str | None = None,
) -> Decisions:
    """The anonymity list is approved for exactly these hashes."""
    stamp = at or now_utc()
    out = _added(document, seen, {"at": stamp, "by": by, "verb": "sign"})
    approval = SignOff(
        by=by,
        at=stamp,
        sources=list(sources),
        surveys=list(surveys),
        settings=settings,
        plan=plan,
        narration=narration,
    )
    return out.model_copy(update={"sign_off": approval})
