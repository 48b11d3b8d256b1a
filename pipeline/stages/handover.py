"""What one process hands to the next: documents of our own, and files beside them.

The recordings and their measures lie on storage that all see; the case is opened again from
its own files, whose hashes are handed over, so that no large file is read twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from pipeline.errors import InputError
from pipeline.media.glyphs import load_glyph
from pipeline.media.stems import Stem
from pipeline.model.consent import KnownConsent
from pipeline.model.document import Document, Part
from pipeline.model.options import Options
from pipeline.model.plan import Need, Plan
from pipeline.model.release import Looked
from pipeline.stages.inputs import read_decisions
from pipeline.stages.intake import OpenedCase, open_case, remembered_sha256
from pipeline.stages.rendering.render import Rendered
from pipeline.stages.texts import ShownText
from pipeline.stages.values import Asked, CaseResult, Opened, Planned, SurveyedCase
from pipeline.store.names import Names
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import WorkFolder, atomic_write

CLIP = "clip.json"


class CaseHandover(Document):
    """An opened case. hashes: content hash of each of its files, by path."""

    schema_: Literal["fieldstop.case-handover/1"] = Field(
        default="fieldstop.case-handover/1", alias="schema"
    )
    asked: Asked
    hashes: dict[str, str]
    consent: KnownConsent
    inputs: str
    made_from: dict[str, str]
    warnings: list[str]
    alike: list[Need] = []
    code_seed: str = ""


class SoundFile(Part):
    """A stem that lies beside the document."""

    file: str
    channels: int


class ClipHandover(Document):
    """A plan and the clip that was rendered of it; its files lie beside this document."""

    schema_: Literal["fieldstop.clip-handover/1"] = Field(
        default="fieldstop.clip-handover/1", alias="schema"
    )
    plan: Plan
    texts: list[ShownText]
    approved_by: str | None
    looked: Looked | None
    file: str
    stem: SoundFile | None
    narration: SoundFile | None
    mix: SoundFile | None
    visibility: list[tuple[float, float]]
    frames: int
    limited: dict[str, float]
    gain_db: float
    damage: list[str]


def hand_over(
    opened: Opened, hashes: Mapping[str, str], alike: Sequence[Need] = ()
) -> dict[str, Any]:
    """The document of an opened case, as JSON holds it."""
    return CaseHandover(
        asked=opened.asked,
        hashes=dict(hashes),
        consent=opened.consent,
        inputs=opened.inputs,
        made_from=dict(opened.made_from),
        warnings=list(opened.warnings),
        alike=list(alike),
        code_seed=opened.code_seed,
    ).model_dump(mode="json", by_alias=True)


def found_again(
    path: Path, out: Path, options: Options, sha256: Callable[[Path], str]
) -> OpenedCase:
    """A case read again; its files have the names that the machine of the batch gave them."""
    return open_case(
        path,
        out=out,
        sha256=sha256,
        names=Names(out, own=False),
        case_pattern=options.anonymity.case_pattern,
    )


def taken_over(
    document: Mapping[str, Any], path: Path, out: Path, options: Options
) -> tuple[Opened, tuple[Need, ...]]:
    """The opened case of a document, and what its pictures look like. Raises InputError."""
    given = CaseHandover.model_validate(document)

    def known(file: Path) -> str:
        return given.hashes.get(str(file)) or remembered_sha256(file)

    found = found_again(path, out, options, known)
    folder = WorkFolder(out, found.case.case, given.asked.part)
    opened = Opened(
        found, folder, options, given.asked, load_glyph(options.mark), given.consent,
        read_decisions(folder), ConfirmedTexts(folder).known(), given.inputs, given.made_from,
        tuple(given.warnings), given.code_seed,
    )  # fmt: skip
    return opened, tuple(given.alike)


def write_clip(made: CaseResult, work: Path) -> None:
    """Write what was planned and rendered in `work`, beside its files. Raises OutputError."""
    planned, file = made.planned, made.rendered
    assert planned is not None and file is not None

    def beside(stem: Stem | None) -> SoundFile | None:
        return SoundFile(file=stem.path.name, channels=stem.channels) if stem else None

    document = ClipHandover(
        plan=planned.plan,
        texts=list(planned.texts),
        approved_by=planned.approved_by,
        looked=planned.looked,
        file=file.path.name,
        stem=beside(file.stem),
        narration=beside(file.narration),
        mix=beside(file.mix),
        visibility=list(file.visibility),
        frames=file.frames,
        limited=dict(file.limited),
        gain_db=file.gain_db,
        damage=list(file.damage),
    )
    atomic_write(work / CLIP, document.to_json(), private=True)


def read_clip(opened: Opened, survey: SurveyedCase, work: Path) -> CaseResult:
    """What `write_clip` wrote. Raises InputError where it is damaged."""
    try:
        given = ClipHandover.model_validate_json((work / CLIP).read_bytes())
    except (OSError, ValueError):
        raise InputError(
            "What a task handed over cannot be read", "", "run the batch again"
        ) from None

    def stem(sound: SoundFile | None) -> Stem | None:
        return Stem(work / sound.file, sound.channels) if sound else None

    planned = Planned(given.plan, tuple(given.texts), given.approved_by, given.looked)
    rendered = Rendered(
        work / given.file, stem(given.stem), stem(given.narration), stem(given.mix),
        visibility=tuple(given.visibility), frames=given.frames, limited=given.limited,
        gain_db=given.gain_db, damage=tuple(given.damage),
    )  # fmt: skip
    return CaseResult(opened, survey, planned, rendered)
