"""What the survey kept may lie there damaged: whatever is wrong with it is one kind of error."""

from __future__ import annotations

import contextlib
import io

import numpy as np
import pytest

from pipeline.stages.survey import load_series


@pytest.mark.parametrize("cut", [True, False])
def test_a_damaged_series_is_a_value_error(cut: bool) -> None:
    """EOFError among them, which click takes for a person's key and ends with 130."""
    rng = np.random.default_rng(3)
    held = io.BytesIO()
    np.savez_compressed(held, time_s=np.arange(500.0), heard=rng.integers(0, 9, 300))
    whole = held.getvalue()
    assert sorted(load_series(io.BytesIO(whole))) == ["heard", "time_s"]
    for size in range(400):
        data = bytearray(whole[: size * len(whole) // 400] if cut else whole)
        for at in () if cut else rng.integers(0, len(data), 1 + size % 20):
            data[at] = rng.integers(0, 256)
        with contextlib.suppress(ValueError):
            load_series(io.BytesIO(bytes(data)))
            assert not cut, size  # of what is changed some may still be read
