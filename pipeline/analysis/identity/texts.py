"""Which texts may leave: made only of words of a vocabulary, or confirmed by a person.

A list of forbidden shapes cannot know every name in every script, so this is a list of what is
allowed. A text passes if each of its words is in the vocabulary, each number has an allowed
form, and nothing stands between them but plain punctuation. Everything else is shown to a
person, once. Characters that nobody can see are refused: no one can confirm them.

The work grows in proportion to the length of the text, whatever is in it.

Sources. Unicode normalisation form NFKC: UAX #15. What cannot be seen: general categories Cc, Cf,
Co, Cn, Cs, Zl and Zp of the Unicode Character Database, and of its property
Default_Ignorable_Code_Point those in other categories (list from memory).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import islice

from pipeline.analysis.identity.vocabulary import Reading, Vocabulary
from pipeline.model.draft_captions import MARK, look_like_names

CAPTIONS = "captions"

_INVISIBLE_CATEGORIES = frozenset({"Cc", "Cf", "Co", "Cn", "Cs", "Zl", "Zp"})
_INVISIBLE_OTHERS = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
_MOST_FOUND = 2000  # of running text; a person reads it then anyway


@dataclass(frozen=True)
class Leaving:
    """A text that leaves, and where it is put: 'title', 'chapter 2', 'captions'."""

    where: str
    text: str


@dataclass(frozen=True)
class Judged:
    """What keeps a text from leaving unseen.

    words: what is not in the vocabulary, each once, in order; of what a machine wrote, what looks
    like a name besides. unseen: a character
    that cannot be seen, by code point and name; such a text cannot be confirmed. drafted: a
    machine wrote it, so that it is read by a person whatever its words are.
    """

    where: str
    text: str
    words: tuple[str, ...] = ()
    unseen: str = ""
    drafted: bool = False

    @property
    def passes(self) -> bool:
        return not self.words and not self.unseen and not self.drafted


def judge(leaving: Leaving, vocabulary: Vocabulary, *, long: bool = False) -> Judged:
    """Whether a text may leave unseen. long: running text, in which many numbers may stand."""
    unseen = unseen_character(leaving.text)
    if unseen:
        return Judged(leaving.where, leaving.text, unseen=unseen)
    text = unicodedata.normalize("NFKC", leaving.text)
    unseen = unseen_character(text)
    words: tuple[str, ...] = ()
    if not unseen:
        found = islice(Reading(text, vocabulary, long).unknown(), _MOST_FOUND)
        words = tuple(dict.fromkeys(found))
    drafted = leaving.where == CAPTIONS and text.startswith(MARK)
    if drafted:
        said = text.removeprefix(MARK).replace("\n", ". ")
        words = tuple(dict.fromkeys([*words, *look_like_names(said, [])]))
    return Judged(leaving.where, leaving.text, words, unseen, drafted)


def judge_all(
    texts: Iterable[Leaving], vocabulary: Vocabulary, confirmed: Callable[[str], bool]
) -> list[Judged]:
    """The texts that may not leave yet: neither of the vocabulary nor confirmed.

    confirmed: whether a person confirmed exactly this text.
    """
    out = []
    for leaving in texts:
        judged = judge(leaving, vocabulary, long=leaving.where == CAPTIONS)
        if judged.unseen or (not judged.passes and not confirmed(leaving.text)):
            out.append(judged)
    return out


def texts_that_leave(
    *,
    title: str,
    chapters: Sequence[str],
    card: str,
    captions: Sequence[str],
    series_title: str,
    mark_text: str,
    profile: str,
    file_part: str = "",
    teaching: Mapping[str, str] | None = None,
) -> list[Leaving]:
    """Every text of a release that a person wrote; empty ones left out.

    captions: the cues in order; together they are one text. profile and file_part
    stand in the name of the file. teaching: by what each says.
    """
    texts = [
        Leaving("title", title),
        *(Leaving(f"chapter {n}", text) for n, text in enumerate(chapters, start=1)),
        Leaving("card", card),
        *(Leaving(what, text) for what, text in (teaching or {}).items()),
        Leaving(CAPTIONS, "\n".join(captions)),
        Leaving("series title", series_title),
        Leaving("text of the mark", mark_text),
        Leaving("name of the profile", profile),
        Leaving("name of the clip", file_part.strip("-")),
    ]
    return [leaving for leaving in texts if leaving.text.strip()]


def unseen_character(text: str) -> str:
    """The first character of a text that nobody can see, as 'U+200B ZERO WIDTH SPACE', or ''."""
    hidden = {c for c in set(text) if c not in "\n\t" and _unseen(c)}
    first = next((c for c in text if c in hidden), "") if hidden else ""
    if not first:
        return ""
    return f"U+{ord(first):04X} {unicodedata.name(first, 'without a name')}"


@cache
def _unseen(character: str) -> bool:
    hidden = unicodedata.category(character) in _INVISIBLE_CATEGORIES
    return hidden or _INVISIBLE_OTHERS.match(character) is not None
