"""Captions as they can be read: at most two lines of 42 characters, and which are too fast. Pure.

Two lines at most, and a time on screen that follows the length of the text: Karamitroglou, "A
proposed set of subtitling standards in Europe", Translation Journal 2(2), 1998. 42 characters a
line and 20 a second are limits of widely used guides (from memory, no one source).
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

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
    if len(lines) <= LINES and all(len(line) <= LINE for line in lines):
        return [caption]
    texts = wrapped(" ".join(lines))
    whole, told, out = sum(map(_size, texts)), 0, []
    length_s = caption.stop_s - caption.start_s
    for text in texts:
        start_s, told = caption.start_s + length_s * told / whole, told + _size(text)
        stop_s = caption.start_s + length_s * told / whole
        out.append(Caption(start_s=round_s(start_s), stop_s=round_s(stop_s), text=text))
    return out


def wrapped(text: str) -> list[str]:
    """The text in parts of at most two lines. No word is broken: a longer one keeps its line."""
    lines = textwrap.wrap(text, LINE, break_long_words=False, break_on_hyphens=False)
    return ["\n".join(lines[k : k + LINES]) for k in range(0, len(lines), LINES)]


def _size(text: str) -> int:
    return len(" ".join(text.split()))
