"""Programs that only some machines have: without one a test is skipped, and in CI it fails."""

from __future__ import annotations

import os
import shutil

import pytest


def needs(*programs: str) -> None:
    """Skip the test that calls it where a program is missing; fail it where CI is set."""
    missing = [name for name in programs if not shutil.which(name)]
    if not missing:
        return
    if os.environ.get("CI"):
        pytest.fail(f"missing in CI: {', '.join(missing)}")
    pytest.skip(f"not installed: {', '.join(missing)}")
