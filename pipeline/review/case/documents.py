"""The documents of a case in its private folder, as the page reads them."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import FieldstopError, InputError
from pipeline.model.case import Case
from pipeline.model.findings import Findings
from pipeline.model.plan import Plan
from pipeline.model.survey import Survey
from pipeline.stages.intake import read_case, remembered_sha256
from pipeline.store.work import WorkFolder, atomic_write

ORIGIN = "origin.json"


class Origin(NamedTuple):
    """Where a case was made from. narration: given beside it; None for that of the case."""

    path: Path
    narration: Path | None


def remember_origin(out: Path, case: str, path: Path, narration: Path | None = None) -> None:
    """Notes, in the private folder, which recordings a case was made from."""
    text = json.dumps(
        {
            "schema": "fieldstop.origin/1",
            "path": str(Path(path).resolve()),
            "narration": str(Path(narration).resolve()) if narration else None,
        }
    )
    atomic_write(WorkFolder(out, case).private_file(ORIGIN), text, private=True)


def read_origin(folder: WorkFolder) -> Origin | None:
    """None if it was not noted, or nothing lies there any more."""
    try:
        data = json.loads(folder.private_file(ORIGIN).read_bytes())
        path = Path(data["path"])
        narration = Path(data["narration"]) if data.get("narration") else None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Origin(path, narration) if path.exists() else None


def known_origin(folder: WorkFolder, command: str) -> Origin:
    """As `read_origin`. Raises InputError, with the command that would note it."""
    origin = read_origin(folder)
    if origin is None:
        raise InputError(
            "Where the recordings of this case lie is not known here",
            "",
            f"run {command} on the case again, with the same --out",
        )
    return origin


def decisions_file(folder: WorkFolder) -> Path:
    return folder.private_file("decisions.json")


class KeptSurvey(NamedTuple):
    """A source's survey, the file of its series, and what was decided from them."""

    survey: Survey
    series: Path
    findings: Findings


def read_surveys(folder: WorkFolder) -> list[KeptSurvey]:
    """What is kept of each source. Raises InputError."""
    out: list[KeptSurvey] = []
    for number in range(1, 1000):
        tail = "" if number == 1 else f"-{number}"
        path = folder.private_file(f"survey{tail}.json")
        if not path.is_file():
            break
        try:
            text = path.read_bytes()
            survey = Survey.model_validate_json(text)
            found = _findings(folder.private_file(f"findings{tail}.json"), text)
            if found.sha256 != survey.recording.sha256:
                raise ValueError("findings of another recording")
        except (OSError, ValueError):
            raise InputError(
                "A survey of the case cannot be read", "", "run fieldstop survey again"
            ) from None
        out.append(KeptSurvey(survey, folder.private_file(f"series{tail}.npz"), found))
    return out


def _findings(path: Path, survey: bytes) -> Findings:
    """Those of a survey; a survey of version 1 holds them itself. Raises ValueError, OSError."""
    if path.is_file():
        return Findings.model_validate_json(path.read_bytes())
    return Findings.of_survey_1(json.loads(survey))


def read_plan(folder: WorkFolder) -> Plan | None:
    path = folder.private_file("plan.json")
    if not path.is_file():
        return None
    try:
        return Plan.model_validate_json(path.read_bytes())
    except ValueError:
        return None  # of an older version: it is planned again


def plan_has_seen_decisions(folder: WorkFolder) -> bool:
    """True if plan.json was written after the last decision."""
    plan, decisions = folder.private_file("plan.json"), decisions_file(folder)
    if not plan.is_file():
        return False
    if not decisions.is_file():
        return True
    return plan.stat().st_mtime_ns >= decisions.stat().st_mtime_ns


def read_document(folder: WorkFolder, case_pattern: str) -> Case | None:
    """The case's case.toml; None for a lone recording, or where it cannot be read."""
    origin = read_origin(folder)
    if origin is None or not origin.path.is_dir():
        return None
    with contextlib.suppress(FieldstopError):
        return read_case(origin.path / "case.toml", case_pattern)
    return None


def narration_sha256(folder: WorkFolder, document: Case | None) -> str:
    """Hash of the narration's content; empty where there is none of its own."""
    path, given = read_origin(folder) or (None, None)
    if given is None and path is not None and document is not None:
        named = document.narration.file if document.narration is not None else None
        given = path / named if named else None
    return remembered_sha256(given) if given is not None and given.is_file() else ""


def report_file(folder: WorkFolder) -> Path | None:
    path = folder.private_file("report.html")
    return path if path.is_file() else None
