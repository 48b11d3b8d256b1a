"""Files that nobody has looked at are opened in a process of their own, and once."""

import os
import wave
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import InputError
from pipeline.media import guard


def test_a_sound_that_opened_is_looked_at_again_only_when_it_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "voice.wav"
    with wave.open(os.fspath(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(bytes(16000))
    looked: list[str] = []
    apart = guard._apart

    def told(job: dict[str, Any], at: Path) -> dict[str, Any]:
        looked.append(at.name)
        return apart(job, at)

    monkeypatch.setattr(guard, "_apart", told)
    guard.check_sound_apart(path)
    guard.check_sound_apart(path)
    assert looked == ["voice.wav"]
    path.write_bytes(bytes(path.stat().st_size))
    for _ in range(2):  # what does not open is never remembered
        with pytest.raises(InputError):
            guard.check_sound_apart(path)
    assert len(looked) == 3
