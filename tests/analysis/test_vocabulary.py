# ruff: noqa: E501
"""Texts that leave: what may go without a person, what may not, at which cost."""

from __future__ import annotations

import sys
import unicodedata
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from identifying_texts import SURNAMES, ZERO_WIDTH, identifying

from pipeline.analysis.identity.texts import CAPTIONS, Leaving, judge, judge_all, unseen_character
from pipeline.stages.texts import vocabulary

HERE = Path(__file__).resolve().parent
HARMLESS = [
    line for line in (HERE / "texts_harmless.txt").read_text().splitlines() if line[:1] not in "#"
]

# The 40 or so most common US surnames and given names of 1990 (US Census Bureau), from memory,
# and common names that are words too.
COMMON_NAMES = """
    smith johnson williams jones brown davis miller wilson moore taylor anderson thomas jackson
    white harris martin thompson garcia martinez robinson clark rodriguez lewis lee walker hall
    allen young hernandez king james john robert michael william david richard charles joseph
    mary patricia linda barbara elizabeth jennifer maria susan margaret dorothy lisa nancy
    karen betty helen sandra donna carol ruth sharon rose grace mark frank hunter baker will
    may bush stone green black rich wood hill ruby amber dawn hope summer paris virginia berg
"""


def passes(text: str, *, long: bool = False) -> bool:
    return judge(Leaving("title", text), vocabulary(), long=long).passes


def test_nothing_that_identifies_passes_unconfirmed() -> None:
    """At least 1,000 generated texts: names in many scripts, split, disguised; dates; numbers."""
    texts = list(identifying())
    assert len(texts) >= 1000 and len({kind for kind, _ in texts}) >= 14
    passed = [(kind, text) for kind, text in texts if passes(text)]
    assert passed == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nor_do_others_of_the_kinds(seed: int) -> None:
    passed = Counter(kind for kind, text in identifying(seed) if passes(text))
    assert not passed


def test_no_two_surnames_and_no_name_in_a_harmless_text_pass() -> None:
    """The name alone is what fails: the text around it passes."""
    for line in HARMLESS[:40]:
        if passes(line):
            for name in SURNAMES[:8]:
                assert not passes(f"{line} {name}") and not passes(f"{line}, {name.lower()}")


def test_at_least_four_of_five_harmless_texts_of_the_trade_pass() -> None:
    """225 of 246 when this was written, 223 at the first look (`texts_harmless.txt`)."""
    assert len(HARMLESS) >= 200
    passed = sum(passes(line) for line in HARMLESS)
    assert passed >= 0.9 * len(HARMLESS), passed


def test_common_names_are_not_in_the_vocabulary() -> None:
    words = vocabulary().words
    assert [n for n in COMMON_NAMES.split() if n in words["plain"] | words["small"]] == []
    for name in COMMON_NAMES.split():
        assert not passes(name.capitalize()) and not passes(f"Left side, {name.capitalize()}")
        assert not passes(f"{name.capitalize()}, left side") and not passes(f"patient {name}")


@pytest.mark.parametrize(
    "text",
    ["Mark Green", "mark green", "Will Black", "Long, left side", "green, left side", "An Do",
     "left side, may", "For green", "crusts of black", "So young", "he an", "Patient White",
     "Green's left side", "The nose of black before surgery", "seen by long after the visit", "patient may be", "you", "can so", "in", "Mr Sharp"],
)  # fmt: skip
def test_words_that_are_names_too_need_a_sentence_around_them(text: str) -> None:
    assert not passes(text)


@pytest.mark.parametrize(
    ("identifies", "harmless"),
    [("Nurse Gentle", "The nurse is gentle"), ("Narrator: Keen", "Narrator: left side"),
     ("filmed by Proud", "Made by suction"), ("Patient Keen, before", "Patient before surgery"),
     ("SURGEON PROUD AND TEAM", "SURGEON BEFORE SURGERY"),
     ("wife of the surgeon", "View of the surgeon"), ("the mayor of our town", "the wall of our cavity"),
     ("seen by a famous pianist", "seen by a trainee"), ("the winter of eighty-nine", "a depth of eighty-nine millimetres"),
     ("sixty-seven", "sixty-seven millimetres"), ("Week 12", "Week 12 after surgery"), ("in week 31", "in week 3")],
)  # fmt: skip
def test_who_somebody_is_and_what_stands_behind_it_is_read(identifies: str, harmless: str) -> None:
    assert not passes(identifies) and passes(harmless)


@pytest.mark.parametrize(
    ("tells", "harmless"),
    [("aged 44 weeks", "44 weeks after surgery"), ("a six-week-old scar of the infant", "a six-year-old patient"),
     ("three days old", "three days later"), ("a few weeks old", "a few weeks later"), ("the 12th of it", "the 2nd visit"),
     ("in sixty-eight", "one in twenty"), ("seven weeks premature", "seven weeks of rinsing"),
     ("half past nine", "half of the crusts"), ("quarter to ten", "a quarter of the ostium"), ("half nine", "half a turn"),
     ("just past nine", "just past the ostium"), ("operated at nine", "A perforation at nine o'clock"),
     ("9 am", "9 mm"), ("nine fifteen", "fifty nine degrees"), ("between nine and ten, crusts", "between nine and ten millimetres"),
     ("14 h 30", "14 h 30 min"), ("nine hundred hours", "nine hundred millilitres"), ("at noon", "at night"),
     ("this year", "a year later"), ("of the second week of the month", "in the second week after surgery"),
     ("on the twelfth", "on the second turbinate"), ("in week thirty-one", "in week three"), ("last summer", "the last crust"),
     ("in the late seventies", "in the late phase"), ("a man over ninety", "the scope at ninety degrees"),
     ("ninety years", "nineteen years"), ("a patient over 90", "a patient over 80"), ("the oldest patient", "an old scar")],
)  # fmt: skip
def test_when_it_was_and_how_old_by_weeks_somebody_was_is_read(tells: str, harmless: str) -> None:
    for text in (tells, tells.capitalize(), f"Crusts, {tells}"):
        assert not passes(text), text
    assert not passes(f"The crusts come away. Seen {tells}, before surgery.", long=True)
    assert passes(f"Crusts, {harmless}")


