"""Sound that was taken from a recording: as a narration, or under other pictures.

Packets tell a copy that was not coded anew (`media.packets`); this tells the others, such as a
WAV, by what is heard. Whether it is one is for a person to say.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from pipeline.analysis.sound.sound_print import (
    ALIKE,
    Codes,
    SoundPrintFold,
    pack,
    sound_likeness,
    thinned,
    unpack,
)
from pipeline.errors import InputError
from pipeline.media.guard import check_sound_apart
from pipeline.media.sound import narration_sound
from pipeline.model.consent import KnownSource
from pipeline.stages.survey import load_series
from pipeline.store.catalogue import Catalogue
from pipeline.store.work import WorkFolder

Bound = Sequence[tuple[str, str, KnownSource]]  # of `Catalogue.lookalikes`
_FILE = "narration.npz"


def print_of_file(path: Path) -> Codes:
    """All codes of a file's sound. Raises InputError where it cannot be read or has none."""
    check_sound_apart(path)
    fold = SoundPrintFold()
    for block in narration_sound(path):
        fold.step(block)
    return fold.finish()


def learned(sha256: str, codes: Codes, catalogue: Catalogue) -> str:
    """The thinned print as text; the catalogue keeps it."""
    text = pack(thinned(codes))
    if text and catalogue.recall([sha256])[0].heard != text:
        catalogue.learn([KnownSource(sha256=sha256, heard=text)])
    return text


def most_alike(codes: Codes, bound: Bound) -> tuple[float, str, str] | None:
    """(start in seconds, case, state of its consent) of the recording that is heard in a sound."""
    found = [
        (*sound_likeness(codes, unpack(other.heard)), of, word)
        for of, word, other in bound
        if other.heard
    ]
    score, at_s, of, word = max(found, default=(0.0, 0.0, "", ""))
    return (at_s, of, word) if score >= ALIKE else None


COMPARE = (
    "compare them; if it is another recording, say so with --another-recording beside --approve"
    " INITIALS, or at the sign-off of the page"
)


def told(what: str, of: str, word: str) -> str:
    return f"{what} sounds like a recording of {of}, whose consent is narrower ({word}): {COMPARE}"


def kept_narration(
    folder: WorkFolder, path: Path | None, sha256: str, catalogue: Catalogue
) -> Codes | None:
    """The print of a narration file, kept in the folder of the case and in the catalogue.

    Raises InputError, OutputError.
    """
    if path is None or not sha256:
        return None
    codes = print_of_file(path)
    learned(sha256, codes, catalogue)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, heard=codes, sha256=np.array(sha256))
    folder.atomic_write(folder.private_file(_FILE), buffer.getvalue())
    return codes


def narration_again(folder: WorkFolder, sha256: str) -> Codes | None:
    """What `kept_narration` kept of that very file; None where it is gone."""
    with contextlib.suppress(OSError, ValueError, KeyError):
        kept = load_series(folder.private_file(_FILE))
        if sha256 and str(kept["sha256"]) == sha256:
            return np.asarray(kept["heard"], np.uint32)
    return None


def heard_in(
    catalogue: Catalogue, withdrawn: Iterable[str], places: Iterable[tuple[str, Path]]
) -> list[str]:
    """Hashes of the narrations and sources of releases in which withdrawn recordings are heard.

    withdrawn: hashes of those. places: (case, OUT) where their series may lie; where they were
    removed, only what has the same packets is known (`Catalogue.withdraw`).
    """
    wanted, found = set(withdrawn), set()
    released = [one for one in catalogue.released_sounds() if one.sha256 not in wanted]
    if not released:
        return []
    for case, out in places:
        private = WorkFolder(out, case).private_dir
        for file in sorted(private.glob("series*.npz")):
            survey = file.with_name(file.name.replace("series", "survey")).with_suffix(".json")
            with contextlib.suppress(OSError, ValueError, KeyError):
                if not any(sha in survey.read_text("utf-8") for sha in wanted):
                    continue
                whole = np.asarray(load_series(file)["heard"], np.uint32)
                found |= {
                    one.sha256
                    for one in released
                    if sound_likeness(whole, unpack(one.heard))[0] >= ALIKE
                }
    return sorted(found)


def remembered_sound(path: Path, sha256: str, catalogue: Catalogue) -> None:
    """Take the print of a file's sound, if it is not known and there is any."""
    if not catalogue.recall([sha256])[0].heard:
        with contextlib.suppress(InputError):
            learned(sha256, print_of_file(path), catalogue)
