"""A typed script of the narration, and the dictionary by which its words are said."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from pipeline.errors import InputError
from pipeline.media.labels import label
from pipeline.model.script import Sentence, sentences_of

SUFFIX = ".txt"
LIMIT_BYTES = 200_000


def read_script(path: Path) -> list[Sentence]:
    """The sentences of a script in plain text.

    Raises InputError for a file that is no text in UTF-8, is empty, too large, or has times.
    """
    try:
        if path.stat().st_size > LIMIT_BYTES:
            raise InputError("The script is too large", label(path), "keep it below 200 kB")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError):
        raise InputError(
            "The script cannot be read", label(path), "give plain text in UTF-8"
        ) from None
    if "-->" in text:
        raise InputError(
            "The script holds times", label(path), "name captions with times .vtt or .srt"
        )
    sentences = sentences_of(text)
    if not sentences:
        raise InputError("The script is empty", label(path), "type what the narrator says")
    return sentences


@cache
def pronunciations() -> dict[str, list[str]]:
    """The words of the CMU dictionary that comes with PocketSphinx, and their phones."""
    from pocketsphinx import get_model_path

    found = {}
    for line in Path(get_model_path("en-us/cmudict-en-us.dict")).read_text("utf-8").splitlines():
        word, _, phones = line.partition(" ")
        if re.fullmatch("[a-z]{3,}", word):
            found[word] = phones.split()
    return found
