"""Long series brought down to screen resolution, and packed small for a page."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# The packed form: values are int16 steps of `step` above `base`; this one is 'unknown'.
_UNKNOWN = -32768
_TOP = 32767


def _pair(time_s: ArrayLike, value: ArrayLike) -> tuple[Array, Array]:
    time = np.asarray(time_s, dtype=np.float64).ravel()
    values = np.asarray(value, dtype=np.float64).ravel()
    if time.shape != values.shape:
        raise ValueError(f"time has {time.size} samples, the series {values.size}")
    return time, np.where(np.isfinite(values), values, np.nan)


def _edges(samples: int, points: int) -> NDArray[np.intp]:
    buckets = max(1, points // 2)
    return np.unique(np.linspace(0, samples, buckets + 1).round().astype(np.intp))


def reduce_together(
    time_s: ArrayLike, series: Mapping[str, ArrayLike], points: int
) -> tuple[Array, dict[str, Array]]:
    """Several series on one time axis, at most `points` rows, min and max of each kept.

    Every bucket gives two rows; each series puts its least and greatest value there in
    the order in which they came, so an extreme moves by less than a bucket. Names that
    end in `_low` keep the least and names that end in `_high` the greatest value in
    both rows: a band never gets narrower than it was measured.
    """
    if points < 2:
        raise ValueError("points must be at least 2")
    time = np.asarray(time_s, dtype=np.float64).ravel()
    values = {name: _pair(time, value)[1] for name, value in series.items()}
    if time.size <= points:
        return time, values
    edges = _edges(time.size, points)
    starts, stops = edges[:-1], edges[1:]
    rows = np.empty(2 * starts.size)
    rows[0::2] = time[starts]
    middle = np.maximum(starts, (starts + stops) // 2)
    rows[1::2] = time[np.minimum(middle, stops - 1)]
    out: dict[str, Array] = {}
    for name, value in values.items():
        known = np.isfinite(value)
        least = np.minimum.reduceat(np.where(known, value, np.inf), starts)
        most = np.maximum.reduceat(np.where(known, value, -np.inf), starts)
        pair = np.empty((starts.size, 2))
        if name.endswith("_low"):
            pair[:, 0] = pair[:, 1] = least
        elif name.endswith("_high"):
            pair[:, 0] = pair[:, 1] = most
        else:
            pair[:, 0], pair[:, 1] = least, most
            for row, (start, stop) in enumerate(zip(starts, stops, strict=True)):
                part = value[start:stop]
                if known[start:stop].any() and np.nanargmax(part) < np.nanargmin(part):
                    pair[row] = pair[row, ::-1]
        flat = pair.ravel()
        out[name] = np.where(np.isfinite(flat), flat, np.nan)
    return rows, out


def _text(data: NDArray[Any]) -> str:
    return base64.b64encode(data.tobytes()).decode("ascii")


def pack(time_s: ArrayLike, series: Mapping[str, ArrayLike]) -> dict[str, Any]:
    """Series as short text for a page; `unpack` in plots.js reads it.

    Times are float32 seconds, values int16 steps over the range of each series
    (error at most 1/131068 of that range), both little endian in base64.
    """
    out: dict[str, Any] = {
        "time": _text(np.asarray(time_s, dtype="<f4").ravel()),
        "series": {},
    }
    for name, value in series.items():
        values = np.asarray(value, dtype=np.float64).ravel()
        known = np.isfinite(values)
        low = float(values[known].min()) if known.any() else 0.0
        high = float(values[known].max()) if known.any() else 0.0
        step = (high - low) / (2 * _TOP) or 1.0
        steps = np.full(values.shape, _UNKNOWN, dtype="<i2")
        steps[known] = np.round((values[known] - low) / step - _TOP).astype("<i2")
        out["series"][name] = {"base": low, "step": step, "data": _text(steps)}
    return out


def unpack(packed: Mapping[str, Any]) -> tuple[Array, dict[str, Array]]:
    """The reverse of `pack`."""
    time = np.frombuffer(base64.b64decode(packed["time"]), dtype="<f4").astype(np.float64)
    out: dict[str, Array] = {}
    for name, part in packed["series"].items():
        steps = np.frombuffer(base64.b64decode(part["data"]), dtype="<i2").astype(np.float64)
        values = part["base"] + (steps + _TOP) * part["step"]
        out[name] = np.where(steps == _UNKNOWN, np.nan, values)
    return time, out
