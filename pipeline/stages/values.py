"""The values that the steps of the recipe take and return (`stages.recipe` tells their order).

All are frozen: a step that learns more answers with a new value.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pipeline.errors import UsageError
from pipeline.media.glyphs import Glyph
from pipeline.model.case import Case, Scope
from pipeline.model.consent import KnownConsent
from pipeline.model.decisions import Decision, Decisions, effective
from pipeline.model.options import Options
from pipeline.model.plan import Need, Plan
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Check, Looked, ReleaseRecord, Withheld
from pipeline.model.time import Span
from pipeline.stages.intake import OpenedCase, SourceFile
from pipeline.stages.measure import source_media
from pipeline.stages.proofs import SeenPicture
from pipeline.stages.release import Released
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.rendering.render import Rendered
from pipeline.stages.rendering.sound import MadeSound
from pipeline.stages.survey import Surveyed
from pipeline.stages.texts import ShownText
from pipeline.stages.verifying.result import Verified
from pipeline.store.texts import NOTHING_CONFIRMED, Confirmed
from pipeline.store.work import WorkFolder

_INITIALS = re.compile(r"^[A-Za-z]{1,4}$")


@dataclass(frozen=True)
class ClipCut:
    """A clip of a case: its span of case time, its title, its own name beside the case's."""

    span: Span
    title: str = ""
    name: str = ""

    @property
    def cut(self) -> list[float | str]:
        """What makes it another clip of the same case."""
        return [self.span.start_s, self.span.stop_s, self.title]


@dataclass(frozen=True)
class Recipient:
    """Whose copy of a clip it is.

    label: as the maker of the copy calls them; private. name: of the copy, part of its file's
    name; by a keyed hash of the label. Raises UsageError for a label that is none.
    """

    label: str
    name: str

    def __post_init__(self) -> None:
        if not 0 < len(self.label.strip()) <= 60 or not self.label.isprintable():
            raise UsageError(
                "--recipient takes a label of one line", f"{len(self.label)} characters",
                "give 1 to 60 characters; it stays in the private record",
            )  # fmt: skip


@dataclass(frozen=True)
class Asked:
    """What a person asked for, beside the settings.

    approve: initials of who answers for the open points that a person may resolve.
    looked: initials of who says to have looked. read_texts: who approves has the texts of
    this case in front of them, and confirms them too. another: who approves compared what looks
    like a recording whose consent is narrower, and says that it is another one. unless_released:
    nothing is made where a release, or a clip that is ready, was made from the same inputs
    and is still whole.
    withheld_before: hash of inputs that were withheld; from the same nothing is made again.
    Raises UsageError for initials that are none: no name goes into a record.
    """

    narration: Path | None = None
    consent: Scope | None = None
    approve: str | None = None
    looked: str | None = None
    clip: ClipCut | None = None
    recipient: Recipient | None = None
    narrated: bool = True
    read_texts: bool = True
    another: bool = False
    survey_only: bool = False
    unless_released: bool = False
    withheld_before: str = ""

    def __post_init__(self) -> None:
        check_initials(self.approve)
        check_initials(self.looked, "--looked")
        if self.another and self.approve is None:
            raise UsageError(
                "--another-recording is an answer of a person", "no initials",
                "give --approve INITIALS too",
            )  # fmt: skip

    @property
    def part(self) -> str:
        """Name of the clip of a part, of a copy, or of both; empty for the whole case."""
        names = [one.name for one in (self.clip, self.recipient) if one is not None]
        return "-".join(name for name in names if name)

    @property
    def suffix(self) -> str:
        """What the files are called after the profile."""
        return f"-{self.part}" if self.part else ""

    @property
    def cut(self) -> list[float | str] | None:
        return self.clip.cut if self.clip else None


def check_initials(given: str | None, option: str = "--approve") -> None:
    """Raises UsageError unless `given` is None or initials."""
    if given is not None and not _INITIALS.match(given):
        raise UsageError(
            f"{option} takes initials", f"{len(given)} characters", "give 1 to 4 letters A to Z"
        )


@dataclass(frozen=True)
class Opened:
    """A case as it lies there, what was asked, and all that is known of it here.

    inputs, made_from: hashes of what decides about it and of what it is made from (see
    `stages.inputs`); empty where it is measured only. code_seed: secret, of the release code; empty
    for none. confirmed: texts that leave, and who
    answers for them.
    """

    found: OpenedCase
    folder: WorkFolder
    options: Options
    asked: Asked
    glyph: Glyph
    consent: KnownConsent
    decisions: Decisions | None = None
    confirmed: Confirmed = NOTHING_CONFIRMED
    inputs: str = ""
    made_from: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    code_seed: str = ""

    @property
    def case(self) -> Case:
        return self.found.case

    @property
    def sources(self) -> Sequence[SourceFile]:
        return self.found.sources

    @property
    def profile(self) -> str:
        """The profile with the name of the clip, as revisions are counted."""
        return self.options.output.profile + self.asked.suffix

    @property
    def name(self) -> str:
        """`HL-0142-web`."""
        return f"{self.case.case}-{self.profile}"

    @property
    def title(self) -> str | None:
        """Of a clip of a part; None: the case's own, also for a clip that has none."""
        clip = self.asked.clip
        return None if clip is None else clip.title or (None if self.case.title else "Clip")

    @property
    def in_force(self) -> list[Decision]:
        return effective(self.decisions.entries) if self.decisions else []

    @property
    def voices_stay(self) -> bool:
        """True where speech in the room may be heard: consent covers it, or none is replaced."""
        return self.consent.voice or not self.options.sound.redact_speech

    @property
    def bound_case(self) -> Case:
        """The case with the consent that binds it."""
        consent = self.case.consent.model_copy(update={"voice": self.consent.voice})
        return self.case.model_copy(update={"consent": consent})


