"""Where a clip stands: ready, released or withheld, and who looked. Said alike on every page.

A report and a proof are written when a clip is made. When it leaves later, nothing is measured
again: only the two places that say where it stands are written anew.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

from pipeline.model.release import Looked, look_sentence
from pipeline.store.work import WorkFolder

State = Literal["released", "ready", "withheld", "surveyed"]


class Standing(NamedTuple):
    """name: of the clip, `HL-0142-web`. short: beside the state. lines: who looked."""

    name: str
    state: State
    short: str
    lines: Sequence[str]


def standing(
    name: str,
    state: State,
    *,
    checks: int,
    looked: Looked | None,
    approved_by: str | None,
    needed: int = 0,
    initials: bool = True,
) -> Standing:
    """What is said of a clip. checks: how many passed. needed: findings that need a person."""
    passed = f"{checks} checks passed"
    short = {
        "released": f"{passed}; {'looked at' if looked else 'nobody has looked yet'}",
        "ready": f"{passed}; a person looks before it is released",
        "surveyed": "measured, nothing made yet",
        "withheld": "see below",
    }[state]
    if needed and state != "released":
        short = f"{needed} findings need a person" if needed > 1 else "1 finding needs a person"
    lines: list[str] = []
    if state == "released":
        lines.append(look_sentence(looked, initials=initials))
    elif state == "ready":
        lines.append("Nobody has looked at this clip yet; it is released when somebody has.")
    if approved_by is not None:
        who = approved_by if initials else "A person"
        lines.append(f"{who} answered for the points that were open.")
    return Standing(name, state, short, lines)


_PLACE = re.compile(r"<!--(stamp|lines) (?P<name>[A-Za-z0-9._-]+)-->.*?<!--/\1-->", re.DOTALL)


def restated(page: str, now: Standing) -> str:
    """The page with what it says of the clip `now.name` written anew; of another, unchanged."""
    from pipeline.review.report import environment

    macros: Any = environment().get_template("standing.html").module

    def again(found: re.Match[str]) -> str:
        if found["name"] != now.name:
            return found.group()
        return str(getattr(macros, found.group(1))(now))

    return _PLACE.sub(again, page)


def restate(folder: WorkFolder, now: Standing) -> None:
    """Write the report and the proof of a clip anew where they speak of it. OutputError."""
    for path in sorted(folder.private_dir.glob("*.html")):
        before = path.read_text(encoding="utf-8")
        after = restated(before, now)
        if after != before:
            folder.atomic_write(path, after)


