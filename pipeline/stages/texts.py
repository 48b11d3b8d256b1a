"""Texts that leave: which a case has, and which of them nobody has confirmed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from pipeline.analysis.identity.texts import CAPTIONS, Judged, Leaving, judge_all, texts_that_leave
from pipeline.analysis.identity.vocabulary import Vocabulary, parse_vocabulary
from pipeline.model.decisions import Decision, Decisions, effective
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.settings import packaged, shipped_profiles
from pipeline.stages.intake import OpenedCase
from pipeline.stages.planning.chapters import chapter_title, named_chapters
from pipeline.stages.scripted import caption_texts
from pipeline.store.texts import Confirmed, ConfirmedTexts
from pipeline.store.work import WorkFolder

_MOST_TOLD = 12
_MADE_SUFFIX = re.compile(r"(-[0-9]+m[0-9]+s[0-9]+-[0-9]+m[0-9]+s[0-9]+(-[0-9]+)?)?"
                          r"(-copy-[2-9a-z]{8})?")  # fmt: skip


@dataclass(frozen=True)
class ShownText:
    """A text that is not made of the vocabulary alone, and who confirmed it; None: nobody."""

    judged: Judged
    by: str | None = None

    def as_json(self) -> dict[str, Any]:
        found = self.judged
        return {
            "where": found.where,
            "text": "" if found.unseen else found.text,
            "words": list(found.words),
            "unseen": found.unseen or None,
            "drafted": found.drafted,
            "confirmed_by": self.by,
        }


@cache
def vocabulary() -> Vocabulary:
    """The vocabulary that comes with the program (`configs/vocabulary`)."""
    folder = packaged("configs") / "vocabulary"
    trade, general = ((folder / name).read_text("utf-8") for name in ("trade.txt", "words.txt"))
    return parse_vocabulary(trade, general)


def texts_of_plan(
    plan: Plan, options: Options, captions: Sequence[str], suffix: str = ""
) -> list[Leaving]:
    """Every text that leaves with a clip. captions: the file's cues, before any edit."""
    return texts_that_leave(
        title=plan.title,
        chapters=[c.title for c in plan.chapters],
        card=plan.card,
        teaching=plan.teaching.said(),
        captions=captions,
        file_part="" if _MADE_SUFFIX.fullmatch(suffix) else suffix,
        **_of_settings(options),
    )


def texts_of_case(
    opened: OpenedCase,
    options: Options,
    decisions: Sequence[Decision],
    *,
    title: str | None = None,
    suffix: str = "",
    narrated: bool = True,
) -> list[Leaving]:
    """Every text that may leave with a clip of the case, before anything is measured.

    title: of a clip of a part, instead of the case's. Raises InputError for captions that
    cannot be read.
    """
    case = opened.case
    named = [text for _, text in named_chapters(decisions) or []]
    return texts_that_leave(
        title=case.title if title is None else title,
        chapters=named or [chapter_title(case, n) for n in range(len(case.recording))],
        card=case.measured.card if case.measured is not None else "",
        teaching=case.teaching.said(),
        captions=caption_texts(opened.captions) if narrated and opened.captions else [],
        file_part="" if _MADE_SUFFIX.fullmatch(suffix) else suffix,
        **_of_settings(options),
    )


@cache
def _own_profiles() -> frozenset[str]:
    """Names of the profiles that come with the program."""
    return frozenset(shipped_profiles())


def _of_settings(options: Options) -> dict[str, str]:
    return {
        "series_title": options.output.series_title,
        "mark_text": "" if options.mark.emblem else options.mark.text,
        "profile": "" if options.output.profile in _own_profiles() else options.output.profile,
    }


def shown_texts(texts: Sequence[Leaving], confirmed: Confirmed) -> list[ShownText]:
    """Those that are not of the vocabulary alone. Pure, once the vocabulary is read."""
    judged = judge_all(texts, vocabulary(), lambda _: False)
    return [ShownText(j, None if j.unseen else confirmed.by(j.text)) for j in judged]


def open_texts(shown: Sequence[ShownText]) -> list[Judged]:
    """Those that nobody confirmed, or that nobody can."""
    return [s.judged for s in shown if s.by is None]


def told(shown: ShownText) -> str:
    """One text for the person at the terminal: the text itself and what to look at in it."""
    found = shown.judged
    if found.unseen:
        number = int(found.unseen[2:].split()[0], 16)
        near = found.text.partition(chr(number))[0][-30:]
        after = f' after "{near.splitlines()[-1]}"' if near.strip() else ""
        return (
            f"{found.where}: it holds {found.unseen}{after} (take it out: it cannot be confirmed)"
        )
    words = ", ".join(found.words[:_MOST_TOLD])
    more = len(found.words) - _MOST_TOLD
    words += f" and {more} more" if more > 0 else ""
    text = "" if found.where == CAPTIONS else f' "{" / ".join(found.text.splitlines())}"'
    state = f"confirmed by {shown.by}" if shown.by else "not confirmed"
    if found.drafted:
        look = f"look above all at: {words}" if words else "no word looks like a name"
        return f"{found.where}: written by a machine, read all of it ({state}; {look})"
    return f"{found.where}:{text} ({state}; not of the vocabulary: {words})"


def carry_texts(
    opened: OpenedCase, options: Options, decisions: Decisions | None, folder: WorkFolder
) -> None:
    """Let workers on other machines know what this user confirmed of the case's texts."""
    in_force = effective(decisions.entries) if decisions else []
    texts = texts_of_case(opened, options, in_force)
    confirmed = ConfirmedTexts(folder)
    found = judge_all(texts, vocabulary(), lambda _: False)
    confirmed.carry([(j.where, j.text) for j in found if not j.unseen])


def confirm_texts(texts: Sequence[Leaving], confirmed: ConfirmedTexts, by: str) -> None:
    """A person answers for every text that can be seen. Call it under the lock of the case."""
    found = open_texts(shown_texts(texts, confirmed.known()))
    confirmed.confirm([(j.where, j.text) for j in found if not j.unseen], by)
