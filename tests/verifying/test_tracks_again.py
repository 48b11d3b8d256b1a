"""Tracks for an editing program that are made again: what is done if they are not as heard."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from good import Good

from pipeline.errors import NeedsPerson
from pipeline.media.stems import write_stem
from pipeline.stages.rendering.sound import MadeSound
from pipeline.stages.stems import write_ducked

HZ = 48_000


def test_other_noise_in_the_place_of_speech_is_refused_with_what_to_do(
    good: Good, tmp_path: Path
) -> None:
    """As after an update of the program: the same level and colour, other samples."""
    names = {what: tmp_path / f"{what}.wav" for what in ("voice", "procedure")}
    made = MadeSound(good.stem, good.narration, None)
    write_ducked(good.path, good.plan, made, good.options, tmp_path, names)
    assert all(path.exists() for path in names.values())
    sound = good.stem.read(0, good.length)
    taken = [r for r in good.plan.redactions if r.of_sound]
    assert taken
    for part in taken:
        piece = sound[:, round((part.start_s - 1) * HZ) : round((part.stop_s - 1) * HZ)]
        piece[:] = piece[:, ::-1]
    other = write_stem(tmp_path / "other.f32", 2, iter([np.ascontiguousarray(sound)]))
    made = MadeSound(other, good.narration, None)
    with pytest.raises(NeedsPerson) as refused:
        write_ducked(good.path, good.plan, made, good.options, tmp_path, names)
    assert "another version of Fieldstop" in str(refused.value)
