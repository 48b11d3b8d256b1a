"""What is left over beside a very faint sound: judged where it could be heard."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from pipeline.media.sound import read_sound
from pipeline.media.stems import write_stem
from pipeline.media.write import code_sound
from pipeline.stages.verifying.mixed import MixedFold

VOICE = Path(__file__).resolve().parents[2] / "sample_media" / "voice.flac"
PAUSE = slice(round(13.5 * 48_000), round(14.5 * 48_000))


def noise(seed: int, band_hz: tuple[int, int], level_dbfs: float, seconds: float) -> np.ndarray:
    sound = np.random.default_rng(seed).standard_normal(round(48_000 * seconds))
    sound = sosfilt(butter(4, band_hz, "band", fs=48_000, output="sos"), sound)
    return (sound / np.sqrt(np.mean(sound**2)) * 10 ** (level_dbfs / 20)).astype(np.float32)


@pytest.mark.parametrize(
    ("band_hz", "left_db", "passes"),
    # What so faint an octave lacks is a coder's choice where hearing is dull, not elsewhere.
    [((110, 220), -10, True), ((1100, 1900), -10, False), ((110, 220), -2, False)],
)
def test_a_faint_octave_is_judged_as_it_is_heard(
    band_hz: tuple[int, int], left_db: float, passes: bool, tmp_path: Path
) -> None:
    planned = noise(1, band_hz, -54, 6)
    foreign = noise(2, band_hz, -54 + left_db, 6)
    foreign[: 3 * 48_000] = 0
    stem = write_stem(tmp_path / "stem.f32", 1, iter([planned[None]]))
    plan: Any = SimpleNamespace(mix=None, duration_s=6.0)
    fold = MixedFold(plan, stem, None, 1, 128, tmp_path)
    fold.step((planned + foreign)[None])
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    assert row.passed == passes, row


@pytest.mark.parametrize("foreign_db", [None, 3.0])
def test_steady_noise_is_coded_otherwise_each_time(
    foreign_db: float | None, tmp_path: Path
) -> None:
    """The encoder puts noise of its own in the place of noise in some half seconds."""
    voice = np.concatenate(list(read_sound(VOICE, channels=1)), axis=1)[:, : 20 * 48_000]
    hiss = np.random.default_rng(0).standard_normal(voice.shape) * 0.0015
    planned = np.repeat(3.0 * voice + hiss, 2, axis=0).astype(np.float32)
    heard = planned.copy()
    if foreign_db is not None:  # in a pause, so much over the hiss
        part = noise(3, (150, 3500), 20 * np.log10(0.0015) + foreign_db, 1.0)
        heard[:, PAUSE] += part
    stem = write_stem(tmp_path / "stem.f32", 2, iter([planned]))
    other = write_stem(tmp_path / "heard.f32", 2, iter([heard]))
    code_sound(other.path, tmp_path / "clip.m4a", 2, 192)
    plan: Any = SimpleNamespace(mix=None, duration_s=planned.shape[1] / 48_000)
    fold = MixedFold(plan, stem, None, 2, 192, tmp_path)
    for block in read_sound(tmp_path / "clip.m4a", channels=2):
        fold.step(block)
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    assert row.passed == (foreign_db is None), row


def test_where_the_second_coding_was_finer_by_chance_the_first_is_not_foreign(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """For a second the coding that verify makes leaves nothing of what the clip's own left."""
    voice = np.concatenate(list(read_sound(VOICE, channels=1)), axis=1)[:, : 20 * 48_000]
    hiss = np.random.default_rng(0).standard_normal(voice.shape) * 0.006
    stem = write_stem(tmp_path / "stem.f32", 1, iter([(voice + hiss).astype(np.float32)]))
    code_sound(stem.path, tmp_path / "clip.m4a", 1, 96)
    plan: Any = SimpleNamespace(mix=None, duration_s=20.0)
    fold = MixedFold(plan, stem, None, 1, 96, tmp_path)
    for block in read_sound(tmp_path / "clip.m4a", channels=1):
        fold.step(block)
    plain = fold._coding

    def finer(static: float) -> np.ndarray:
        left = plain(static)
        left[round(13.5 * 48_000 / 1024) : round(14.7 * 48_000 / 1024)] = 0  # in a pause
        return left

    monkeypatch.setattr(fold, "_coding", finer)
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    assert row.passed, row


@pytest.mark.parametrize(
    ("tones_hz", "foreign_db", "passes"),
    [((1000,), None, True), ((300, 600, 900, 1200, 2400), None, True), ((1000,), -10.0, False)],
)
def test_a_pure_tone_that_stops_with_the_clip(
    tones_hz: tuple[int, ...], foreign_db: float | None, passes: bool, tmp_path: Path
) -> None:
    """At 64 kbit/s the encoder spoils some milliseconds before its end, and again in verify."""
    time_s = np.arange(6 * 48_000) / 48_000
    parts = [0.5**k * np.sin(2 * np.pi * hz * time_s + k) for k, hz in enumerate(tones_hz)]
    tone = np.sum(parts, axis=0)
    planned = (0.1 / np.sqrt(np.mean(tone**2)) * tone).astype(np.float32)
    heard = planned.copy()
    if foreign_db is not None:  # in the last half second, so much beside the tone
        heard[-24_000:] += noise(3, (500, 2000), -20 + foreign_db, 0.5)
    stem = write_stem(tmp_path / "stem.f32", 1, iter([planned[None]]))
    other = write_stem(tmp_path / "heard.f32", 1, iter([heard[None]]))
    code_sound(other.path, tmp_path / "clip.m4a", 1, 64)
    plan: Any = SimpleNamespace(mix=None, duration_s=6.0)
    fold = MixedFold(plan, stem, None, 1, 64, tmp_path)
    for block in read_sound(tmp_path / "clip.m4a", channels=1):
        fold.step(block)
    (row,) = [r for r in fold.finish() if r.check == "sound as mixed"]
    assert row.passed == passes, row


@pytest.mark.parametrize("louder_db", [0.0, 6.0])
def test_what_the_encoder_keeps_of_a_hiss_is_no_other_gain(
    louder_db: float, tmp_path: Path
) -> None:
    """At 96 kbit/s it keeps of a hiss in one coding what it replaces in the next."""
    voice = np.concatenate(list(read_sound(VOICE, channels=1)), axis=1)[:, : 12 * 48_000]
    random = np.random.default_rng(0)
    hiss = (random.standard_normal(voice.shape) * 0.01).astype(np.float32)
    heard = hiss.copy()
    heard[:, 4 * 48_000 : 6 * 48_000] *= 10 ** (louder_db / 20)  # while the narrator speaks
    stems = [write_stem(tmp_path / f"{k}.f32", 1, iter([s])) for k, s in
             enumerate((hiss, voice, 1.3 * (heard + voice)))]  # fmt: skip
    code_sound(stems[2].path, tmp_path / "clip.m4a", 1, 96)
    plan: Any = SimpleNamespace(mix=None, duration_s=12.0)
    fold = MixedFold(plan, stems[0], stems[1], 1, 96, tmp_path)
    for block in read_sound(tmp_path / "clip.m4a", channels=1):
        fold.step(block)
    (row,) = [r for r in fold.finish() if r.check == "tracks at their planned gains"]
    assert row.passed == (louder_db == 0), row
