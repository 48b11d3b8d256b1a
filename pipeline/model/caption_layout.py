"""Captions as they can be read: at most two lines of 42 characters, and which are too fast. Pure.

Two lines at most, and a time on screen that follows the length of the text: Karamitroglou, "A
proposed set of subtitling standards in Europe", Translation Journal 2(2), 1998. 42 characters a
line and 20 a second are limits of widely used guides (from memory, no one source).

Lengths are counted in cells: a wide or fullwidth character (Unicode Standard Annex 11) takes two,
an accent that is a character of its own none. What is longer than a line may be parted between
wide characters, but not before a closing sign nor after an opening one (Annex 14, without its
finer rules; Thai, Lao and Khmer are not parted).
"""

from __future__ import annotations

import itertools
import unicodedata
from collections.abc import Iterator, Sequence

from pipeline.model.plan import Caption
from pipeline.model.time import round_s

LINES, LINE = 2, 42
MOST_PER_S = 20.0


def laid_out(captions: Sequence[Caption]) -> list[Caption]:
    """The captions with lines for reading; the words and the times that a person gave stay.

    One that is too long becomes several, its time shared by characters.
    """
    return [part for caption in captions for part in _parts(caption)]


def too_fast(captions: Sequence[Caption]) -> list[Caption]:
    """Those that have to be read at more than 20 characters a second."""
    return [c for c in captions if _size(c.text) > MOST_PER_S * (c.stop_s - c.start_s) + 0.5]


def _parts(caption: Caption) -> list[Caption]:
    lines = caption.text.splitlines()
    if len(lines) <= LINES and all(cells(line) <= LINE for line in lines):
        return [caption]
    texts = wrapped(caption.text)
    whole, told, out = sum(map(_size, texts)), 0, []
    length_s = caption.stop_s - caption.start_s
    for text in texts:
        start_s, told = caption.start_s + length_s * told / whole, told + _size(text)
        stop_s = caption.start_s + length_s * told / whole
        out.append(Caption(start_s=round_s(start_s), stop_s=round_s(stop_s), text=text))
    return out


def wrapped(text: str) -> list[str]:
    """The text in parts of at most two lines. No word is broken: a longer one keeps its line."""
    lines: list[str] = []
    for gap, unit in _units(text):
        if lines and cells(lines[-1] + gap + unit) <= LINE:
            lines[-1] += gap + unit
        else:
            lines.append(unit)
    return ["\n".join(lines[k : k + LINES]) for k in range(0, len(lines), LINES)]


def cells(text: str) -> int:
    """Length of a text in cells; see the module."""
    return sum(2 if _wide(c) else 0 if unicodedata.category(c) in _MARKS else 1 for c in text)


_MARKS = ("Mn", "Me")
_NEVER_FIRST = (*_MARKS, "Mc", "Lm", "Pe", "Pf", "Po")
_NEVER_LAST = ("Ps", "Pi")


def _wide(character: str) -> bool:
    return unicodedata.east_asian_width(character) in "WF"


def _units(text: str) -> Iterator[tuple[str, str]]:
    """What is never parted, each with what stands before it in a line: a space or nothing."""
    for word in text.split():
        units = [word[0]]
        for before, c in itertools.pairwise(word):
            glued = cells(word) <= LINE or not (_wide(before) or _wide(c))
            glued |= unicodedata.category(c) in _NEVER_FIRST
            if glued or unicodedata.category(before) in _NEVER_LAST:
                units[-1] += c
            else:
                units.append(c)
        yield " ", units[0]
        yield from (("", unit) for unit in units[1:])


def _size(text: str) -> int:
    return cells(" ".join(text.split()))
