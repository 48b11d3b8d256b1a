"""Captions that a machine wrote: words in lines, and what a person has to look at. Pure.

A draft says in its first note that it is one. As long as it does, it leaves with a clip only
after a person confirmed its exact words (`analysis.identity.texts`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from pipeline.model.caption_layout import MOST_PER_S, too_fast
from pipeline.model.plan import Caption
from pipeline.model.script import Cue, Sentence, cues_of, room_to_read
from pipeline.model.time import Span

MARK = "Drafted by a machine"
"""Begins the first note of a draft, and the text of its captions that a person confirms."""
_PAUSE_S = 0.8  # between two words: a sentence ends there whatever its marks
_DOUBT = 0.5  # a word that the model gave less is to be listened to; not calibrated
_NEAR_S, _GOES_ON_S = 0.5, 0.1  # from an edge of speech; from word to word without a pause
_INSIDE, _LEAST_S = 0.5, 0.02  # of a word that has to lie in speech; its least length
_END = re.compile(r"[.!?…][\"'”’)\]]*$")
_TITLES = {"dr.", "mr.", "mrs.", "ms.", "prof.", "st.", "no."}  # a point that ends no sentence
_I = ("I'", "I’")  # I'm, I've
_WORD = re.compile(r"[^\W\d_][\w'’-]+")


@dataclass(frozen=True)
class HeardWord:
    """One word as a model wrote it, with the blank before it if it has one."""

    start_s: float
    stop_s: float
    text: str
    probability: float


@dataclass(frozen=True)
class DraftCue:
    """One caption. names: words that look like one; doubtful: heard badly; fast: to be read."""

    start_s: float
    stop_s: float
    text: str
    names: tuple[str, ...] = ()
    doubtful: tuple[str, ...] = ()
    fast: bool = False


def in_speech(words: Iterable[HeardWord], speech: Sequence[Span]) -> list[HeardWord]:
    """The words that begin in speech or lie in it by half, cut to it: a model writes some into
    silence too, and stretches the last one before a pause. One that goes on from such a word, and
    is told a little after the end of speech, is its last."""
    found: list[HeardWord] = []
    told_s = -_NEAR_S  # where the model ended the last one
    for word in words:
        here = Span(word.start_s, max(word.stop_s, word.start_s + _LEAST_S))
        parts = [part for s in speech if (part := here.overlap(s)) is not None]
        heard = max(parts, key=lambda p: p.length_s, default=None)
        if not word.text.strip():
            continue
        if heard is not None and not (
            heard.start_s == here.start_s or heard.length_s >= _INSIDE * here.length_s
        ):
            heard = None
        if heard is None and found and here.start_s - told_s < _GOES_ON_S:
            end_s = max((s.stop_s for s in speech if s.stop_s <= here.start_s), default=-_NEAR_S)
            if here.start_s - end_s < _NEAR_S:
                heard = Span(max(end_s - _LEAST_S, found[-1].start_s), end_s)
        if heard is not None:
            found.append(replace(word, start_s=heard.start_s, stop_s=heard.stop_s))
            told_s = word.stop_s
    return found


def anchored(words: Sequence[HeardWord], speech: Sequence[Span]) -> list[HeardWord]:
    """The words with the first and last of each stretch of speech at its edges, where they are
    near. speech: from its first sound to its last: a model tells times to a fifth of a second."""
    out = list(words)
    for span in speech:
        here = [n for n, w in enumerate(out) if w.start_s < span.stop_s and w.stop_s > span.start_s]
        if not here:
            continue
        first = out[here[0]]
        if abs(first.start_s - span.start_s) < _NEAR_S and span.start_s < first.stop_s:
            out[here[0]] = replace(first, start_s=span.start_s)
        last = out[here[-1]]
        if abs(last.stop_s - span.stop_s) < _NEAR_S and last.start_s < span.stop_s:
            out[here[-1]] = replace(last, stop_s=span.stop_s)
    return out


def draft_cues(
    words: Sequence[HeardWord], unknown: Callable[[str], Iterable[str]]
) -> list[DraftCue]:
    """The words as captions of at most two lines, each standing until it can be read.

    unknown: those of a text that are not of the vocabulary.
    """
    cues: list[Cue] = []
    doubtful: list[tuple[float, str]] = []
    for sentence in _sentences(_joined(words)):
        text = " ".join(w.text for w in sentence)
        cues += cues_of(Sentence(text, 0), [(w.start_s, w.stop_s) for w in sentence])
        doubtful += [(w.start_s, w.text) for w in sentence if w.probability < _DOUBT]
    out = []
    for start_s, stop_s, text in room_to_read(cues):
        said = " ".join(text.split())
        badly = [word for at_s, word in doubtful if start_s <= at_s < stop_s and word in text]
        fast = too_fast([Caption(start_s=start_s, stop_s=stop_s, text=text)])
        out.append(
            DraftCue(
                start_s, stop_s, text, tuple(look_like_names(said, unknown(said))),
                tuple(dict.fromkeys(w.strip(".,;:!?") for w in badly)), bool(fast),
            )
        )
    return out


def look_like_names(text: str, unknown: Iterable[str]) -> list[str]:
    """Words that a person has to look at: not of the vocabulary, or a capital inside a sentence."""
    found = [*unknown]
    words = text.split()
    for before, word in pairwise(words):
        part = _WORD.search(word)
        if part and part[0][0].isupper() and part[0][:2] not in _I and not _ends(before):
            found.append(part[0])
    return list(dict.fromkeys(found))


def draft_vtt(cues: Sequence[DraftCue], stamp: Callable[[float], str]) -> str:
    """The text of a draft as WebVTT: notes before the captions that they are about."""
    lines = [
        "WEBVTT", "",
        f"NOTE {MARK}. Listen along and correct it; put it beside case.toml and name it there:",
        'captions = "FILE.vtt". With this note no clip leaves before a person confirmed it.', "",
    ]  # fmt: skip
    for cue in cues:
        notes = [
            *([f"looks like a name: {', '.join(cue.names)}"] if cue.names else []),
            *([f"heard badly: {', '.join(cue.doubtful)}"] if cue.doubtful else []),
            *([f"over {MOST_PER_S:g} characters a second: shorten it"] if cue.fast else []),
        ]
        if notes:
            lines += [f"NOTE {_plain('; '.join(notes))}", ""]
        lines += [f"{stamp(cue.start_s)} --> {stamp(cue.stop_s)}", _plain(cue.text), ""]
    return "\n".join(lines)


def is_draft(text: str) -> bool:
    """Whether the text of a caption file still says that a machine wrote it."""
    return re.search(rf"^NOTE\s+{MARK}", text, re.MULTILINE) is not None


def _ends(word: str) -> bool:
    """Whether a sentence ends with this word."""
    return _END.search(word) is not None and word.lower() not in _TITLES


def _plain(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace("-->", "- ->")


def _joined(words: Sequence[HeardWord]) -> list[HeardWord]:
    """Pieces without a blank before them belong to the word before; blanks are taken off."""
    out: list[HeardWord] = []
    for word in words:
        text = word.text.strip()
        if out and not word.text.startswith(" ") and word.start_s - out[-1].stop_s < _PAUSE_S:
            last = out[-1]
            least = min(last.probability, word.probability)
            out[-1] = HeardWord(last.start_s, word.stop_s, last.text + text, least)
        else:
            out.append(HeardWord(word.start_s, word.stop_s, text, word.probability))
    return [HeardWord(w.start_s, w.stop_s, "".join(w.text.split()), w.probability) for w in out]


def _sentences(words: Sequence[HeardWord]) -> list[list[HeardWord]]:
    out: list[list[HeardWord]] = []
    for word in words:
        last = out[-1][-1] if out else None
        if last is None or _ends(last.text) or word.start_s - last.stop_s >= _PAUSE_S:
            out.append([])
        out[-1].append(word)
    return out
