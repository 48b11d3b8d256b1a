"""Names of cases: those that people give, and those made for recordings that have none."""

from __future__ import annotations

import datetime
import hashlib
import hmac
import re
import unicodedata
from collections.abc import Iterator

# What may be a folder's name on every system; which of these a user wants, the settings say.
SAFE = r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}"
# Numbers of patients' records have five digits and more (common practice, no source); a series
# of clips hardly comes to ten thousand. So `ENT-2026-031` may be a name, `HL-48213` may not.
# Three letters with a vowel may be somebody's name (EVA-0142, LEE-12): only those listed may stand.
CASE_PATTERN = (
    r"([A-Z]{1,2}|[BCDFGHJ-NP-TV-XZ]{3,4}|ENT|ORL|FESS|CASE|CLIP|DEMO|TEST)"
    r"-[0-9]{1,4}(-[0-9]{1,3})?"
)

# No vowels, so no words; no 0 and 1, so no years of birth; of look-alikes at most one.
_SIGNS = "2346789cdfhjknprstvx"
_LENGTH = 12
RECORDING, FOLDER = "rec", "case"
_MADE = re.compile(rf"(?:{RECORDING}|{FOLDER})-[{_SIGNS}]{{{_LENGTH}}}")


def made_name(secret: bytes, kind: str, text: str, attempt: int = 0) -> str:
    """A name like `rec-7k3xv9t2cd4h` from a text and a secret of 32 bytes.

    The same for the same text; without the secret it can neither be looked up nor guessed
    (HMAC with SHA-256, RFC 2104). 12 signs of 20 are 52 bits: among n names two are alike
    with a chance of about n * n / 8.2e15 (the birthday bound), 1 in 800,000 for a hundred
    thousand recordings. attempt: another name of the same text, for when two are alike.
    """
    message = f"{kind}\0{attempt}\0{text}".encode("utf-8", "surrogateescape")
    value = int.from_bytes(hmac.new(secret, message, hashlib.sha256).digest())
    signs = []
    for _ in range(_LENGTH):
        value, rest = divmod(value, len(_SIGNS))
        signs.append(_SIGNS[rest])
    return f"{kind}-{''.join(signs)}"


def is_made(name: str) -> bool:
    """True for a name of the shape that `made_name` gives."""
    return _MADE.fullmatch(name) is not None


def case_fault(name: str, pattern: str = CASE_PATTERN) -> str | None:
    """Why a name that a person gave may not be a case's, without the name; None if it may.

    pattern: regular expression that the whole name must match (`anonymity.case_pattern`).
    Whatever the pattern, it must be safe as a folder's name, hold a digit (so it is no
    plain word) and no date. Names of the shape of `made_name` may be.
    """
    if is_made(name) and name.startswith(RECORDING):
        return None
    if not re.fullmatch(SAFE, name):
        return "it may have up to 40 letters, digits and hyphens"
    if not re.fullmatch(pattern, name):
        return "it does not match the pattern for names of cases"
    if not any(c.isdigit() for c in name):
        return "it is a plain word"
    if has_date(name):
        return "it holds what may be a date"
    return None


def has_date(text: str) -> bool:
    """True if some numbers of a text make a date: 1967-03-12, 12.3.67, 19670312, 670312; or a
    month and its year or day: 1967-03, 196703, 67-03, 12-03.

    In any of the orders year-month-day, day-month-year, month-day-year; years of four
    digits from 1880 to 2100. Of month and day each has two digits; a year alone is no date.
    """
    groups = re.findall(r"\d+", text)
    for number, group in enumerate(groups):
        if _has_month(group, *groups[number + 1 : number + 2]):
            return True
        if any(_is_date(*parts) for parts in _split(group)):
            return True
        three = groups[number : number + 3]
        if len(three) == 3 and len("".join(three)) <= 8 and _in_some_order(*three):
            return True
        for count in (2, 3):
            joined = "".join(groups[number : number + count])
            if len(joined) == 8 and any(_is_date(*parts) for parts in _split(joined)):
                return True
    return False


def _has_month(one: str, other: str = "") -> bool:
    """Whether two numbers side by side, or one of six digits, are a month and its year or day."""
    if len(one) == 6:
        return _has_month(one[:4], one[4:]) or _has_month(one[4:], one[:4])
    for month, more in ((one, other), (other, one)):
        if len(month) in (1, 2) and 1 <= int(month) <= 12:
            if len(more) == 4 and 1880 <= int(more) <= 2100:
                return True
            if len(month) == 2 and len(more) == 2:
                return True
    return False


def _split(digits: str) -> Iterator[tuple[int, int, int]]:
    """(year, month, day) that a run of 6 or 8 digits may mean."""
    if len(digits) == 8:
        yield int(digits[:4]), int(digits[4:6]), int(digits[6:])
        yield int(digits[4:]), int(digits[2:4]), int(digits[:2])
        yield int(digits[4:]), int(digits[:2]), int(digits[2:4])
    elif len(digits) == 6:
        a, b, c = int(digits[:2]), int(digits[2:4]), int(digits[4:])
        yield 2000 + a, b, c
        yield 2000 + c, b, a
        yield 2000 + c, a, b


def _in_some_order(a: str, b: str, c: str) -> bool:
    orders = [(a, b, c), (c, b, a), (c, a, b)]
    return any(
        len(year) in (2, 4)
        and len(month) <= 2
        and len(day) <= 2
        and _is_date(int(year) + (2000 if len(year) == 2 else 0), int(month), int(day))
        for year, month, day in orders
    )


def _is_date(year: int, month: int, day: int) -> bool:
    if not 1880 <= year <= 2100:
        return False
    try:
        datetime.date(year, month, day)
    except ValueError:
        return False
    return True


def printable(text: str) -> str:
    """A name of a file as one line for a terminal: what cannot be shown is written as escapes."""
    hidden = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
    return "".join(
        c.encode("unicode_escape").decode() if unicodedata.category(c) in hidden else c
        for c in text
    )
