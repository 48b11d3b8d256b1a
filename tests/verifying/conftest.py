"""The good clip, made once a session."""

from __future__ import annotations

import pytest
from good import Good, make_good


@pytest.fixture(scope="session")
def good(tmp_path_factory: pytest.TempPathFactory) -> Good:
    return make_good(tmp_path_factory.mktemp("good") / "made")
