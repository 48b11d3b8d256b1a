"""Captions of a narration: of a file that has their times, or of a script that is placed by ear."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.pronounce import Analogy
from pipeline.analysis.sound.script_times import RATE_HZ, place_words
from pipeline.errors import InputError
from pipeline.media.captions import Cue, read_captions
from pipeline.media.labels import label
from pipeline.media.script_file import SUFFIX, pronunciations, read_script
from pipeline.media.stems import Stem
from pipeline.model.draft_captions import MARK, is_draft
from pipeline.model.script import Sentence, cues_of, room_to_read
from pipeline.model.time import Span

_BESIDE_S, _BESIDE_RATIO = 2.0, 0.05
"""More speech than this that the script does not hold is said: names and coughs are not."""
_MOST_TOLD = 12


def is_script(captions: Path) -> bool:
    """Whether it is a script, whose times are still to be found."""
    return captions.suffix.lower() == SUFFIX


def caption_texts(captions: Path) -> list[str]:
    """What the file says, in order; first of all that a machine wrote it, where it says so.

    Raises InputError.
    """
    if is_script(captions):
        return [sentence.text for sentence in read_script(captions)]
    texts = [text for _, _, text in read_captions(captions)]
    return [MARK, *texts] if is_draft(captions.read_text(encoding="utf-8-sig")) else texts


def captions_by_ear(
    script: Path, voice: Stem, speech: Sequence[Span], warnings: list[str]
) -> list[Cue]:
    """Captions of a script at the times when it is spoken, on the axis of the voice.

    A sentence that is not heard has no caption, and a warning tells its line. Raises InputError
    for a script that cannot be read, or of which nothing is heard.
    """
    sentences = read_script(script)
    spoken = [[word for words in s.said for word in words] for s in sentences]
    placed = place_words(_heard(voice), speech, spoken, _say)
    cues = [
        cue
        for sentence, spans in zip(sentences, placed.sentences, strict=True)
        if spans is not None
        for cue in cues_of(sentence, list(_of_words(sentence, spans)))
    ]
    if not cues:
        raise InputError(
            "Nothing of the script was heard in the narration", label(script),
            "the search knows English only: give captions with their times (.vtt or .srt)",
        )  # fmt: skip
    lost = [s.line for s, at in zip(sentences, placed.sentences, strict=True) if at is None]
    if lost:
        lines = ", ".join(map(str, lost[:_MOST_TOLD])) + (", ..." if len(lost) > _MOST_TOLD else "")
        warnings.append(
            f"{len(lost)} of {len(sentences)} sentences of the script were not heard in the"
            f" narration, and have no captions (its {'line' if len(lost) == 1 else 'lines'}"
            f" {lines}): listen there"
        )
    if placed.beside_s > max(_BESIDE_S, _BESIDE_RATIO * sum(s.length_s for s in speech)):
        warnings.append(
            f"about {placed.beside_s:.0f} s are spoken that were not found in the script:"
            " they have no captions"
        )
    return room_to_read(cues)


def _of_words(sentence: Sentence, spans: Sequence[Span]) -> Iterator[Span | None]:
    """The span of each word as it was typed: of all that is said for it."""
    at = 0
    for said in sentence.said:
        heard = spans[at : at + len(said)]
        yield Span(heard[0].start_s, heard[-1].stop_s) if heard else None
        at += len(said)


def _say(word: str) -> list[str]:
    return _analogy().say(word)


@cache
def _analogy() -> Analogy:
    return Analogy(pronunciations())


def _heard(voice: Stem) -> NDArray[np.int16]:
    """The voice at 16 kHz, (sample,), brought to a common level: words are said loud and low."""
    import soxr

    down = soxr.ResampleStream(48_000, RATE_HZ, 1, dtype="float32")
    pieces = [down.resample_chunk(block.mean(axis=0)) for block in voice.blocks()]
    pieces.append(down.resample_chunk(np.zeros(0, np.float32), last=True))
    sound = np.concatenate(pieces)
    loud = float(np.quantile(np.abs(sound), 0.99)) if sound.size else 0.0
    gain = 0.25 / loud if loud > 1e-6 else 1.0
    return np.asarray(np.clip(sound * gain, -1, 1) * 32767, np.int16)
