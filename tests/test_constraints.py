"""The two files of tested versions say the same, and one of them pins every byte."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PLAIN, HASHED = ROOT / "configs/constraints.txt", ROOT / "configs/constraints-hashed.txt"


def _key(name: str) -> str:
    """One spelling of a package's name (PyPA specification 'Names and normalization')."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned(path: Path) -> dict[str, str]:
    found = re.findall(r"^([\w.-]+)==([\w.!+]+)", path.read_text(), re.MULTILINE)
    return {_key(name): version for name, version in found}


def test_both_files_name_the_same_versions() -> None:
    assert pinned(PLAIN) == pinned(HASHED), "make constraints-hashed.txt anew, see its first line"
    assert len(pinned(PLAIN)) == sum("==" in line for line in PLAIN.read_text().splitlines())


def test_every_version_has_hashes_and_no_host_is_named() -> None:
    text = HASHED.read_text()
    for block in re.split(r"\n(?=\S)", re.sub(r"^#.*\n", "", text, flags=re.MULTILINE).strip()):
        first, *hashes = block.split(" \\\n")
        assert re.fullmatch(r"[\w.-]+==[\w.!+]+", first), first
        assert hashes, f"{first} has no hash"
        assert all(re.fullmatch(r" {4}--hash=sha256:[0-9a-f]{64}", line) for line in hashes), first
    assert "://" not in text and "index" not in text


def test_what_the_pinned_packages_need_is_pinned_too() -> None:
    """pip refuses the whole file if it has to fetch one package that is not in it."""
    from packaging.requirements import Requirement

    known = pinned(HASHED)
    for name in known:
        try:
            version(name)
        except PackageNotFoundError:  # the tools that build the package
            continue
        for line in requires(name) or []:
            need = Requirement(line)
            if need.marker is None or need.marker.evaluate({"extra": ""}):
                assert _key(need.name) in known, f"{name} needs {need.name}"
