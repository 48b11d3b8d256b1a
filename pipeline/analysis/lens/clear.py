"""Undo airlight by the estimated law, with limited strength, on 8-bit pictures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

GAMMA = 2.2
MOST_GAIN = 3.0


def _strength(loss: float, strength_limit: float) -> float:
    """Transmission to undo: 1 - loss, but never a gain above the limits."""
    if not np.isfinite(loss):
        return 1.0
    loss = min(max(loss, 0.0), 1.0) * min(max(strength_limit, 0.0), 1.0)
    return max(1.0 - loss, 1.0 / MOST_GAIN)


def clear_luma_lut(
    loss: float, airlight: float, strength_limit: float = 0.85, full_range: bool = False
) -> NDArray[np.uint8]:
    """uint8 (256,): luma code -> luma code with the airlight taken off.

    J = (I - A (1 - t)) / t in linear light (Koschmieder's law solved for J), t = 1 -
    loss * strength_limit, gain never above 3. airlight: linear luma of the airlight in
    the picture as coded (camera gain included), 1 at full scale. Codes 16..235
    unless full_range. The airlight itself stays fixed; values below the airlight go to black.
    """
    t = _strength(loss, strength_limit)
    base, span = (0.0, 255.0) if full_range else (16.0, 219.0)
    coded = np.clip((np.arange(256) - base) / span, 0, 1.2)
    linear = coded**GAMMA
    clear = np.clip((linear - airlight * (1 - t)) / t, 0, None)
    out = base + span * np.clip(clear ** (1 / GAMMA), 0, 1.0)
    if t == 1.0:
        return np.arange(256, dtype=np.uint8)
    codes: NDArray[np.uint8] = np.clip(np.rint(out), 0, 255).astype(np.uint8)
    return codes


def clear_chroma_gain(
    loss: float, airlight: float, mean_luma: float, strength_limit: float = 0.85
) -> float:
    """Factor for the chroma planes about neutral that goes with `clear_luma_lut`.

    Slope of the coded curve at mean_luma (gamma-coded, 0..1), from 1 to 3.
    """
    t = _strength(loss, strength_limit)
    if t == 1.0:
        return 1.0
    x = min(max(mean_luma, 0.02), 1.0)
    clear = max((x**GAMMA - airlight * (1 - t)) / t, 1e-3)
    slope = (1 / t) * (x ** (GAMMA - 1)) / (clear ** ((GAMMA - 1) / GAMMA))
    return float(min(max(slope, 1.0), MOST_GAIN))
