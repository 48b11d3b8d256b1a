"""A damaged narration: silent where it is damaged, and a person listens."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import media_zoo
import numpy as np
import pytest
from test_plan import GLYPH, _no_mark, case, source  # noqa: F401

from pipeline.analysis.sound.narration import without_spans
from pipeline.model.options import Options
from pipeline.model.time import Span
from pipeline.stages.harmed_narration import damaged_in_case, whole_sound
from pipeline.stages.planning.given import NarrationInput
from pipeline.stages.planning.parts import case_axis
from pipeline.stages.planning.plan import make_plan

RATE_HZ = 48_000
CODINGS = {
    "voice.wav": ("-c:a", "pcm_s16le"),
    "voice.flac": ("-c:a", "flac"),
    "voice.m4a": ("-c:a", "aac", "-b:a", "96k"),
    "voice.ogg": ("-c:a", "libopus", "-b:a", "48k"),
    "alac.m4a": ("-c:a", "alac"),
    "ac3.mka": ("-c:a", "ac3"),
}


def heard(path: Path) -> tuple[np.ndarray, list[Span]]:
    harmed: list[Span] = []
    sound = np.concatenate(list(whole_sound(path, harmed)), axis=1)
    return sound, harmed


@pytest.fixture(scope="module")
def plain(sample_media: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample's narration; as it is coded in each of `CODINGS` it lies beside it."""
    folder = tmp_path_factory.mktemp("voices")
    for name, coding in CODINGS.items():
        media_zoo.run_ffmpeg(
            "-ss", "1.3", "-t", "3.6", "-i", sample_media / "voice.flac", "-ar", "48000", *coding,
            folder / name,
        )  # fmt: skip
    return folder


@pytest.mark.parametrize("name", sorted(CODINGS))
@pytest.mark.parametrize("seed", [1, 2])
def test_what_was_overwritten_is_not_heard(
    name: str, seed: int, plain: Path, tmp_path: Path
) -> None:
    whole, none = heard(plain / name)
    assert none == []
    data = bytearray((plain / name).read_bytes())
    size = len(data) // 20
    at = round((0.2 + 0.2 * seed) * len(data))
    data[at : at + size] = random.Random(seed).randbytes(size)
    (tmp_path / name).write_bytes(bytes(data))
    sound, harmed = heard(tmp_path / name)
    assert harmed
    quiet = np.concatenate(list(without_spans([sound], harmed)), axis=1)
    length = min(whole.shape[1], quiet.shape[1])
    assert np.abs(sound[:, :length] - whole[:, :length]).max() > 0.02, "nothing was harmed"
    left = np.abs(quiet[:, :length] - whole[:, :length])
    outside = np.ones(length, bool)
    for span in harmed:
        wide = span.padded(0.01)
        outside[round(max(0.0, wide.start_s) * RATE_HZ) : round(wide.stop_s * RATE_HZ)] = False
    assert left[:, outside].max(initial=0.0) < 0.02
    assert not outside.all() and outside.mean() > 0.5, "the rest is still heard"


@pytest.mark.parametrize("seed", range(4))
def test_zeros_inside_words_are_damage_and_pauses_are_not(seed: int, plain: Path) -> None:
    from pipeline.analysis.sound.clicks import StoppedFold

    whole, _ = heard(plain / "voice.wav")
    rng = np.random.default_rng(seed)
    loud = np.flatnonzero(np.abs(whole[0]) > 0.1)
    at, size = int(rng.choice(loud)), int(rng.integers(200, 20_000))
    sound = whole.copy()
    sound[:, at : at + size] = 0.0

    def stopped(of: np.ndarray) -> list[tuple[float, float]]:
        fold = StoppedFold()
        for block in np.array_split(of, 7 + seed, axis=1):
            fold.step(block)
        return fold.finish()

    assert stopped(whole) == []
    ((start_s, stop_s),) = stopped(sound)
    assert start_s < at / RATE_HZ and (at + size) / RATE_HZ < stop_s < (at + size) / RATE_HZ + 0.1
    # Silence that a person put in fades, however briefly; so do a start and an end.
    fade = np.ones(whole.shape[1])
    fade[at - 96 : at] = np.linspace(1, 0, 96)
    fade[at : at + size] = 0.0
    fade[at + size : at + size + 96] = np.linspace(0, 1, len(fade[at + size : at + size + 96]))
    assert stopped(whole * fade.astype(np.float32)) == []
    led = np.concatenate([np.zeros((1, 9000), np.float32), whole[:, at:]], axis=1)
    assert stopped(led) == []


def test_a_file_that_holds_less_than_it_promises_is_cut_short(plain: Path, tmp_path: Path) -> None:
    path = tmp_path / "voice.flac"
    data = (plain / "voice.flac").read_bytes()
    path.write_bytes(data[: len(data) // 2])
    sound, harmed = heard(path)
    assert harmed[-1].stop_s == pytest.approx(3.6, abs=0.05)
    assert harmed[-1].start_s <= sound.shape[1] / RATE_HZ


def planned(damage: list[Span], **more: Any) -> Any:
    narration = NarrationInput(
        duration_s=10.0, spans=[Span(1.0, 8.0)], hop_power=np.full(100, 1e-3, np.float32),
        offset_s=2.0, damage=damage,
    )  # fmt: skip
    return make_plan(case(), [source()], narration, Options(), glyph=GLYPH, **more)


def test_a_person_listens_to_what_is_left() -> None:
    (need,) = planned([Span(1.0, 1.5)]).needs
    assert need.code == "damage" and need.approvable and need.start_s == 3.0
    assert "0:03.0 to 0:03.5" in need.message
    assert planned([]).needs == []
    assert planned([Span(1.0, 1.5)], narrated=False).needs == []
    assert planned([Span(1.0, 1.5)], cut_to=Span(6.0, 12.0)).needs == []


def test_a_narration_in_the_recording_is_damaged_where_its_sound_is() -> None:
    from pipeline.model.survey import Damage

    damage = [
        Damage(what="sound", start_s=3.0, stop_s=4.0, sign="cannot be decoded"),
        Damage(what="picture", start_s=7.0, stop_s=8.0, sign="cannot be decoded"),
    ]
    survey = source().survey.model_copy(update={"damage": damage})
    assert damaged_in_case(case_axis(case(), [source()]), [survey]) == [Span(3.0, 4.0)]
