"""No library that the product loads reports to anybody."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest


def left_by(code: str, folder: Path) -> list[str]:
    """Files that a process writes into its home and its folder for temporary files."""
    home, temporary = folder / "home", folder / "tmp"
    home.mkdir(parents=True)
    temporary.mkdir()
    environment = {"PATH": os.environ["PATH"], "HOME": str(home), "TMPDIR": str(temporary)}
    subprocess.run([sys.executable, "-c", code], env=environment, check=True, timeout=120)
    return sorted(p.name for p in folder.rglob("*") if p.is_file())


def test_the_detectors_library_keeps_no_session_and_no_identifier(tmp_path: Path) -> None:
    """What reports keeps a session file and a store: see onnxruntime's own Privacy.md.

    A surrounding CI would hide it, so the environment is a bare one.
    """
    pytest.importorskip("onnxruntime")
    assert left_by("import pipeline, onnxruntime", tmp_path / "ours") == []


def test_the_switch_is_inherited_whatever_the_user_has_set() -> None:
    code = "import os, pipeline; print(os.environ['ORT_DISABLE_TELEMETRY'])"
    environment = {**os.environ, "ORT_DISABLE_TELEMETRY": "0"}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "1"
