"""The encoder ends itself over some quiet hisses: they are coded all the same, and found right."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.errors import OutputError
from pipeline.media import programs, write
from pipeline.media.sound import read_sound
from pipeline.media.stems import Stem, write_stem
from pipeline.media.write import code_sound
from pipeline.model.release import Check
from pipeline.stages.verifying.mixed import MixedFold

HZ = 48_000


def coded(sound: np.ndarray, work: Path) -> np.ndarray:
    """(channel, sample) as it is heard after coding at 128 kbit/s."""
    stem = write_stem(work / "raw.f32", sound.shape[0], iter([sound.astype(np.float32)]))
    code_sound(stem.path, work / "coded.m4a", sound.shape[0], 128)
    blocks = list(read_sound(work / "coded.m4a", channels=sound.shape[0]))
    return np.concatenate(blocks, axis=1)[:, : sound.shape[1]]


def hiss(level: float, seed: int, work: Path) -> Stem:
    """Eight seconds, as a recorder coded them."""
    random = np.random.default_rng(seed).standard_normal((2, 8 * HZ)) * level
    return write_stem(work / "stem.f32", 2, iter([coded(random.astype(np.float32), work)]))


def checked(stem: Stem, heard: np.ndarray, work: Path) -> Check:
    plan: Any = SimpleNamespace(mix=None, duration_s=heard.shape[1] / HZ)
    fold = MixedFold(plan, stem, None, stem.channels, 128, work)
    fold.step(heard)
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    return row


def test_a_hiss_over_which_the_encoder_ends_itself_is_verified(tmp_path: Path) -> None:
    """Found among some hundred: verify codes what was planned, and there the encoder aborts."""
    stem = hiss(0.003, 4, tmp_path)
    sound = np.concatenate(list(stem.blocks()), axis=1)
    row = checked(stem, coded(sound * np.float32(10 ** (0.5 / 20)), tmp_path), tmp_path)
    assert row.passed, row


@pytest.fixture
def aborting(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """Makes the encoder abort as often as the first number says; it counts the rest."""
    left = [0]
    real = write.run_graph

    def run(stream: Any) -> str:
        left[0] -= 1
        if left[0] >= 0:
            raise programs.EncoderAborted("The encoder failed", "code -6", "run again")
        return real(stream)

    monkeypatch.setattr(write, "run_graph", run)
    yield left


@pytest.mark.parametrize("times", [0, 1, 2, 3])
@pytest.mark.parametrize("level", [0.003, 0.05])
def test_what_is_coded_after_that_is_right(
    times: int, level: float, aborting: list[int], tmp_path: Path
) -> None:
    stem = hiss(level, 1, tmp_path)
    aborting[0] = times
    heard = coded(np.concatenate(list(stem.blocks()), axis=1), tmp_path)
    assert aborting[0] == -1  # coded once where nothing aborts
    row = checked(stem, heard, tmp_path)
    assert row.passed, row


@pytest.mark.parametrize("times", [0, 1, 2, 3, 4])
def test_it_says_how_often_and_gives_up(times: int, aborting: list[int], tmp_path: Path) -> None:
    stem = write_stem(tmp_path / "s.f32", 1, iter([np.zeros((1, HZ), np.float32)]))
    aborting[0] = times
    if times == 4:
        with pytest.raises(OutputError, match="The encoder failed"):
            code_sound(stem.path, tmp_path / "s.m4a", 1, 128)
    else:
        assert code_sound(stem.path, tmp_path / "s.m4a", 1, 128) == times


@pytest.mark.parametrize(
    ("said", "aborted"),
    [
        ("Assertion diff >= 0 && diff <= 120 failed at libavcodec/aacenc.c:655", True),
        ("No space left on device", False),
        ("Conversion failed!", False),
    ],
)
def test_only_an_assertion_is_tried_again(
    said: str, aborted: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = tmp_path / "encoder"
    program.write_text(f"#!/bin/sh\necho 'Stream mapping:' >&2\necho '{said}' >&2\nkill -6 $$\n")
    program.chmod(0o755)
    monkeypatch.setattr(programs, "ffmpeg_program", lambda: str(program))
    with pytest.raises(OutputError) as caught:
        programs.run_ffmpeg(["-version"])
    assert isinstance(caught.value, programs.EncoderAborted) == aborted
