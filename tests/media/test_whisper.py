"""A Whisper model in a folder: really loaded, nothing fetched, and what is no model is said."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from tiny_whisper import tiny_model

from pipeline.errors import FieldstopError, InputError, UsageError
from pipeline.media.whisper import NEEDED, Ear

# Every way of Python to somebody else, refused and counted.
WATCHED = """
import socket, sys
tried = []
def refused(*a, **k):
    tried.append(1)
    raise OSError("no network in this test")
socket.socket.connect = socket.socket.connect_ex = refused
socket.getaddrinfo = socket.create_connection = refused
"""


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_model(tmp_path_factory.mktemp("whisper") / "model")


def run(code: str, *arguments: str | Path, **environment: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", WATCHED + code, *map(str, arguments)], capture_output=True,
        text=True, timeout=120, env={**os.environ, **environment},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_a_model_is_loaded_and_listens_and_no_network_is_tried(model: Path) -> None:
    code = """
from pathlib import Path
import numpy as np
from pipeline.media.whisper import Ear
ear = Ear(Path(sys.argv[1]), None, 1)
words = list(ear.words(np.random.default_rng(0).normal(0, 0.1, 80_000).astype(np.float32)))
assert all(0 <= w.start_s <= w.stop_s and w.text.isprintable() for w in words), words
print(ear.language, len(tried))
"""
    assert run(code, model) == "en 0"


@pytest.fixture
def without(model: Path, tmp_path: Path) -> Path:
    """A model that lost its tokenizer."""
    shutil.copytree(model, tmp_path / "model")
    (tmp_path / "model/tokenizer.json").unlink()
    return tmp_path / "model"


def test_what_the_library_would_fetch_is_asked_for_instead(without: Path) -> None:
    code = """
from pathlib import Path
from pipeline.errors import InputError
from pipeline.media.whisper import Ear
try:
    Ear(Path(sys.argv[1]), None, 1)
except InputError as error:
    print("tokenizer.json" in error.got, len(tried))
"""
    assert run(code, without) == "True 0"


@pytest.mark.slow
def test_the_library_itself_would_fetch_it(without: Path) -> None:
    """That of another model, although it was told to use what lies here only."""
    code = """
import faster_whisper
try:
    faster_whisper.WhisperModel(sys.argv[1], device="cpu", local_files_only=True)
except Exception:
    print(len(tried) > 0)
"""
    assert run(code, without, HF_HUB_OFFLINE="0", HF_HOME=str(without)) == "True"


def _broken(folder: Path, how: str) -> Path:
    if how.startswith("without "):
        (folder / how.removeprefix("without ")).unlink()
    elif how == "missing":
        return folder / "nowhere"
    elif how == "a file":
        return folder / "config.json"
    elif how == "empty":
        return Path(shutil.copytree(folder, folder / "empty", ignore=lambda _, names: names))
    elif how == "noise":
        (folder / "model.bin").write_bytes(np.random.default_rng(1).bytes(20_000))
    elif how == "cut off":
        whole = (folder / "model.bin").read_bytes()
        (folder / "model.bin").write_bytes(whole[: len(whole) // 2])
    elif how == "endless":
        (folder / "model.bin").unlink()
        (folder / "model.bin").symlink_to("/dev/zero")
    elif how == "no tokenizer":
        (folder / "tokenizer.json").write_text("{}")
    elif how == "no JSON":
        (folder / "config.json").write_text("[")
    return folder


@pytest.mark.parametrize(
    "how",
    ["missing", "a file", "empty", *(f"without {n}" for n in (*NEEDED, "vocabulary.json")), "noise",
     "cut off", "endless", "no tokenizer", "no JSON"],
)  # fmt: skip
def test_what_is_no_model_is_said(model: Path, tmp_path: Path, how: str) -> None:
    folder = tmp_path / "model"
    shutil.copytree(model, folder)
    with pytest.raises(InputError) as told:
        Ear(_broken(folder, how), None, 1)
    assert told.value.exit_code == 3 and told.value.do and str(tmp_path) not in str(told.value)


def test_a_language_that_it_does_not_know(model: Path) -> None:
    with pytest.raises(UsageError, match="xx"):
        Ear(model, "xx", 1)


def test_the_package_is_missing(model: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "faster_whisper", None)
    with pytest.raises(FieldstopError, match=r"fieldstop\[captions\]") as told:
        Ear(model, None, 1)
    assert told.value.exit_code == 2
