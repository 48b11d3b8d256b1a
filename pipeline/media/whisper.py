"""Words heard by a Whisper model in a folder here, by faster-whisper. Nothing is fetched."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, UsageError
from pipeline.model.draft_captions import HeardWord

RATE_HZ = 16_000
# All that the library reads. Without the tokenizer it would fetch another model's.
NEEDED = ("config.json", "model.bin", "tokenizer.json")
# Written without blanks between words, so that lines could not be laid out.
_UNSPACED = {"zh", "yue", "ja", "th", "lo", "my", "km", "bo"}


class Ear:
    """A model that was loaded, and the language that it listens for."""

    def __init__(self, folder: Path, language: str | None, threads: int) -> None:
        """Raises UsageError where faster-whisper is not installed or the language is none of the
        model's, InputError where the folder holds no such model."""
        missing = _missing(folder)
        if missing:
            raise InputError("The folder holds no Whisper model for faster-whisper", missing,
                             "name the folder that has config.json, model.bin and tokenizer.json"
                             " (CTranslate2)")  # fmt: skip
        # Read by the hub's client when it is imported.
        os.environ["HF_HUB_OFFLINE"] = os.environ["TRANSFORMERS_OFFLINE"] = "1"
        os.environ["HF_HUB_DISABLE_TELEMETRY"] = "1"
        try:
            import faster_whisper
        except ImportError:
            raise UsageError(
                "Draft captions need a package that is not installed", "no faster-whisper",
                "run: pip install 'fieldstop[captions]'",
            ) from None  # fmt: skip
        try:
            self._model: Any = faster_whisper.WhisperModel(
                str(folder), device="cpu", compute_type="int8", local_files_only=True,
                cpu_threads=threads or os.cpu_count() or 1,
            )  # fmt: skip
            known = list(self._model.supported_languages)
        except Exception as error:  # whatever it says of a broken file
            raise InputError("The Whisper model cannot be loaded", type(error).__name__,
                             "copy its folder again, or name another one") from None  # fmt: skip
        if language is not None and language not in known:
            some = ", ".join(sorted(known)[:12]) + (", ..." if len(known) > 12 else "")
            raise UsageError("The model does not know this language", language[:12],
                             f"it knows {some}")  # fmt: skip
        self.language = language or ("en" if known == ["en"] else None)
        _refuse_unspaced(self.language)

    def words(self, sound: NDArray[np.float32]) -> Iterator[HeardWord]:
        """Words of a piece of speech. sound: (sample,) at 16 kHz. Times in s from its start.

        The language of the first piece is that of all, where none was given. Raises UsageError
        for one that is written without blanks.
        """
        segments, info = self._model.transcribe(
            sound, language=self.language, beam_size=5, word_timestamps=True, vad_filter=False,
            condition_on_previous_text=False,
        )  # fmt: skip
        if self.language is None:
            self.language = str(info.language)
            _refuse_unspaced(self.language)
        for segment in segments:
            for word in segment.words or ():
                text = "".join(c for c in str(word.word) if c.isprintable())
                yield HeardWord(float(word.start), float(word.end), text,
                                float(word.probability))  # fmt: skip


def _missing(folder: Path) -> str:
    if not folder.is_dir():
        return "no folder" if not folder.exists() else "a file"
    lost = [name for name in NEEDED if not (folder / name).is_file()]
    if not list(folder.glob("vocabulary.*")):
        lost.append("vocabulary.json")
    return f"it lacks {', '.join(lost)}" if lost else ""


def _refuse_unspaced(language: str | None) -> None:
    if language in _UNSPACED:
        raise UsageError("Draft captions are made of words with blanks between them", language,
                         "type the captions, or give --language if it is another one")  # fmt: skip
