"""Reading a text word by word against a vocabulary: what in it is not allowed.

The vocabulary is `configs/vocabulary`; its README says what its sections mean. Sources of the
rules on numbers: ages over 89 identify, HIPAA 45 CFR 164.514(b)(2)(i)(C); the others are common
practice, no source. Long because each rule looks at its neighbours through one reading.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from pipeline.analysis.identity.said_when import When

_TOKEN = re.compile(r"[^\W\d_]+(?:['\u2019][^\W\d_]+)*|[0-9]+(?:[.,][0-9]+)?|[ \n\t]+|.", re.DOTALL)
_ADDRESS = re.compile(r"(?<![^\W\d_])[^\W\d_]{2,}\.[a-z]{2,}")  # 'clinic.example'
_MARKS = frozenset(".,;:!?()[]/+&%=<>~'\"\u2018\u2019\u201c\u201d\u00b0\u00d7\u2022-") | frozenset(
    "\u2010\u2011\u2012\u2013\u2014"
)
_ORDINAL = frozenset({"st", "nd", "rd", "th"})
_TAILS = frozenset({"s", "ll", "re", "ve", "d", "m"})
_JOINS = ("-", "\u2013", "\u00d7")
_LONGEST_PHRASE = 7
_NUMBER_WORDS_IN_ROW = 3  # "nineteen sixty-seven" is a year, "four eight two" a number
_DIGITS_IN_TEXT = 8
_NUMBERS_IN_SENTENCE = 2  # three without units may be a date: "12 left, 3 right, 67 after"
_ENDS = frozenset(".!?")
_OLDEST = 89


@dataclass(frozen=True)
class Vocabulary:
    """words: sets by section; 'plain' are those that pass in any case. phrases: by first word."""

    words: dict[str, frozenset[str]]
    phrases: dict[str, tuple[tuple[str, ...], ...]]
    in_phrases: frozenset[str]


def parse_vocabulary(trade: str, general: str) -> Vocabulary:
    """trade: text of trade.txt, in sections. general: text of words.txt, one word a line."""
    sections: dict[str, list[str]] = {}
    name = ""
    for line in (raw.strip() for raw in trade.splitlines()):
        if line.startswith("["):
            name = line.strip("[]")
        elif line and not line.startswith("#"):
            sections.setdefault(name, []).append(line)
    phrases: dict[str, list[tuple[str, ...]]] = {}
    for line in sections.pop("phrases"):
        parts = tuple(line.lower().replace("-", " ").split())
        phrases.setdefault(parts[0], []).append(parts)
    words = {k: frozenset(" ".join(v).split()) for k, v in sections.items()}
    kept_out = frozenset().union(*(words[k] for k in ("guarded", "small", "names", "who", "when")))
    words["plain"] = (words["words"] | frozenset(general.split())) - kept_out
    return Vocabulary(
        words,
        {k: tuple(sorted(v, key=len, reverse=True)) for k, v in phrases.items()},
        frozenset(word for found in phrases.values() for p in found for word in p),
    )


class _Token(NamedTuple):
    kind: str  # word, number, mark, other
    text: str
    lower: str
    spaced: bool  # a space or nothing stands before it


_NOTHING = _Token("nothing", "", "", True)


class Reading:
    """One text, token by token. Each rule looks at a bounded number of neighbours."""

    def __init__(self, text: str, vocabulary: Vocabulary, long: bool) -> None:
        self.vocabulary, self.words, self.long = vocabulary, vocabulary.words, long
        self.named = self.words["surnames"] | (self.words["guarded"] - self.words["verbs"])
        self.digit_words = self.words["ones"] | self.words["tens"]
        self.counted = (self.digit_words | self.words["ordinals"]) - {"one"}
        self.capital_names = self.words["places"] | self.words["titles"]
        self.called = self.words["titles"] | self.words["roles"]
        self.known: dict[str, tuple[str, str]] = {}  # kind and lower case of a token
        self.parts: list[str] = []
        self.spaced: list[bool] = []
        spaced = True
        for part in _TOKEN.findall(text):
            if part[0] in " \n\t":
                spaced = True
                continue
            self.parts.append(part)
            self.spaced.append(spaced)
            spaced = False
        self.addresses = _ADDRESS.findall(text)
        small = {part: part.lower().replace("\u2019", "'") for part in set(self.parts)}
        self.when = When([small[part] for part in self.parts], self.words)
        self.shouted = text.isupper() and len(self.parts) > 2

    def unknown(self) -> Iterator[str]:
        """What does not pass, in order."""
        yield from self.addresses
        clear = self._clear()
        content, digits = any(part.lower() in self.words["plain"] for part in clear), 0
        said = 0
        for index, part in enumerate(self.parts):
            if part in _ENDS and self.long:
                said = 0
            if part in _MARKS:
                continue
            if index in self.when.tells:
                yield self._shown(index)
                content = True
                continue
            if part in clear:
                continue
            token = self._token(index)
            if token.kind == "number":
                digits += len(part)
            counted = token.kind == "number" or token.lower in self.counted
            if counted and said <= _NUMBERS_IN_SENTENCE and self._said(index, token):
                said += 1
                if said > _NUMBERS_IN_SENTENCE:
                    yield f"{said} numbers without units, the last: {self._shown(index)}"
            if not self._passes(index, token):
                yield self._shown(index)
                content = True
            content |= token.lower not in self.words["small"] | self.counted
        if digits > _DIGITS_IN_TEXT and not self.long:
            yield f"{digits} digits"
        if self.parts and not content:
            yield " ".join(self.parts[:8])

    def _clear(self) -> set[str]:
        """The words of this text that pass whatever stands beside them."""
        plain, small = self.words["plain"], self.words["small"] - self.words["surnames"]
        return {
            part
            for part in set(self.parts)
            if len(part) > 1
            and (lower := part.lower()) not in self.digit_words
            and lower not in self.words["ordinals"]
            and (
                (part == lower and (lower in plain or lower in small))
                or (
                    len(part) > 3
                    and lower in self.words["words"]
                    and lower not in self.capital_names
                    and _plainly_written(part)
                )
            )
        }

    def _passes(self, index: int, token: _Token) -> bool:
        if token.lower in self.digit_words and self._spells_a_number(index):
            return False
        if token.kind == "word" and self._word(index):
            return True
        if token.kind == "number" and self._number(index):
            return True
        return self._in_phrase(index)

    def _token(self, index: int) -> _Token:
        part = self.parts[index]
        kind, lower = self.known.get(part) or self._know(part)
        return _Token(kind, part, lower, self.spaced[index])

    def _know(self, part: str) -> tuple[str, str]:
        if part in _MARKS:
            kind = "mark"
        elif "0" <= part[0] <= "9":
            kind = "number"
        else:
            kind = "word" if part[0].isalpha() else "other"
        self.known[part] = kind, part.lower().replace("\u2019", "'")
        return self.known[part]

    def _spells_a_number(self, index: int) -> bool:
        """Three words of digits in a row, or two that together are no one number: 'nine thirty'."""
        first = last = index
        while index - first < 3 and first > 0 and self._digit_word(first - 1):
            first -= 1
        while last - index < 3 and last + 1 < len(self.parts) and self._digit_word(last + 1):
            last += 1
        words = [p for p in (self.parts[n].lower() for n in range(first, last + 1)) if p != "-"]
        apart = any(not self._one_number(a, b) for a, b in pairwise(words))
        old = any(a == "ninety" and b in self.words["ones"] for a, b in pairwise(words))
        many = len(words) >= _NUMBER_WORDS_IN_ROW
        of = self._names_a_number(first) and not self._unit(self._at(last + 1))
        return many or apart or old or of

    def _one_number(self, one: str, other: str) -> bool:
        """'sixty seven', 'two hundred', 'twenty thousand'; not 'nineteen sixty' or 'two five'."""
        if other in ("thousand", "million"):
            return True
        if other == "hundred":
            return one in self.words["ones"]
        return one in self.words["tens"] and other in self.words["ones"]

    def _said(self, index: int, token: _Token) -> bool:
        """Whether a number is said here, in figures or words, without a unit."""
        if token.kind == "number":
            stands = not (self._unit_after(index) or self._dilution(index))
        elif token.lower in self.words["ordinals"]:
            return True
        else:
            joined = self._at(index - 1).text == "-" and self._digit_word(index - 2)
            stands = not (joined or self._unit(self._at(index + 1)))
        return stands and not self._in_phrase(index)

    def _digit_word(self, index: int) -> bool:
        part = self.parts[index].lower()
        return part in self.digit_words or part == "-"

    def _shown(self, index: int) -> str:
        """The token with what touches it: 'HN48213', '12.03.67'; at most 60 characters."""
        first = last = index
        while first > 0 and not self.spaced[first] and index - first < 12:
            first -= 1
        while last + 1 < len(self.parts) and not self.spaced[last + 1] and last - index < 12:
            last += 1
        return "".join(self.parts[first : last + 1]).strip(".,;:!?()[]\"'")[:60]

    def _at(self, index: int) -> _Token:
        return self._token(index) if 0 <= index < len(self.parts) else _NOTHING

    def _numeric(self, index: int) -> bool:
        return self._at(index).kind == "number"

    # phrases

    def _in_phrase(self, index: int) -> bool:
        """Whether the token belongs to a phrase of the vocabulary."""
        if self.parts[index].lower() not in self.vocabulary.in_phrases:
            return False
        starts = range(max(0, index - _LONGEST_PHRASE), index + 1)
        return any(start + self._phrase_at(start) > index for start in starts)

    def _phrase_at(self, index: int) -> int:
        """Number of tokens from `index` on that are a phrase; 0 if they are none."""
        start = self._token(index)
        if not start.spaced or (start.kind == "number" and self._numeric(index - 1)):
            return 0
        any_number = self.vocabulary.phrases.get("#", ()) if start.kind == "number" else ()
        for phrase in (*any_number, *self.vocabulary.phrases.get(start.lower, ())):
            length = self._match(phrase, index)
            after = self._at(index + length)
            if length and (after.spaced or after.kind == "mark"):
                return length
        return 0

    def _match(self, phrase: Sequence[str], index: int) -> int:
        """Number of tokens from `index` on that are this phrase; a hyphen counts as a space."""
        at = index
        for number, part in enumerate(phrase):
            token = self._at(at)
            if number and token.text == "-" and not token.spaced:
                at += 1
                token = self._at(at)
            elif number and not token.spaced:
                return 0
            if part == "#":
                if token.kind != "number" or len(token.text) > 2:
                    return 0
            elif part[0].isdigit() and not part.isdigit():  # '2a': a letter touches a number
                letter = self._at(at + 1)
                if letter.spaced or token.text + letter.lower != part:
                    return 0
                at += 1
            elif token.lower != part:
                return 0
            at += 1
        dated = self._numeric(at) and phrase[-1][0] in "#0123456789"
        return 0 if dated else at - index

    # words

    def _word(self, index: int) -> bool:
        token, before, after = self._token(index), self._at(index - 1), self._at(index + 1)
        words = self.words
        if before.kind == "number" and not token.spaced:
            return self._behind_number(index)
        if before.kind == "number" and self._unit(token):
            return True
        if before.text == "/" and token.text in words["units"]:
            return self._at(index - 2).text in words["units"]
        if before.text == "\u00b0" and not token.spaced:
            return token.text in ("C", "F")
        if token.lower == "x" and before.kind == "number" and after.kind == "number":
            return self._unit_after(index + 1) != ""
        if token.text in words["capitals"]:
            return True
        if not _plainly_written(token.text):
            return False
        if len(token.text) == 1:
            return self._single(token, before, after)
        kind = self._class(token.lower)
        if not kind or self._called(index):
            return False
        if token.text.isupper() and len(token.text) <= 3:
            return self.shouted and kind == "plain"  # else they are initials
        if kind == "guarded":
            return self._guarded(token, before, after)
        if token.lower in self.capital_names and not token.text.islower():
            return token.lower in words["titles"] and not after.text[:1].isupper()
        if token.lower in words["surnames"] and (self._namely(before) or self._namely(after)):
            return False
        return kind == "plain" or token.text.islower() or self._small(before, after)

    def _called(self, index: int) -> bool:
        """A general word with a capital behind what somebody is: 'Nurse Keen', 'Narrator: Keen'."""
        token, before = self._token(index), self._at(index - 1)
        if token.text.islower() or token.lower in self.words["words"]:
            return False
        who = self._at(index - 2) if before.text == ":" else before
        return who.lower in self.called

    def _class(self, lower: str) -> str:
        """The section of a word: plain, guarded, small, or '' for an unknown one."""
        words = self.words
        if lower in words["contractions"]:
            return "plain"
        base, apostrophe, tail = lower.partition("'")
        if apostrophe:  # 'Green's left side': whose it is, is a name
            known = base in words["plain"] or (base in words["small"] and tail != "s")
            return "plain" if known and tail in _TAILS else ""
        return next((k for k in ("plain", "guarded", "small") if lower in words[k]), "")

    def _single(self, token: _Token, before: _Token, after: _Token) -> bool:
        """'a' and 'I' as words, not as initials."""
        if not after.spaced or (len(after.text) <= 1 and after.kind != "number"):
            return False
        if not token.spaced or (before.kind == "word" and len(before.text) == 1):
            return False
        return token.text in ("a", "A", "I") and after.kind in ("word", "number")

    def _guarded(self, token: _Token, before: _Token, after: _Token) -> bool:
        """A word that is also a common name: in lower case inside a sentence."""
        if not token.text.islower() or not token.spaced:
            return False
        if not self._ordinary(before) or before.lower in self.words["persons"]:
            return False
        ends = self.long and after.text in (".", "!", "?", ",")
        return ends or (after.spaced and self._ordinary(after))

    def _small(self, before: _Token, after: _Token) -> bool:
        """A short word that is also a name, with a capital: 'An approach', 'Crusts In the Nose'."""
        if not after.spaced or not self._ordinary(after):
            return False
        between = self._ordinary(before) and after.lower in self.words["plain"]
        return after.text.islower() or between

    def _namely(self, token: _Token) -> bool:
        return token.lower in self.named

    def _ordinary(self, token: _Token) -> bool:
        """A word of the vocabulary that is no common name, or a short one in lower case."""
        if token.kind != "word":
            return False
        if token.lower in self.words["small"] or token.lower in ("a", "i"):
            return token.text.islower() or token.text == "I"
        return self._class(token.lower) == "plain"

    # numbers

    def _unit(self, token: _Token) -> bool:
        return token.text in self.words["units"] or token.lower in self.words["measures"]

    def _behind_number(self, index: int) -> bool:
        """What touches a number: '30mm', '2nd', '2b', '4K'."""
        number, word = self._token(index - 1), self._token(index)
        if number.text + word.text in self.words["capitals"] or word.text in self.words["units"]:
            return True
        if word.lower in _ORDINAL:
            return len(number.text) <= 2
        return len(number.text) == 1 and word.text in ("a", "b", "c")

    def _number(self, index: int) -> bool:
        token, before, after = self._token(index), self._at(index - 1), self._at(index + 1)
        if not token.spaced and before.kind in ("word", "other"):
            return False  # HN48213
        if not after.spaced and after.kind == "word" and not self._behind_number(index + 1):
            return False
        if self._dilution(index):
            return True
        whole, _, part = token.text.replace(",", ".").partition(".")
        if (whole[0] == "0" and len(whole) > 1) or (not token.spaced and before.text in "'\u2019"):
            return False  # '03' of a date, '67 of a year
        if len(whole) > 3 or len(part) > 2 or not self._numbers_apart(index):
            return False
        unit = self._unit_after(index)
        if self._names_a_number(index) and not unit:
            return False
        if unit.startswith("year") and int(whole) > _OLDEST:
            return False
        return bool(unit) or (len(whole) <= 2 and not part)

    def _unit_after(self, index: int, ranged: bool = False) -> str:
        """The unit that a number has: behind it, or behind the number it is a range with."""
        after, third = self._at(index + 1), self._at(index + 2)
        if after.text in ("%", "\u00b0"):
            return after.text
        if after.text == "-" and third.lower.startswith("year"):
            return third.lower
        joins = after.text in _JOINS or after.lower in ("x", "to", "or", "and")
        if joins and third.kind == "number" and not ranged:
            return self._unit_after(index + 2, ranged=True)
        return after.lower if self._unit(after) else ""

    def _numbers_apart(self, index: int) -> bool:
        """False if another number follows or goes before without a word between, as in a date.

        '2-3 mm' and '4\u00d75 mm' are ranges and sizes with a unit.
        """
        for step in (1, -1):
            at = index + step
            while self._at(at).kind in ("mark", "other"):
                at += step
                if abs(at - index) > 5:
                    return False
            if not self._numeric(at):
                continue
            low, high = min(index, at), max(index, at)
            ranged = high - low == 2 and self.parts[low + 1] in _JOINS
            more = self._numeric(low - 2) or self._numeric(high + 2) or self._numeric(low - 1)
            if not ranged or more or not self._unit_after(high):
                return False
        return True

    def _names_a_number(self, index: int) -> bool:
        """'patient 12', 'no. 48', 'bed 4'."""
        at = index - 1
        while (self._at(at).kind == "mark" or self._at(at).lower == "of") and index - at < 4:
            at -= 1
        token = self._at(at)
        return token.lower in self.words["numbered"] or token.kind == "mark"

    def _dilution(self, index: int) -> bool:
        """'1:1000', both its numbers."""
        for one in (index, index - 2):
            texts = tuple(self._at(one + n).text for n in range(3))
            if texts[:2] == ("1", ":") and texts[2] in self.words["dilutions"]:
                beyond = self._at(one + 3)
                apart = beyond.spaced or beyond.text in (".", ",")
                return apart and not self._numeric(one - 1) and not self._numeric(one + 3)
        return False


def _plainly_written(word: str) -> bool:
    """All small, all capitals, or a capital first: not 'McX', 'bErg'."""
    return word.islower() or word.isupper() or (word[0].isupper() and word[1:].islower())