@pytest.mark.parametrize(
    "text",
    ["The green crusts come away", "You can see the long forceps and the white light here",
     "Lateral wall of the nose", "LITTLE'S AREA", "Blakesley forceps", "day 3", "Two weeks later",
     "Before / after", "An approach to the frontal recess"],
)  # fmt: skip
def test_words_that_are_names_too_pass_as_words(text: str) -> None:
    assert passes(text)


@pytest.mark.parametrize(
    "text",
    ["Part 2 of 3", "3 mm", "30mm", "0.9 %", "4.5 mm wide", "70\u00b0 scope", "70 degrees", "4K", "2-3 mm",
     "6-8 weeks", "1:1000", "412 mg", "2nd visit", "grade 2b", "180 l/min", "12 \u00b5m",
     "47-year-old patient", "4 x 5 mm", "37 \u00b0C", "9 o'clock"],
)  # fmt: skip
def test_numbers_of_the_trade_pass(text: str) -> None:
    assert passes(text)


@pytest.mark.parametrize(
    "text",
    ["2026", "12.3", "12/3", "12 03 67", "12 - 03 - 67", "12 ...... 03 ...... 67", "1, 2, 3, 4", "14:32",
     "HN48213", "48-1516", "48213", "3rd 12 67", "123", "12.03.67 mm", "patient 12", "no. 48", "bed 4",
     "nineteen sixty-seven", "four eight two", "93 years old", "93-year-old", "1:1000:67", "12 mm 03 67",
     "1 and 2 and 3 and 4 and 5 and 6 and 7 and 8 and 9", "\u0661\u0662", "x123", "5 x 5", "12th 1967"],
)  # fmt: skip
def test_numbers_that_could_be_a_date_or_somebodys_do_not(text: str) -> None:
    assert not passes(text)


def test_characters_that_nobody_sees_are_refused_and_named() -> None:
    """All of categories Cc, Cf, Zl, Zp, and some of Co, Cn, Cs (UCD of this Python)."""
    wanted = {"Cc", "Cf", "Zl", "Zp"}
    hidden = [c for c in map(chr, range(0x20000)) if unicodedata.category(c) in wanted]
    hidden += [*ZERO_WIDTH, "\ue000", "\U0010fffd", "\uffff", "\U000e0041", "\ud800"]
    for character in hidden:
        if character not in "\n\t":
            found = judge(Leaving("title", f"Cru{character}st"), vocabulary())
            assert found.unseen.startswith(f"U+{ord(character):04X}"), hex(ord(character))
    assert unseen_character("Crust \u00e9 \u4e2d\n") == ""


def test_a_text_that_nobody_can_see_is_not_confirmed() -> None:
    texts = [Leaving("title", "Ber\u200bglund"), Leaving("card", "Berglund")]
    assert [j.where for j in judge_all(texts, vocabulary(), lambda _: True)] == ["title"]
    assert len(judge_all(texts, vocabulary(), lambda _: False)) == 2


def test_forms_of_one_letter_are_brought_together_first() -> None:
    """UAX #15: full width, ligatures and composed letters have one NFKC form."""
    assert passes("\uff23rust clearance") and passes("con\ufb01rm")
    assert not passes("\uff22erglund") and not passes("\u2460\u2461\u2462\u2463")
    assert not passes("cr\u0443st")  # Cyrillic u


@given(st.text(min_size=1, max_size=200))
def test_any_text_is_judged(text: str) -> None:
    judge(Leaving("title", text), vocabulary())


@given(st.text(alphabet=st.characters(min_codepoint=0x250), min_size=1, max_size=40))
def test_no_letter_of_another_script_passes(text: str) -> None:
    if any(c.isalpha() for c in unicodedata.normalize("NFKC", text) if ord(c) > 0x24F):
        assert not passes(text)


def _calls(text: str) -> int:
    """Function calls that a judgement takes: a measure of work that no other load changes."""
    count = 0

    def tell(frame: object, event: str, arg: object) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    words = vocabulary()
    sys.setprofile(tell)
    try:
        judge(Leaving(CAPTIONS, text), words, long=True)
    finally:
        sys.setprofile(None)
    return count


@pytest.mark.parametrize(
    "piece",
    ["-", "1.", "1 and ", "a'", "may see ", "12 ", "x", "In ", "nasal ", "floor of the nose ", "one ",
     "\u0930\u093e\u092e ", "((", "1-", "Berg-", "day 3 ", "\u200b", "2a", "."],
)  # fmt: skip
def test_the_work_grows_with_the_length_of_the_text(piece: str) -> None:
    """Twice the text, at most a little more than twice the calls, to 100,000 characters."""
    half, whole = (piece * (n // len(piece)) for n in (50_000, 100_000))
    few, many = _calls(half), _calls(whole)
    assert many <= 2.3 * few + 200
    assert many <= 30 * len(whole) + 10_000
