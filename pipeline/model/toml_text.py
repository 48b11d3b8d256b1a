"""TOML from whoever wrote it, at a cost that follows its length."""

from __future__ import annotations

import re
import tomllib
from typing import Any

# Ours have three parts at most. `tomllib` takes cubic time and quadratic memory for the parts of
# one key (measured: 100,000 letters took 10 GB).
_PARTS = 8
# Strings and comments, so that dots in them do not count. One that is not closed goes to the end,
# so that nothing is read twice.
_QUOTED = re.compile(
    r'"""(?:[^\\]|\\.)*?(?:"{3,5}|\Z)|'
    r"'''.*?(?:'{3,5}|\Z)|"
    r'"(?:[^"\\\n]|\\.)*"?|'
    r"'[^'\n]*'?|#[^\n]*",
    re.DOTALL,
)
_CHAIN = re.compile(r"[^\n=,{}\[\]]+")


def load_toml(text: str) -> dict[str, Any]:
    """The values of a TOML text. Raises ValueError, RecursionError for one that is broken."""
    for chain in _CHAIN.findall(_QUOTED.sub("", text)):
        if chain.count(".") >= _PARTS:
            raise ValueError("a key of too many parts")
    return tomllib.loads(text)
