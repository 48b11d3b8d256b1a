"""The case that a person means: by its name, its folder, its case.toml, a recording or a clip."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.errors import InputError, UsageError
from pipeline.model.pseudonym import SAFE
from pipeline.model.release import Sheet
from pipeline.stages.intake import read_case, remembered_sha256
from pipeline.store.names import Names


def case_of(
    name: str, names: Names, cases_with: Callable[[str], Sequence[str]] = lambda sha256: ()
) -> str:
    """The pseudonym of the case at a path; `name` itself where nothing lies there.

    A clip is of the case that its sheet names, wherever the two lie. A folder without a
    case.toml is called as the case is (that of private or releases). Only
    the name is looked for: recordings that a case.toml lists need not be there.
    cases_with: gives the cases that hold a recording, by its content hash.
    Raises InputError for an empty name, and for a case.toml or file that cannot be read;
    UsageError for a recording of several cases.
    """
    path = Path(name)
    if not name.strip():
        raise InputError("No case was named", "", "give the name of the case")
    if not path.exists():
        return name
    toml = path / "case.toml" if path.is_dir() else path
    if path.is_dir() and not toml.is_file():
        return path.resolve().name
    if toml.suffix == ".toml":
        return read_case(toml, SAFE).case
    with contextlib.suppress(OSError, ValueError):
        sheet = Sheet.model_validate_json(path.with_name(f"{path.stem}.sheet.json").read_bytes())
        if sheet.file == path.name:
            return sheet.case
    sha256 = remembered_sha256(path)
    holding = cases_with(sha256)
    if len(holding) > 1:
        raise UsageError(
            "That recording is in several cases", ", ".join(holding), "name the one that is meant"
        )
    return holding[0] if holding else names.of(sha256)
