"""Overwritten bytes of uncompressed sound are told from knocks, clanks and clipping.

No published values: what a converter can give follows from its band limit (sampling theorem).
"""

from __future__ import annotations

from pathlib import Path

import media_zoo
import numpy as np
import pytest
from scipy.signal import resample_poly

from pipeline.analysis.sound.clicks import ClickFold
from pipeline.media.probe import probe
from pipeline.media.sound import read_sound
from pipeline.stages.intake import SourceFile
from pipeline.stages.survey import survey_file

RATE_HZ = 48_000


def found(sound: np.ndarray) -> list[tuple[float, float]]:
    fold = ClickFold()
    for block in np.array_split(sound.astype(np.float32), 9, axis=1):
        fold.step(block)
    return fold.finish()


def room(seconds: float = 4.0) -> np.ndarray:
    """Suction, with knocks of steel that ring, at full scale; (channel, sample)."""
    rng = np.random.default_rng(4)
    sound = media_zoo.suction_sound(seconds, RATE_HZ, [(0.0, seconds)])
    out = 0.2 * sound / np.abs(sound).max()
    time = np.arange(RATE_HZ // 5) / RATE_HZ
    for at_s in rng.uniform(0.2, seconds - 0.4, 12):
        ring = sum(
            np.exp(-time / rng.uniform(0.004, 0.05)) * np.sin(2 * np.pi * hz * time)
            for hz in rng.uniform(800, 15_000, 4)
        )
        start = round(at_s * RATE_HZ)
        out[:, start : start + len(time)] += 0.9 * ring / np.abs(ring).max()
    # As a converter gives it: limited in band.
    wide = resample_poly(out, 2, 1, axis=1)
    return np.asarray(np.clip(resample_poly(wide, 1, 2, axis=1), -1, 1))


def test_knocks_clipping_and_silence_are_no_damage() -> None:
    sound = room()
    assert found(sound) == []
    assert found(np.clip(6 * sound, -1, 1)) == []
    assert found(np.zeros_like(sound)) == []
    assert found(media_zoo.sound_with_clicks(3.0, RATE_HZ, 2, [0.4, 1.4])) == []


@pytest.mark.parametrize("size", [1, 40, 4000])
def test_overwritten_samples_are_found_where_they_are(size: int) -> None:
    sound, rng = room(), np.random.default_rng(size)
    at = round(2.345 * RATE_HZ)
    sound[:, at : at + size] = 0.8 if size == 1 else rng.uniform(-1, 1, (len(sound), size))
    spans = found(sound)
    assert len(spans) == 1
    start_s, stop_s = spans[0]
    assert start_s < at / RATE_HZ < (at + size) / RATE_HZ < stop_s
    assert stop_s - start_s < size / RATE_HZ + 0.2


def test_in_a_file_it_is_damage_of_its_sound(tmp_path: Path) -> None:
    path = tmp_path / "pcm.mov"
    media_zoo.zoo_clip(path, audio_codec="pcm_s16le")
    whole = np.concatenate(list(read_sound(path)), axis=1)
    pattern = np.rint(whole[:, 20_000:20_008].T * 32767).astype("<i2").tobytes()
    data = bytearray(path.read_bytes())
    at = data.find(pattern)
    assert at > 0
    data[at : at + 900] = np.random.default_rng(1).bytes(900)
    path.write_bytes(bytes(data))
    source = SourceFile(0, path, 0, still=False, sha256="0" * 64)
    measured = survey_file(source, probe(path), tmp_path)
    sound = [d for d in measured.survey.damage if d.what == "sound"]
    assert len(sound) == 1 and sound[0].start_s < 20_000 / RATE_HZ < sound[0].stop_s
