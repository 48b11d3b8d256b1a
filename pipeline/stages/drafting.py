"""Draft captions: what a Whisper model hears in a narration, for a person to correct."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.identity.texts import CAPTIONS, Leaving, judge
from pipeline.analysis.sound.speech_spans import END_PAD_S, ONSET_PAD_S
from pipeline.errors import InputError, NeedsPerson
from pipeline.media.captions import stamp
from pipeline.media.glyphs import load_glyph
from pipeline.media.stems import Stem
from pipeline.media.whisper import RATE_HZ, Ear
from pipeline.model.draft_captions import (
    DraftCue,
    HeardWord,
    anchored,
    draft_cues,
    draft_vtt,
    in_speech,
)
from pipeline.model.options import Options
from pipeline.model.time import Span
from pipeline.stages.gate import forbidden_reasons
from pipeline.stages.intake import open_case
from pipeline.stages.narration import spoken_voice
from pipeline.stages.opening import at_work, opened_case
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.surveying import survey_case
from pipeline.stages.texts import vocabulary
from pipeline.stages.values import Asked
from pipeline.store.catalogue import Catalogue
from pipeline.store.names import Names, earlier_names
from pipeline.store.work import WorkFolder

_PIECE_S = 25.0  # a model listens to 30 s at once
_AROUND_S = 0.2  # of a piece, so that its first sound is heard from its start


@dataclass(frozen=True)
class Draft:
    """What was written. unspoken: words that the model wrote where nobody speaks, left out."""

    case: str
    path: Path
    cues: Sequence[DraftCue]
    language: str
    unspoken: int


def draft_captions(
    path: Path,
    out: Path,
    options: Options,
    ear: Ear,
    *,
    narration: Path | None = None,
    catalogue: Path | None = None,
    progress: Progress = no_progress,
) -> Draft:
    """Write a draft into the private folder of the case; one that lies there is left.

    Raises InputError where there is no narration or nothing was heard in it, NeedsPerson where
    consent forbids that anything is made, UsageError, OutputError.
    """
    names = Names(out, earlier_names(catalogue))
    found = open_case(path, narration=narration, out=out, names=names,
                      case_pattern=options.anonymity.case_pattern)  # fmt: skip
    if found.case.narration is None:
        raise InputError("The case has no narration", "", "name its file in case.toml")
    folder = WorkFolder(out, found.case.case)
    asked = Asked(narration=narration, survey_only=True)
    with at_work(folder) as work, Catalogue(catalogue) as known:
        opened = opened_case(found, folder, options, asked, load_glyph(options.mark), known)
        today = datetime.date.today()
        for why in forbidden_reasons(opened.consent, options.output.audience, today):
            raise NeedsPerson("Nothing is made of this case", why.message, "", code=why.code)
        surveyed = () if found.narration else survey_case(opened, work, progress).sources
        voice, spans = spoken_voice(found, surveyed, options.sound.speech_threshold, work)
        if not spans:
            raise InputError("No speech was found in the narration", "", "listen to it")
        words, unspoken = heard_words(voice, spans, ear, progress)
        cues = draft_cues(words, _unknown)
        if not cues:
            raise InputError("The model wrote no word where the narrator speaks", "",
                             "listen to it, or give another model or --language")  # fmt: skip
        target = _free(folder, found.case.case)
        folder.atomic_write(target, draft_vtt(cues, stamp))
        names.note(found.named)
    return Draft(found.case.case, target, cues, ear.language or "", unspoken)


def heard_words(
    voice: Stem, spans: Sequence[Span], ear: Ear, progress: Progress = no_progress
) -> tuple[list[HeardWord], int]:
    """The words of a voice where it speaks, on its axis, and how many others were written."""
    found: list[HeardWord] = []
    written = 0
    for piece in _pieces(spans):
        progress("captions", piece.start_s, spans[-1].stop_s)
        begins_s = max(0.0, piece.start_s - _AROUND_S)
        words = [
            HeardWord(w.start_s + begins_s, w.stop_s + begins_s, w.text, w.probability)
            for w in ear.words(_at_16_khz(voice, begins_s, piece.stop_s + _AROUND_S))
        ]
        written += len(words)
        found += in_speech(words, [s for s in spans if s.overlap(piece)])
    bare = [Span(s.start_s + ONSET_PAD_S, s.stop_s - END_PAD_S) for s in spans]
    found = anchored(found, bare)
    progress("captions", 1, 1)
    return found, written - len(found)


def _pieces(spans: Sequence[Span]) -> list[Span]:
    """Stretches of speech that a model hears at once, parted in pauses."""
    out: list[Span] = []
    for span in spans:
        if out and span.stop_s - out[-1].start_s <= _PIECE_S:
            out[-1] = Span(out[-1].start_s, span.stop_s)
        else:
            out.append(span)
    return out


def _at_16_khz(voice: Stem, start_s: float, stop_s: float) -> NDArray[np.float32]:
    import soxr

    sound = voice.read(round(start_s * 48_000), round(stop_s * 48_000)).mean(axis=0)
    return np.asarray(soxr.resample(sound, 48_000, RATE_HZ), np.float32)


def _unknown(text: str) -> Iterable[str]:
    return judge(Leaving(CAPTIONS, text), vocabulary(), long=True).words


def _free(folder: WorkFolder, case: str) -> Path:
    """A name that no earlier draft has: that may have been corrected where it lies."""
    number = 1
    while (path := folder.private_file(f"{case}-captions-draft-{number}.vtt")).exists():
        number += 1
    return path
