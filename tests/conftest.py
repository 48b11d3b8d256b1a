"""Shared fixtures: no test touches the user's own folders; media are made once a session."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

import media_zoo

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_media"


def _point_folders(patch: pytest.MonkeyPatch, home: Path) -> None:
    for name in ("DATA", "CONFIG", "CACHE", "STATE"):
        folder = home / name.lower()
        folder.mkdir(parents=True, exist_ok=True)
        patch.setenv(f"XDG_{name}_HOME", str(folder))


@pytest.fixture(scope="session", autouse=True)
def _session_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """For fixtures that live longer than one test."""
    with pytest.MonkeyPatch.context() as patch:
        _point_folders(patch, tmp_path_factory.mktemp("session_home"))
        yield


@pytest.fixture(autouse=True)
def user_folders(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fresh data, config and cache folders for each test; the folder that holds them."""
    home = tmp_path_factory.mktemp("home")
    _point_folders(monkeypatch, home)
    return home


@pytest.fixture(scope="session")
def zoo(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], media_zoo.Clip]:
    """zoo("vfr_mp4") is that clip of `media_zoo.CLIPS`, made on first use. Do not change it."""
    folder = tmp_path_factory.mktemp("zoo")
    made: dict[str, media_zoo.Clip] = {}

    def get(name: str) -> media_zoo.Clip:
        if name not in made:
            made[name] = media_zoo.make(name, folder)
        return made[name]

    return get


@pytest.fixture(scope="session")
def bad_file(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """bad_file("truncated") is that file of `media_zoo.BAD_FILES`, in a folder of its own."""
    made: dict[str, Path] = {}

    def get(name: str) -> Path:
        if name not in made:
            made[name] = media_zoo.make_bad(name, tmp_path_factory.mktemp("bad"))
        return made[name]

    return get


@pytest.fixture(scope="session")
def scope_clip(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    """Four seconds of tissue, 320x240, with fog from 1.5 s and a click each second."""
    fog = media_zoo.FogTruth(start_s=1.5, peak_loss=0.5, hold_s=0.5, clear_s=0.6)
    path = tmp_path_factory.mktemp("scope") / "scope.mp4"
    return media_zoo.scope_clip(path, 4.0, seed=21, fog=fog, audio="clicks")


@pytest.fixture(scope="session")
def sample_media() -> Path:
    """The checked-in sample case. Do not write into it."""
    return SAMPLE


@pytest.fixture
def sample_case(tmp_path: Path) -> Path:
    """A copy of the sample case that a test may change."""
    folder = tmp_path / "sample_case"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("*.py", "*.md", "__pycache__"))
    return folder


@pytest.fixture(scope="session")
def sample_truth() -> dict[str, Any]:
    """`truth.json` of the sample case."""
    truth: dict[str, Any] = json.loads((SAMPLE / "truth.json").read_text())
    return truth
