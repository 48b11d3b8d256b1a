"""decisions.json: add, undo, redo, sign. Entries are only ever added.

The upper part is pure: a document goes in, a new one comes out. `DecisionFile`
at the end keeps one on disk, safe against two writers.

What the entries say (times of an anchor are those of its source):
- accept, reject: the finding at `anchor` is right, or is none; to reject speech, lettering, faces
  or damage takes a reason of the list in `stages.judged`; value box_px where it is a
  box in the picture (several may share a span), else empty.
- change: value any of action ("keep", "cut", "freeze", "clear", "black", "replace", "blank"),
  start_s, stop_s (source time).
- add: a redaction at `anchor` with kind "lettering", "face" or "speech"; for a picture
  value box_px (x, y, width, height in pixels of the source's working picture).
- mark: value positions, a list of {x, y, angle_deg, width_ratio} relative to the field.
- mix: value settings of the section [sound] by name.
- chapter: value chapters, the whole list of [start_s, title], case time.
- sign: the anonymity list was approved; the hashes lie in `sign_off`.
- undo, redo: `target` is the number of the entry.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import os
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import ValidationError

from pipeline.errors import InputError, UsageError
from pipeline.model.decisions import Anchor, Decision, Decisions, SignOff
from pipeline.model.faults import fault_of
from pipeline.model.options import SoundOptions
from pipeline.stages.judged import REASONS
from pipeline.store.work import atomic_write, output_error

Verb = Literal[
    "accept", "reject", "change", "add", "undo", "redo", "sign", "mark", "mix", "chapter"
]
ACTIONS = ("keep", "cut", "freeze", "clear", "black", "replace", "blank")
ADDABLE = ("lettering", "face", "speech")
MIX_SETTINGS = (
    "ducking_depth_lu",
    "duck_lead_s",
    "duck_fall_s",
    "duck_hold_s",
    "duck_release_s",
    "background_below_narration_lu",
)


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
    _check_reason(verb, anchor, checked, reason)
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


# --- what an entry may hold -------------------------------------------------------------


def _number(value: Any, name: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise UsageError("A decision holds no number", name, f"give {low:g} to {high:g}")
    if not low <= value <= high:
        raise UsageError(
            "A decision is out of range", f"{name} {value:g}", f"give {low:g} to {high:g}"
        )
    return float(value)


def _check_reason(
    verb: str, anchor: Anchor | None, value: Mapping[str, Any], reason: str
) -> None:
    """What could harm somebody is let through, wholly or in part, for a reason of the list only."""
    if anchor is None:
        return
    allowed = REASONS.get(anchor.kind, ())
    smaller = anchor.kind in ("speech", "undecided") and (
        value.get("start_s", 0.0) > anchor.start_s
        or value.get("stop_s", anchor.stop_s) < anchor.stop_s
    )
    lets = verb == "reject" or (verb == "change" and smaller)
    if lets and allowed and reason not in allowed:
        raise UsageError(
            "That is let through for a reason only",
            "none" if not reason else "another one",
            "give one of: " + "; ".join(allowed),
        )


def _only(value: Mapping[str, Any], names: Sequence[str], verb: str) -> None:
    extra = sorted(set(value) - set(names))
    if extra:
        raise UsageError(
            f"A decision '{verb}' cannot hold this", extra[0][:40], f"give {', '.join(names)}"
        )


def _box(box: Any) -> list[int]:
    if not isinstance(box, list) or len(box) != 4:
        raise UsageError("A redaction has no box", "box_px", "draw a box over it")
    return [round(_number(v, "box_px", 0, 20000)) for v in box]


def check_value(verb: str, anchor: Anchor | None, value: dict[str, Any]) -> dict[str, Any]:
    """`value` with its numbers checked. Raises UsageError with what is allowed."""
    if verb not in get_args(Verb) or verb in ("undo", "redo", "sign"):
        raise UsageError("That cannot be decided", str(verb)[:20], "accept, reject or change")
    if verb in ("accept", "reject", "change", "add"):
        if anchor is None:
            raise UsageError("A decision has no finding", verb, "choose a finding first")
        if not 0 <= anchor.start_s < anchor.stop_s:
            raise UsageError(
                "A span ends before it starts", anchor.kind, "give a later end than the start"
            )
    if verb in ("accept", "reject"):
        _only(value, ("box_px",), verb)
        if "box_px" in value:
            value = {"box_px": _box(value["box_px"])}
    elif verb == "change":
        _only(value, ("action", "start_s", "stop_s"), verb)
        if not value:
            raise UsageError("Nothing was changed", "", "give an action or a span")
        if "action" in value and value["action"] not in ACTIONS:
            raise UsageError(
                "An action is not known", str(value["action"])[:20], ", ".join(ACTIONS)
            )
        for name in ("start_s", "stop_s"):
            if name in value:
                value[name] = round(_number(value[name], name, 0, 1e6), 6)
        assert anchor is not None
        start, stop = value.get("start_s", anchor.start_s), value.get("stop_s", anchor.stop_s)
        if stop <= start:
            raise UsageError(
                "A span ends before it starts", anchor.kind, "give a later end than the start"
            )
    elif verb == "add":
        assert anchor is not None
        if anchor.kind not in ADDABLE:
            raise UsageError(
                "That cannot be redacted", anchor.kind[:20], f"give {', '.join(ADDABLE)}"
            )
        _only(value, () if anchor.kind == "speech" else ("box_px",), verb)
        if anchor.kind != "speech":
            box = _box(value.get("box_px"))
            if box[2] < 2 or box[3] < 2:
                raise UsageError("A box is too small", f"{box[2]} x {box[3]}", "draw it larger")
            value = {"box_px": box}
    elif verb == "mark":
        _only(value, ("positions",), verb)
        places = value.get("positions")
        if not isinstance(places, list) or not 1 <= len(places) <= 4:
            raise UsageError("A mark has no place", "", "give one to four places")
        out = []
        for place in places:
            if not isinstance(place, dict):
                raise UsageError("A mark has no place", "", "give x, y and width_ratio")
            _only(place, ("x", "y", "angle_deg", "width_ratio"), verb)
            out.append(
                {
                    "x": round(_number(place.get("x"), "x", -1, 1), 4),
                    "y": round(_number(place.get("y"), "y", -1, 1), 4),
                    "angle_deg": round(
                        _number(place.get("angle_deg", 0.0), "angle_deg", -180, 180), 2
                    ),
                    "width_ratio": round(
                        _number(place.get("width_ratio"), "width_ratio", 0.05, 1.9), 4
                    ),
                }
            )
        value = {"positions": out}
    elif verb == "mix":
        _only(value, MIX_SETTINGS, verb)
        if not value:
            raise UsageError("Nothing was changed", "", "give a setting of the sound")
        value = check_sound(value)
    elif verb == "chapter":
        _only(value, ("chapters",), verb)
        chapters = value.get("chapters")
        if not isinstance(chapters, list) or len(chapters) > 200:
            raise UsageError("Chapters are no list", "", "give at most 200")
        rows: list[list[Any]] = []
        for row in chapters:
            if not isinstance(row, list) or len(row) != 2 or not isinstance(row[1], str):
                raise UsageError("A chapter is not complete", "", "give a time and a title")
            title = " ".join(row[1].split())
            if not 1 <= len(title) <= 80 or any(ord(c) < 32 for c in title):
                raise UsageError("A chapter's title has the wrong length", "", "1 to 80 letters")
            rows.append([round(_number(row[0], "start_s", 0, 1e6), 6), title])
        rows.sort(key=lambda r: float(r[0]))
        if len({r[0] for r in rows}) != len(rows):
            raise UsageError("Two chapters start together", "", "give each its own time")
        value = {"chapters": rows}
    return value


def check_sound(value: Mapping[str, Any]) -> dict[str, Any]:
    """Settings of the section [sound] inside their limits. Raises UsageError."""
    try:
        checked = SoundOptions.model_validate(dict(value))
    except ValidationError as error:
        what, _, do = fault_of(error, SoundOptions, "the sound", values=False)
        raise UsageError("A setting of the sound is out of range", what, do) from None
    return {name: getattr(checked, name) for name in value}


# --- on disk ----------------------------------------------------------------------------


class DecisionFile:
    """decisions.json of one case. Every change is one whole write under a lock.

    The lock is a file of its own, not the case's: people go on deciding while a
    render works on its frozen plan.
    """

    _threads = threading.RLock()

    def __init__(self, path: Path, case: str) -> None:
        self.path, self.case = path, case

    def load(self) -> Decisions:
        """Raises InputError if the file is damaged: a decision is never dropped."""
        if not self.path.is_file():
            return Decisions(case=self.case)
        try:
            document = Decisions.model_validate_json(self.path.read_bytes())
        except (ValueError, OSError):
            raise InputError(
                "decisions.json of the case cannot be read", "", "restore it from a backup"
            ) from None
        if document.case != self.case:
            raise InputError(
                "decisions.json belongs to another case", "", "put the right file in its place"
            )
        return document

    def change(self, step: Callable[[Decisions], Decisions]) -> Decisions:
        """Loads, applies `step`, saves; nothing is written if `step` raises."""
        with self._locked():
            document = step(self.load())
            atomic_write(self.path, document.to_json() + "\n", private=True)
        return document

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        import fcntl

        with self._threads:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                handle = os.open(
                    self.path.with_name(".decisions.lock"),
                    os.O_RDWR | os.O_CREAT | os.O_CLOEXEC,
                    0o600,
                )
            except OSError as error:
                raise output_error(error) from error
            try:
                fcntl.flock(handle, fcntl.LOCK_EX)
                yield
            finally:
                os.close(handle)
