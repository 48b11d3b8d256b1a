"""A typed script of the narration: its sentences, and how each of their words is said. Pure.

Units and figures are said as English does; the grammar of a sentence does not matter here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from pipeline.model.caption_layout import MOST_PER_S, wrapped

_END = re.compile(r"(?<=[.!?…])[\"'”’)\]]*\s+(?=[\"'“‘(\[]*[^\W_a-zß-ÿ])")
"""Where a sentence ends and another begins: an end mark, then anything but a small letter."""
_PARAGRAPH = re.compile(r"\n[ \t]*\n|\n(?=[ \t]*[-–—•*#])")
_PIECE = re.compile(r"\d+(?:[.,]\d+)*|[a-z]+(?:'[a-z]+)*|[%°+&/=]")
_NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
_UNITS = {
    "mm": "millimeters", "cm": "centimeters", "ml": "milliliters", "mg": "milligrams",
    "g": "grams", "kg": "kilograms", "s": "seconds", "min": "minutes", "h": "hours", "hz": "hertz",
    "db": "decibels", "c": "celsius", "w": "watts", "fps": "frames per second",
}  # fmt: skip
_SIGNS = {"%": "percent", "°": "degrees", "+": "plus", "&": "and", "=": "equals"}
_MOST_DIGITS = 12
# Latin letters that Unicode does not take apart (NFKD), as they are written without them.
_LATIN = str.maketrans({
    "’": "'", "ß": "ss", "ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th",
    "ı": "i", "Ø": "O", "Æ": "AE", "Œ": "OE", "Ł": "L", "Đ": "D", "Ð": "D", "Þ": "TH",
})  # fmt: skip


@dataclass(frozen=True)
class Sentence:
    """One sentence as it was typed, on one line; `line`: where it begins in the file, from 1."""

    text: str
    line: int

    @cached_property
    def said(self) -> list[tuple[str, ...]]:
        """How each word of the text (between blanks) is said: small Latin letters; () if not."""
        shouted = self.text.isupper()
        found, number = [], False
        for word in self.text.split():
            spoken = _said(word, number, shouted)
            number = bool(_NUMBER.fullmatch(word.strip("(\"'[")))
            found.append(spoken)
        return found


def sentences_of(text: str) -> list[Sentence]:
    """The sentences of a script. A blank line and a list mark end one too."""
    found, at = [], 0
    for stop in [*(m.start() for m in _PARAGRAPH.finditer(text)), len(text)]:
        paragraph, begins = text[at:stop], at
        ends = [0, *(m.end() for m in _END.finditer(paragraph)), len(paragraph)]
        for first, last in pairwise(ends):
            words = " ".join(paragraph[first:last].split()).lstrip("-–—•*# ")
            if words:
                lead = len(paragraph[first:last]) - len(paragraph[first:last].lstrip())
                found.append(Sentence(words, 1 + text.count("\n", 0, begins + first + lead)))
        at = stop
    return found


def _said(word: str, after_number: bool, shouted: bool) -> tuple[str, ...]:
    plain = unicodedata.normalize("NFKD", word.translate(_LATIN))
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    bare = plain.strip("().,;:!?\"'[]")
    if bare.isascii() and bare.isupper() and bare.isalpha() and 2 <= len(bare) <= 4 and not shouted:
        return tuple(bare.lower())  # an abbreviation, said by its letters
    out: list[str] = []
    number = after_number
    for piece in _PIECE.findall(plain.lower()):
        if piece[0].isdigit():
            out += _number(piece)
        elif piece in _SIGNS:
            out.append(_SIGNS[piece])
        elif number and piece in _UNITS:
            out += _UNITS[piece].split()
        elif piece.isascii() and piece != "/":
            out.append(piece)
        number = piece[0].isdigit() or (number and piece == "°")
    return tuple(out)


def _number(figure: str) -> list[str]:
    import inflect

    say = inflect.engine().number_to_words
    plain = re.sub(r",(?=\d{3}(?!\d))", "", figure).replace(",", ".")
    if sum(c.isdigit() for c in plain) > _MOST_DIGITS or plain.count(".") > 1:
        said = " ".join(str(say(c)) for c in plain if c.isdigit())
    else:
        said = str(say(plain))
    return re.findall("[a-z]+", said)


Cue = tuple[float, float, str]


def cues_of(sentence: Sentence, times: Sequence[tuple[float, float] | None]) -> list[Cue]:
    """A sentence as captions (start_s, stop_s, text) of at most two lines.

    times: (start_s, stop_s) of each word of the text, None for one that is not said.
    """
    cues: list[Cue] = []
    at = 0
    for text in wrapped(sentence.text):
        count = len(text.split())
        heard = [t for t in times[at : at + count] if t is not None]
        if heard:
            cues.append((heard[0][0], heard[-1][1], text))
        elif cues:
            start_s, stop_s, before = cues[-1]
            cues[-1] = start_s, stop_s, f"{before} {text}"
        at += count
    return cues


def room_to_read(cues: Sequence[Cue]) -> list[Cue]:
    """The cues, each standing until it can be read, unless the next one begins before."""
    out = []
    for number, (start_s, stop_s, text) in enumerate(cues):
        needed_s = start_s + len(" ".join(text.split())) / MOST_PER_S
        next_s = cues[number + 1][0] if number + 1 < len(cues) else needed_s
        out.append((start_s, max(stop_s, min(needed_s, next_s)), text))
    return out
