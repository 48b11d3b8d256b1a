"""Where a clip stands: ready, released or withheld, and who looked. Said alike on every page.

A report and a proof are written when a clip is made. When it leaves later, nothing is measured
again: only the two places that say where it stands are written anew.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

from pipeline.model.ready import ReadyClip
from pipeline.model.release import Check, Looked, look_sentence
from pipeline.review.pages import environment
from pipeline.stages import release as releasing
from pipeline.stages.ready import proof_file
from pipeline.store.work import WorkFolder, writing

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
    checks: Sequence[Check],
    looked: Looked | None,
    approved_by: str | None,
    needed: int = 0,
    initials: bool = True,
) -> Standing:
    """What is said of a clip. checks: of the finished file. needed: findings that need a person."""
    passed = f"{sum(c.passed for c in checks)} checks passed"
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
    macros: Any = environment().get_template("standing.html").module

    def again(found: re.Match[str]) -> str:
        if found["name"] != now.name:
            return found.group()
        return str(getattr(macros, found.group(1))(now))

    return _PLACE.sub(again, page)


def tell_released(
    folder: WorkFolder, clip: ReadyClip, looked: Looked | None, revision: int, *, outside: bool
) -> None:
    """What was ready was released: report and proof say so, and the proof is that of the release.

    outside: a proof without initials is put beside the released clip. Raises OutputError.
    """
    said: dict[str, Any] = {
        "checks": clip.checks, "looked": looked, "approved_by": clip.approved_by,
    }  # fmt: skip
    now = standing(clip.name, "released", **said)
    report = folder.private_file("report.html")
    if report.is_file():
        before = report.read_text(encoding="utf-8")
        after = restated(before, now)
        left = folder.release_file(clip.profile + clip.suffix, revision, ".mp4")
        there = os.path.relpath(left, folder.private_dir)
        after = after.replace(
            f'href="{clip.file}">The clip that is ready<', f'href="{there}">The released clip<'
        )
        if after != before:  # else it is that of another profile
            folder.atomic_write(report, after)
    proof = proof_file(folder, clip.name, None)
    if not proof.is_file():
        return
    text = proof.read_text(encoding="utf-8")
    folder.atomic_write(proof_file(folder, clip.name, revision), restated(text, now))
    if outside:
        profile = clip.profile + clip.suffix
        beside = folder.release_file(profile, revision, releasing.PROOF)
        anonymous = standing(clip.name, "released", initials=False, **said)
        folder.atomic_write(beside, restated(text, anonymous))
    with writing():
        proof.unlink(missing_ok=True)


