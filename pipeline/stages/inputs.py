"""What a release was made from, as one hash: the same inputs need no second release."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Container
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.errors import InputError
from pipeline.media.container import file_sha256
from pipeline.model.consent import KnownConsent
from pipeline.model.decisions import Decisions, effective
from pipeline.model.options import Options
from pipeline.model.release import ReleaseRecord
from pipeline.settings import deciding_options
from pipeline.stages import look, measures
from pipeline.stages.intake import OpenedCase
from pipeline.stages.texts import open_texts, shown_texts, texts_of_case
from pipeline.store.catalogue import Catalogue
from pipeline.store.hashes import HashMemory
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import WorkFolder


def inputs_sha256(
    opened: OpenedCase,
    options: Options,
    consent: KnownConsent,
    today: Any,
    *,
    decisions: Decisions | None = None,
    approve: str | None = None,
    another: bool = False,
    narrated: bool = True,
    cut: Any = None,
) -> str:
    """Hash of everything that decides what is made from a case, without any file name.

    The sources, the narration and its captions by content, what case.toml says, the settings (not
    those of the machine and of the batch), people's decisions, who answers for it, which of
    its texts nobody confirmed, and whether consent covers the audience on the date `today`.
    cut: of a clip of a part, anything that JSON can hold.
    """
    case = _case_values(opened)
    in_force = effective(decisions.entries) if decisions else []
    texts = texts_of_case(opened, options, in_force, narrated=narrated)
    unread = open_texts(shown_texts(texts, ConfirmedTexts().known()))
    values = {
        "case": case,
        "sources": [[s.recording, s.still, s.sha256] for s in opened.sources],
        "narration": opened.narration_sha256,
        "captions": _content(str(opened.captions)) if opened.captions is not None else "",
        "narrated": narrated,
        "settings": deciding_options(options),
        "drawn": _drawn_with(options),
        "decisions": decisions.model_dump(mode="json", by_alias=True) if decisions else None,
        "approve": [approve, "another recording"] if another else approve,
        "texts": [found.where for found in unread],
        "consent": [consent.covers(options.output.audience, today), consent.voice],
    }
    if cut is not None:
        values["cut"] = cut
    return _sha256(values)


def read_decisions(folder: WorkFolder) -> Decisions | None:
    """People's decisions on the case, or None if there are none.

    Raises InputError if decisions.json is damaged: a decision is never dropped.
    """
    path = folder.whole.private_file("decisions.json")
    if not path.is_file():
        return None
    try:
        return Decisions.model_validate_json(path.read_bytes())
    except ValueError:
        raise InputError(
            "decisions.json of the case cannot be read", "", "restore it from a backup"
        ) from None


def made_from(
    opened: OpenedCase,
    options: Options,
    decisions: Decisions | None,
    *,
    narrated: bool = True,
    cut: Any = None,
) -> dict[str, str]:
    """A hash for each part of what a clip is made from, by the part's name.

    Who looked, who answers and what consent allows are left out: they decide whether a clip
    leaves, not what is in it. cut: of a clip of a part, anything that JSON can hold.
    """
    captions = _content(str(opened.captions)) if opened.captions is not None else ""
    return {
        "case.toml": case_sha256(opened),
        "the recordings": _sha256([[s.recording, s.still, s.sha256] for s in opened.sources]),
        "the narration": _sha256([narrated, opened.narration_sha256]),
        "the captions": _sha256(captions),
        "the part asked for": _sha256(cut),
        **resolved_by(options, decisions),
    }


def case_sha256(opened: OpenedCase) -> str:
    """Hash of what case.toml says, without file names and without the consent."""
    case = _case_values(opened)
    case.pop("consent")
    return _sha256(case)


def resolved_by(options: Options, decisions: Decisions | None) -> dict[str, str]:
    """The parts of `made_from` that need none of the material."""
    return {
        "the settings": _sha256(deciding_options(options)),
        "the emblem or the font": _sha256(_drawn_with(options)),
        "the decisions": _sha256(decided(decisions)),
        "the program": _sha256([__version__, measures.versions(), look.VERSIONS]),
    }


def _sha256(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


def decided(decisions: Decisions | None) -> list[Any]:
    """The decisions in force that could change a clip; a sign-off changes none."""
    return [
        e.model_dump(mode="json", exclude={"number", "at"})
        for e in (effective(decisions.entries) if decisions else [])
        if e.verb != "sign"
    ]


def _case_values(opened: OpenedCase) -> dict[str, Any]:
    """What case.toml says, without any file name."""
    case = opened.case.model_dump(mode="json")
    for recording in case["recording"]:
        recording["files"] = len(recording["files"])
    if case["narration"] is not None:
        case["narration"]["file"] = opened.narration is not None
        case["narration"]["captions"] = opened.captions is not None
    return case


def _drawn_with(options: Options) -> list[str]:
    """Hashes of the files that words and mark are drawn with."""
    files = [options.mark.emblem, options.mark.font]
    if options.captions.font:
        files.append(options.captions.font)
    return [_content(path) for path in files]


def _content(path: str) -> str:
    if not path:
        return ""
    try:
        return hashlib.sha256(Path(path).read_bytes()).hexdigest()
    except OSError:
        return "missing"


def standing_release(
    catalogue: Catalogue, folder: WorkFolder, profile: str, inputs: Container[str]
) -> ReleaseRecord | None:
    """The newest release of the case and profile, if made from any of these inputs and still
    whole.

    Whole: its file lies in this OUT folder with the recorded content, and so does its sheet.
    """
    record = catalogue.latest_release(folder.case, profile)
    if record is None or record.inputs_sha256 not in inputs:
        return None
    path = folder.release_file(profile, record.sheet.revision)
    beside = [n for n in (record.sheet.poster, record.sheet.captions) if n]
    needed = [path, folder.sheet_file(profile, record.sheet.revision)]
    if not all(p.is_file() for p in (*needed, *(path.with_name(n) for n in beside))):
        return None
    whole = HashMemory().sha256(path, file_sha256) == record.sheet.sha256
    return record if whole else None
