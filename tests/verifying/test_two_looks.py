"""What verify listens to is not what the survey listened to: the two looks differ."""

from __future__ import annotations

from pathlib import Path

import media_zoo
import numpy as np
import pytest

from pipeline.analysis.sound.speech import SpeechFold
from pipeline.analysis.sound.voice_activity import DETECTORS, HOP
from pipeline.media.stems import write_stem
from pipeline.stages.measures import voices
from pipeline.stages.verifying.sound import _heard_apart

ROOM = ("silero", "omni", "net")


class Listener:
    """Keeps what a detector is given, hop by hop."""

    heard: list[np.ndarray]

    def scores(self, samples: np.ndarray) -> np.ndarray:
        Listener.heard += [hop.copy() for hop in samples.reshape(-1, HOP)]
        return np.zeros(samples.size // HOP, np.float32)


def windows(listen: object) -> np.ndarray:
    """(hop, sample) that are not silent, each of length 1."""
    Listener.heard = []
    listen()  # type: ignore[operator]
    rows = np.array([hop for hop in Listener.heard if np.abs(hop).max() > 1e-4])
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))


def test_no_window_of_the_check_was_one_of_the_survey(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = np.asarray(media_zoo.suction_sound(8.0, 48_000, [(0.1, 7.9)], 3), np.float32)
    stem = write_stem(tmp_path / "stem.f32", sound.shape[0], [sound])
    for name in ROOM:
        monkeypatch.setitem(DETECTORS, name, Listener)

    def survey() -> None:
        fold = voices.MEASURE.start()
        assert isinstance(fold, SpeechFold)
        for at in range(0, sound.shape[1], 24_000):
            fold.step(np.repeat(sound, 2, axis=0)[:, at : at + 24_000])
        fold.finish()

    first, second = windows(survey), windows(lambda: _heard_apart(stem))
    assert len(first) > 200 and len(second) > 200
    # Of one sound, at whatever gain: 1 where a window is the same, which two of its own looks show.
    assert np.abs(first @ windows(survey).T).max(axis=1).min() > 0.999
    assert np.abs(first @ second.T).max() < 0.9
