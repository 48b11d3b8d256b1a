"""`fieldstop release`: what is ready leaves, nothing is rendered again.

What it was made from is compared with what is there today, part by part; what cannot be
reached any more (a card that was taken out) is held by the hash that was taken.
"""

from __future__ import annotations

import contextlib
import datetime
import difflib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import InputError, UsageError
from pipeline.media.container import file_sha256
from pipeline.model.consent import KnownConsent
from pipeline.model.options import Options
from pipeline.model.pseudonym import SAFE
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Looked, Withheld
from pipeline.settings import settings_sha256
from pipeline.stages import release as releasing
from pipeline.stages.consent import bind_consent, known_consent
from pipeline.stages.gate import may_leave
from pipeline.stages.inputs import case_sha256, made_from, read_decisions, resolved_by
from pipeline.stages.intake import OpenedCase, SourceFile, open_case, read_case, remembered_sha256
from pipeline.stages.likeness import alike_since
from pipeline.stages.named import case_of
from pipeline.stages.ready import SUFFIX, read_ready, release_clip, tidy_ready
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import check_catalogue
from pipeline.store.names import Names
from pipeline.store.work import WorkFolder, is_clip


@dataclass(frozen=True)
class Left:
    """What came of one ready clip."""

    clip: ReadyClip
    file: Path
    released: releasing.Released | None = None
    looked: Looked | None = None
    withheld: tuple[Withheld, ...] = ()
    warnings: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """With the names of `CaseResult.as_json`."""
        done, report = self.released, self.file.with_name("report.html")
        return {
            "case": self.clip.case,
            "release": str(done.path) if done else None,
            "ready": str(self.file) if done is None and self.file.is_file() else None,
            "draft": None,
            "sheet": str(done.sheet) if done else None,
            "record": str(done.record) if done else None,
            "survey": [],
            "plan": None,
            "report": str(report) if report.is_file() else None,
            "checks": [c.model_dump() for c in self.clip.checks],
            "withheld": [w.model_dump() for w in self.withheld],
            "texts": [],
            "warnings": list(self.warnings),
            "error": None,
        }


def ready_documents(out: Path) -> list[Path]:
    """Documents of all that is ready in an OUT folder, sorted by name."""
    private = Path(out) / "private"
    return sorted([*private.glob("*/*" + SUFFIX), *private.glob("*/clips/*/*" + SUFFIX)])


def folder_of(out: Path, document: Path) -> WorkFolder:
    """The work folder that a document of `ready_documents` lies in."""
    case, *below = document.relative_to(Path(out) / "private").parts
    return WorkFolder(out, case, below[1] if len(below) > 2 else "")


def chosen(out: Path, names: Sequence[str], profile: str | None) -> list[Path]:
    """The documents that people name: a pseudonym, a ready clip's name, a case folder or file.

    Raises InputError where nothing of that name is ready, UsageError where several clips of
    a case are: a person says which of them was looked at.
    """
    if not (out / "private").is_dir():
        raise InputError("The folder holds no cases", "", "give the --out folder of make")
    documents = ready_documents(out)
    found: list[Path] = []
    for name in names:
        mine = [d for d in documents if d.name == name + SUFFIX] or _of_file(name, documents)
        case = folder_of(out, mine[0]).case if mine else _pseudonym(out, name)
        mine = mine or [d for d in documents if folder_of(out, d).case == case]
        if profile is not None:
            mine = [d for d in mine if _is_of(d, profile)]
        if not mine:
            raise _nothing(out, case, documents, profile)
        if len(mine) > 1:
            raise UsageError(
                f"{case} has {len(mine)} clips ready",
                listed(mine),
                "name the one that you looked at, or give --profile",
            )
        found += [d for d in mine if d not in found]
    return found


def _of_file(name: str, documents: Sequence[Path]) -> list[Path]:
    """Documents of what lies at a path: a ready clip itself, or what was made of a recording."""
    path = Path(name)
    if not path.is_file():
        return []
    at = os.path.realpath(path)
    found = []
    for document in documents:
        with contextlib.suppress(InputError):
            clip = read_ready(document)
            places = [str(document), str(document.with_name(clip.file)), *clip.sources_at]
            found += [document] if at in map(os.path.realpath, places) else []
    return found


