"""Texts that leave: the shipped vocabulary, which texts a case has, and which are open."""

from __future__ import annotations

from functools import cache

from pipeline.analysis.vocabulary import Vocabulary, parse_vocabulary
from pipeline.settings import packaged


@cache
def vocabulary() -> Vocabulary:
    """The vocabulary that comes with the program (`configs/vocabulary`)."""
    folder = packaged("configs") / "vocabulary"
    trade, general = ((folder / name).read_text("utf-8") for name in ("trade.txt", "words.txt"))
    return parse_vocabulary(trade, general)
