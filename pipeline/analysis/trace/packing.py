"""Prints of a release as a document and back. Pure."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.trace import disc, local
from pipeline.analysis.trace.disc import Disc, disc_hash, disc_square
from pipeline.analysis.trace.lines import STEP_S, Kept
from pipeline.analysis.trace.local import Spots, disc_spots
from pipeline.model.prints import ReleasePrints


@dataclass(frozen=True)
class KeptSpots:
    """Spots of some kept pictures: `at` (n) the moment of each spot, in steps."""

    at: NDArray[np.int64]
    spots: Spots


class PrintsFold:
    """Prints of a release's pictures in order of time."""

    def __init__(self) -> None:
        self._at: list[int] = []
        self._hashes: list[NDArray[np.uint8]] = []
        self._spots: list[tuple[int, Spots]] = []
        self._next = 0

    def wants(self, time_s: float) -> bool:
        """True for the first picture of each step."""
        return time_s + 1e-4 >= self._next * STEP_S

    def step(self, time_s: float, luma: NDArray[np.uint8], where: Disc | None) -> None:
        """A wanted picture, (row, col); where None it shows nothing that is looked for again."""
        at = int((time_s + 1e-4) / STEP_S)
        self._next = at + 1
        square = None if where is None else disc_square(luma, where)
        bits = None if square is None else disc_hash(square)
        if bits is None or where is None:
            return
        self._at.append(at)
        self._hashes.append(bits)
        if at % local.EVERY == 0:
            found = disc_spots(luma, where)
            if found is not None and len(found.bits):
                self._spots.append((at, found))

    def finish(self) -> dict[str, str]:
        """The arrays of `ReleasePrints`."""
        counts = [len(s.bits) for _, s in self._spots]
        xy = [s.xy for _, s in self._spots] or [np.zeros((0, 2), np.float32)]
        bits = [s.bits for _, s in self._spots] or [np.zeros((0, local.BYTES), np.uint8)]
        hashes = np.array(self._hashes, np.uint8).reshape(-1, disc.BYTES)
        return {
            "at": _text(np.array(self._at), "<u4"),
            "hashes": _text(hashes, "u1"),
            "spots_at": _text(np.array([a for a, _ in self._spots]), "<u4"),
            "spots_count": _text(np.array(counts), "<u2"),
            "spots_xy": _text(np.concatenate(xy), "<f2"),
            "spots_bits": _text(np.concatenate(bits), "u1"),
        }


def kept_of(prints: ReleasePrints) -> Kept:
    """Raises ValueError for a document whose arrays do not fit each other."""
    at = _array(prints.at, "<u4").astype(np.int64)
    hashes = _array(prints.hashes, "u1").reshape(-1, disc.BYTES)
    if len(at) != len(hashes) or np.any(np.diff(at) <= 0):
        raise ValueError("moments and hashes do not fit")
    return Kept(at, hashes)


def spots_of(prints: ReleasePrints) -> KeptSpots:
    """Raises ValueError for a document whose arrays do not fit each other."""
    count = _array(prints.spots_count, "<u2")
    at = np.repeat(_array(prints.spots_at, "<u4").astype(np.int64), count)
    xy = _array(prints.spots_xy, "<f2").astype(np.float32).reshape(-1, 2)
    bits = _array(prints.spots_bits, "u1").reshape(-1, local.BYTES)
    if not len(at) == len(xy) == len(bits):
        raise ValueError("spots do not fit")
    return KeptSpots(at, Spots(xy, bits))


def _text(values: NDArray[Any], kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values.astype(kind)).tobytes()).decode()


def _array(text: str, kind: str) -> NDArray[Any]:
    return np.frombuffer(base64.b64decode(text, validate=True), kind)
