"""What in a text tells when something was, or how old somebody is: a person reads it.

Words that always tell it stand in the section `when` of the vocabulary. Here is what takes its
neighbours to tell: times of day said in words, stretches of the calendar, ages by weeks or over 89
(dates but for the year, and ages over 89, identify: HIPAA 45 CFR 164.514(b)(2)(i)(C)). A length of
time ('two weeks later'), an age in years and a place on the clock face ('at nine o'clock') do not.
Which neighbours count is common practice, no source. Each rule looks at a bounded number of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

_ENDS = frozenset(".!?")
_CLAUSE_ENDS = frozenset(",;:!?.)\n") | {"", "in", "on", "this", "that"}
_AT = frozenset({"at", "by", "till", "until", "since", "past", "around", "between", "towards"})
_AT_WORDS = _AT | {"before", "after"}  # 'before 22, after 41' are scores
_ORDINAL = frozenset({"st", "nd", "rd", "th"})
_ABOUT = frozenset({"about", "around", "nearly", "exactly", "just"})
_FRACTIONS = frozenset({"half", "quarter"})
_HOURS = frozenset({"h", "hour", "hours", "hrs"})
_LATER_YEARS = frozenset({"ninety", "hundred"})
_STRETCHES = frozenset({"week", "month", "year", "quarter", "term", "decade", "century", "spring"})
_NEAR = frozenset({"last", "this", "new"})
_NEAR_SPRING = _NEAR | {"in", "early", "late", "since"}
_SMALL_UNITS = frozenset({"day", "days", "week", "weeks", "month", "months", "hour", "hours"})
_OPENS_WORD = _STRETCHES | {"past", "first", "second"}
_PAD = 5


class When:
    """Rules over the tokens of one text, in lower case.

    words: sections of the vocabulary. tells: indices of the tokens that tell it.
    """

    def __init__(self, parts: Sequence[str], words: Mapping[str, frozenset[str]]) -> None:
        self.parts = [""] * _PAD + list(parts) + [""] * _PAD  # every neighbour is there
        self.count = words["ones"] | words["tens"]
        self.tens = words["tens"]
        self.measures = words["measures"] | {unit.lower() for unit in words["units"]}
        self.measures |= {"%", "\u00b0", "o'clock"}
        self.people, self.ages = words["people"], words["ages"]
        self.heads = _OPENS_WORD | words["ordinals"]
        self.tells = frozenset(self._telling(parts))

    def _telling(self, parts: Sequence[str]) -> Iterator[int]:
        """Indices of tokens that tell when something was, or an age that identifies."""
        for at, (persons, ages) in enumerate(self._persons_and_ages(parts), start=_PAD):
            part = self.parts[at]
            if part in self.count or "0" <= part[0] <= "9":
                if self._tells_number(at, persons, ages):
                    yield at - _PAD
            elif part in self.heads:
                if self._tells_word(at):
                    yield at - _PAD
            elif part in _SMALL_UNITS and self._old(at + 1):
                yield at - _PAD

    def _number(self, at: int) -> bool:
        part = self.parts[at]
        return part in self.count or "0" <= part[:1] <= "9"

    def _tells_number(self, at: int, persons: bool, ages: bool) -> bool:
        """A time of day ('half nine', 'at nine', '9 am', '14 h 30'), or an age by weeks or over 89.

        persons, ages: whether the sentence speaks of a person, and of how old one is.
        """
        before, part, after = self.parts[at - 1 : at + 2]
        if after in ("am", "pm") or (after == "a" and self.parts[at + 2 : at + 4] == [".", "m"]):
            return True
        beyond = at + (2 if after == "-" else 1)
        unit = self.parts[beyond]
        if unit in self.measures:  # '6 weeks', 'six-month'
            if unit in _SMALL_UNITS:
                return ages or self._old(beyond + 1) or (part == "hundred" and unit in _HOURS)
            return unit.startswith("year") and self._late(part)
        if before in _HOURS and self._number(at - 2):
            return True
        if before == "half" or (before == "week" and part in self.tens and after != "after"):
            return True
        if persons and self._late(part):
            return True
        if after in _ORDINAL and before == "the":
            return self.parts[at + 2] in _CLAUSE_ENDS | {"of"}
        return after in _CLAUSE_ENDS and self._follows_at(at)

    def _old(self, at: int) -> bool:
        """'old' or 'of age', also behind a hyphen."""
        at += self.parts[at] == "-"
        return self.parts[at] == "old" or self.parts[at : at + 2] == ["of", "age"]

    @staticmethod
    def _late(part: str) -> bool:
        return part in _LATER_YEARS or (part.isdigit() and 90 <= int(part[:4]) <= 120)

    def _follows_at(self, at: int) -> bool:
        """Whether a number that ends a clause stands behind what a time of day is said with."""
        part, said = self.parts[at], self.parts[at] in self.count
        beyond, before = self.parts[at - 2 : at]
        if before == "to":
            return beyond in _FRACTIONS or beyond == "minutes" or (said and beyond in self.count)
        if before == "of" and beyond == "quarter":
            return said
        first, large = at, part in self.tens or (not said and len(part) > 1)
        while at - first < 3 and (self._number(first - 1) or self._joined(first)):
            first -= 1
            large |= self.parts[first] in self.tens
        beyond, before = self.parts[first - 2 : first]
        if before == "in":  # 'in sixty-eight', not 'one in twenty'
            return large and not self._number(first - 2)
        if before in _ABOUT and beyond in _AT_WORDS:
            before = beyond
        return before in (_AT_WORDS if said else _AT)

    def _joined(self, at: int) -> bool:
        return self.parts[at - 1] in ("and", "or", "-") and self._number(at - 2)

    def _tells_word(self, at: int) -> bool:
        """'past' of 'half past', 'this year', 'of the week', 'on the twelfth'."""
        beyond, before, part, after = self.parts[at - 2 : at + 2]
        if part == "past":
            return before in _FRACTIONS or before == "minutes" or self._number(at - 1)
        if part in _STRETCHES:
            of = before == "the" and beyond == "of"
            return of or before in (_NEAR_SPRING if part == "spring" else _NEAR)
        return before == "the" and beyond == "on" and after in _CLAUSE_ENDS | {"of"}

    def _persons_and_ages(self, parts: Sequence[str]) -> list[tuple[bool, bool]]:
        """For each token: whether its sentence speaks of a person, and of how old one is."""
        out: list[tuple[bool, bool]] = []
        for index, part in enumerate(parts):
            if part in _ENDS or index + 1 == len(parts):
                sentence = set(parts[len(out) : index + 1])
                found = not self.people.isdisjoint(sentence), not self.ages.isdisjoint(sentence)
                out += [found] * (index + 1 - len(out))
        return out