def _is_of(document: Path, profile: str) -> bool:
    """Whether it is of that profile; one that cannot be read is told about when it is used."""
    try:
        return read_ready(document).profile == profile
    except InputError:
        return True


def all_ready(out: Path, profile: str | None) -> list[Path]:
    """Everything that is ready. Raises InputError if nothing is."""
    found = [d for d in ready_documents(out) if profile is None or _is_of(d, profile)]
    if not found:
        raise InputError("Nothing is ready here", "", "run fieldstop make or batch first")
    return found


def looked_by(by: str) -> Looked:
    """That somebody looked, as `fieldstop release` was told just now."""
    at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    return Looked(by=by, at=at, how="release")


def listed(documents: Sequence[Path], most: int = 6) -> str:
    names = [d.name.removesuffix(SUFFIX) for d in documents]
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _pseudonym(out: Path, name: str) -> str:
    """The pseudonym of a case that is named by it, its folder, its case.toml or its recording."""
    if Path(name).parent == Path() and name.strip() and (out / "private" / name).is_dir():
        return name
    case = case_of(name, Names(out))
    if Path(name).is_file() and not (out / "private" / case).is_dir():
        raise InputError("Nothing here was made from that file", "", "name the case")
    return case


def _nothing(out: Path, case: str, ready: Sequence[Path], profile: str | None) -> InputError:
    private = out / "private"
    known = sorted(p.name for p in private.iterdir() if p.is_dir()) if private.is_dir() else []
    known = [k for k in known if not k.startswith(".")]
    shown = case if len(case) <= 40 and case.isprintable() else "that name"
    if case in known:
        files = sorted(filter(is_clip, (out / "releases" / case).glob("*.mp4")))
        last = f"released already: {files[-1].stem}" if files else "nothing was released either"
        wanted = f" for the profile {profile}" if profile else ""
        return InputError(
            f"Nothing is ready for {shown}{wanted}", last, "run fieldstop make on the case first"
        )
    names = [*dict.fromkeys([*known, *(d.name.removesuffix(SUFFIX) for d in ready)])]
    near = difflib.get_close_matches(case, names, n=3, cutoff=0.5)
    if near:
        return InputError(f"There is no case {shown} here", "", f"did you mean {', '.join(near)}?")
    do = f"ready here: {listed(ready)}" if ready else "run fieldstop make on the case first"
    return InputError(
        f"There is no case {shown} here",
        f"{len(known)} other case{'' if len(known) == 1 else 's'}",
        do,
    )


def release_kept(
    document: Path,
    out: Path,
    options: Options,
    catalogue: Catalogue,
    looked: Looked | None,
    *,
    proof: bool = False,
) -> Left:
    """Release one ready clip if all is as it was when it was made and consent covers it today.

    proof: a proof without initials will be put beside it, and its sheet names it.
    options: the settings in force for its profile. looked: who looked at it; None lets a
    sign-off of the case or a profile that is looked at afterwards stand for it.
    Raises InputError, OutputError; what withholds it is in the answer.
    """
    folder = folder_of(out, document)
    with folder.case_lock():
        check_catalogue(out, catalogue)
        releasing.record_unrecorded(folder, catalogue)
        tidy_ready(folder)
        if not document.is_file():
            raise InputError(
                "It was released already, or is not ready any more",
                document.name.removesuffix(SUFFIX),
                "see fieldstop catalogue",
            )
        clip = read_ready(document)
        file = document.with_name(clip.file)
        decisions, warnings = read_decisions(folder), list[str]()
        case, now = as_found(clip, out, warnings)
        now |= resolved_by(options, decisions)
        consent = consent_today(clip, case, folder, catalogue)
        found = may_leave(
            clip, consent, decisions, looked, options.output, datetime.date.today(),
            overtaken=overtaken(clip, options, now, file_sha256(file)),
            alike=alike_since(clip, folder, catalogue),
        )  # fmt: skip
        released = None
        why = found.reasons
        if found.state == "release":
            released = release_clip(
                clip, folder, options, catalogue, consent, found.looked, proof=proof
            )
        elif found.state == "ready":
            why = (Withheld(code="look", message="nobody has looked at it yet"),)
        return Left(clip, file, released, found.looked, why, tuple(warnings))