@dataclass(frozen=True)
class SurveyedCase:
    """The sources measured, where their surveys lie, and whose pictures they look like."""

    sources: tuple[Surveyed, ...]
    documents: tuple[Path, ...] = ()
    alike: tuple[Need, ...] = ()


@dataclass(frozen=True)
class Planned:
    """A plan, the texts that would leave with it, who answers for it, and why it may not be
    made as a clip that leaves (`withheld`)."""

    plan: Plan
    texts: tuple[ShownText, ...] = ()
    approved_by: str | None = None
    looked: Looked | None = None
    withheld: tuple[Withheld, ...] = ()


@dataclass(frozen=True)
class Sounded:
    """A plan, the survey that it was made from, and its sound; None where nothing is rendered."""

    survey: SurveyedCase
    planned: Planned
    sound: MadeSound | None = None


@dataclass(frozen=True)
class Ending:
    """What came of it.

    kept: the verified clip, ready or released. ready, draft: the file that lies in the
    private folder. standing: the release of an earlier run. unchanged: nothing was made.
    """

    withheld: tuple[Withheld, ...] = ()
    kept: ReadyClip | None = None
    ready: Path | None = None
    released: Released | None = None
    looked: Looked | None = None
    draft: Path | None = None
    standing: ReleaseRecord | None = None
    unchanged: bool = False

    @property
    def state(self) -> Literal["released", "ready", "withheld"]:
        if self.released is not None or self.standing is not None:
            return "released"
        return "ready" if self.ready is not None else "withheld"


@dataclass(frozen=True)
class CaseResult:
    """How far a case came and what came of it: for the command line, the pages and the batch.

    seen: pictures of the finished clip, for its proof. prints: what it is found by again.
    """

    opened: Opened
    survey: SurveyedCase | None = None
    planned: Planned | None = None
    rendered: Rendered | None = None
    verified: Verified | None = None
    seen: tuple[SeenPicture, ...] = ()
    prints: Mapping[str, str] = field(default_factory=dict)
    ending: Ending = Ending()
    report: Path | None = None
    proof: Path | None = None

    @property
    def folder(self) -> WorkFolder:
        return self.opened.folder

    @property
    def options(self) -> Options:
        return self.opened.options

    @property
    def surveyed(self) -> Sequence[Surveyed]:
        return self.survey.sources if self.survey else ()

    @property
    def media(self) -> list[SourceMedia]:
        return source_media(self.opened.found, self.surveyed)

    @property
    def plan(self) -> Plan | None:
        return self.planned.plan if self.planned else None

    @property
    def checks(self) -> list[Check]:
        if self.verified:
            return list(self.verified.checks)
        if self.ending.standing is not None:
            return self.ending.standing.sheet.checks
        return self.ending.kept.checks if self.ending.kept else []

    @property
    def withheld(self) -> tuple[Withheld, ...]:
        return self.ending.withheld

    @property
    def state(self) -> Literal["released", "ready", "withheld"]:
        return self.ending.state

    @property
    def approved_by(self) -> str | None:
        return self.planned.approved_by if self.planned else self.opened.asked.approve

    @property
    def looked(self) -> Looked | None:
        return self.ending.looked or (self.planned.looked if self.planned else None)

    @property
    def warnings(self) -> list[str]:
        """Beside those of the plan, which tells of pictures that look alike itself."""
        alike = self.survey.alike if self.survey and self.planned is None else ()
        made = self.rendered if self.ending.draft is None else None
        return [
            *self.opened.warnings,
            *(need.message for need in alike),
            *(made.damage if made else ()),
            *(self.verified.told if self.verified else ()),
        ]

    @property
    def leaving(self) -> tuple[Path, Path, Path] | None:
        """The released file, its sheet and its record, of this run or of an earlier one."""
        released, standing = self.ending.released, self.ending.standing
        if released is not None:
            return released.path, released.sheet, released.record
        if standing is None:
            return None
        name, folder = (standing.sheet.profile, standing.sheet.revision), self.folder
        return folder.release_file(*name), folder.sheet_file(*name), folder.record_file(*name)

    def as_json(self) -> dict[str, Any]:
        """The object that `--json` of make prints."""
        path, sheet, record = (str(p) for p in self.leaving) if self.leaving else (None,) * 3
        end, clip = self.ending, self.folder.clip
        return {
            "case": self.opened.case.case,
            **({"clip": clip, "unchanged": end.unchanged} if clip else {}),
            "release": path,
            "ready": str(end.ready) if end.ready else None,
            "draft": str(end.draft) if end.draft else None,
            "sheet": sheet,
            "record": record,
            "survey": [str(p) for p in (self.survey.documents if self.survey else ())],
            "plan": str(self.folder.private_file("plan.json")) if self.plan else None,
            "report": str(self.report) if self.report else None,
            "proof": str(self.proof) if self.proof else None,
            "checks": [c.model_dump() for c in self.checks],
            "withheld": [w.model_dump() for w in self.withheld],
            "texts": [t.as_json() for t in (self.planned.texts if self.planned else ())],
            "warnings": (self.plan.warnings if self.plan else []) + self.warnings,
            "error": None,
        }


def now_text() -> str:
    """Now, UTC, ISO 8601, as records keep it."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def looked_now(by: str | None, existed: bool) -> Looked | None:
    """That somebody looked, as the command line says it. existed: the very clip was there."""
    return None if by is None else Looked(by=by, at=now_text(), how="make", clip=existed)