def overtaken(
    clip: ReadyClip, options: Options, now: Mapping[str, str], sha256: str
) -> list[Withheld]:
    """Why the clip is not what would be made today, in sentences; empty if it is. Pure.

    now: `made_from` of today, without the parts that are out of reach. sha256: of its file.
    """

    def changed(what: str, do: str = "make the clip again") -> Withheld:
        return Withheld(code="changed", message=f"{what} changed since it was made: {do}")

    output = options.output
    if (clip.profile, clip.plan.audience) != (output.profile, output.audience):
        return [changed("the profile")]
    if clip.settings_sha256 != settings_sha256(options):
        return [changed("the settings", "give the --config it was made with, or make it again")]
    if sha256 != clip.sha256:
        return [changed("the ready file itself")]
    return [changed(part) for part in now if now[part] != clip.made_from.get(part)]


def as_found(
    clip: ReadyClip, out: Path, warnings: list[str]
) -> tuple[OpenedCase | None, dict[str, str]]:
    """The case as it lies there today, and the hashes of those parts that can be reached.

    None for a case whose case.toml is gone or is another case's, or that never had one. It is
    read also where a recording is not what it was: what it says of consent binds all the same.
    What is out of reach is told in `warnings`: the hash that was taken when the clip was made
    stands for it. Raises InputError where something is there and cannot be read.
    """
    at = Path(clip.case_at)
    given = Path(clip.narration_at) if clip.narration_at else None
    sources = [
        SourceFile(s.number, Path(p), s.recording, s.still, s.sha256)
        for s, p in zip(clip.plan.sources, clip.sources_at, strict=True)
    ]
    there = [s for s in sources if s.path.is_file()]
    other = any(remembered_sha256(s.path) != s.sha256 for s in there)
    changed = {"the recordings": "another content"} if other else {}
    toml = at / "case.toml"
    if not other and len(there) == len(sources) and (toml.is_file() or at.is_file()):
        with contextlib.suppress(InputError):  # a narration that is gone; case.toml is read below
            opened = open_case(at, narration=given, out=out, case_pattern=SAFE)
            parts = made_from(opened, Options(), None, narrated=clip.narrated)
            parts = {k: v for k, v in parts.items() if k in _MATERIAL}
            return (None if opened.bare else opened), parts
    if not other:
        warnings.append(
            "not all of the material is where it was: the hashes taken when the clip was made"
            " stand for it"
        )
    if not toml.is_file():
        return None, changed
    case = read_case(toml, SAFE)
    if case.case != clip.case:
        return None, changed | {"case.toml": "of another case"}
    told = case.narration
    opened = OpenedCase(
        case, sources, at if told is not None and told.file else None, at, False,
        narration_sha256=clip.narration_sha256,
        captions=at if told is not None and told.captions else None,
    )  # fmt: skip
    return opened, changed | ({} if given is not None else {"case.toml": case_sha256(opened)})


_MATERIAL = ("case.toml", "the recordings", "the narration", "the captions")


def consent_today(
    clip: ReadyClip, case: OpenedCase | None, folder: WorkFolder, catalogue: Catalogue
) -> KnownConsent:
    """The consent that binds the clip today, from wherever it is told and from case.toml."""
    if case is not None:
        return bind_consent(case, folder, catalogue)
    places = {Path(clip.case_at), *(Path(p).parent for p in clip.sources_at)}
    sources = [s.sha256 for s in clip.plan.sources]
    sources += [clip.narration_sha256] if clip.narration_sha256 else []
    return known_consent(clip.case, sources, None, folder.out, places, catalogue)
