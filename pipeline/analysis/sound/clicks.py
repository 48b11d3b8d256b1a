"""Steps in uncompressed sound that no microphone gives: samples that were overwritten.

Coded sound says by itself where it was harmed; in PCM any bytes are sound. What came through a
converter is limited in band, so that neighbouring samples follow each other; bytes that do not
belong there jump, and it is quiet at once before and after them, where a clank would ring.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

STEP = 0.25  # of full scale: second difference of a step, at least
OVER_USUAL = 25.0  # and so many times the median around it
QUIET = (0.01, 12.0)  # of full scale, plus so many times the median: no ringing
CLIPPED = 0.98  # of full scale: clipped sound has corners of its own
TOGETHER = 64  # samples between steps of one place
BESIDE = (8, 48)  # samples beyond it that must be quiet
AROUND_S = 0.05  # before and after it that go with it
RATE_HZ = 48_000

Samples = NDArray[np.float32]


class ClickFold:
    """A fold over blocks of sound, float (channel, sample) at 48 kHz, of half a second or so."""

    def __init__(self) -> None:
        self._tail: Samples | None = None
        self._waiting: list[tuple[int, Samples, Samples]] = []
        self._done = 0
        self._found: list[tuple[float, float]] = []

    def step(self, block: Samples) -> None:
        before = block[:, :1].repeat(2, axis=1) if self._tail is None else self._tail
        whole = np.concatenate([before, block], axis=1)
        self._tail = whole[:, -2:]
        bend = np.abs(np.diff(whole, n=2, axis=1))
        high = np.abs(whole) >= CLIPPED
        clipped = high[:, :-2] | high[:, 1:-1] | high[:, 2:]
        sure = np.where(clipped, 0, bend).max(axis=0)
        self._waiting.append((self._done, bend.max(axis=0), sure))
        self._done += block.shape[1]
        if len(self._waiting) > 1:
            self._judge(len(self._waiting) - 2)
        self._waiting = self._waiting[-2:]

    def _judge(self, which: int) -> None:
        """The places that begin in one of the waiting blocks."""
        if float(self._waiting[which][2].max()) <= STEP:
            return
        bend = np.concatenate([b for _, b, _ in self._waiting])
        sure = np.concatenate([s for _, _, s in self._waiting])
        usual, begun = float(np.median(bend)), self._waiting[0][0]
        steps = np.flatnonzero(sure > max(STEP, OVER_USUAL * usual))
        loud = QUIET[0] + QUIET[1] * usual
        low = self._waiting[which][0] - begun
        for place in np.split(steps, np.flatnonzero(np.diff(steps) > TOGETHER) + 1):
            if not len(place) or not low <= place[0] < low + len(self._waiting[which][1]):
                continue
            first, last = int(place[0]), int(place[-1])
            before = bend[max(0, first - BESIDE[1]) : max(0, first - BESIDE[0])]
            after = bend[last + BESIDE[0] : last + BESIDE[1]]
            if max(before.max(initial=0), after.max(initial=0)) < loud:
                start_s, stop_s = (begun + first) / RATE_HZ, (begun + last) / RATE_HZ
                self._found.append((max(0.0, start_s - AROUND_S), stop_s + AROUND_S))

    def finish(self) -> list[tuple[float, float]]:
        """Spans in seconds around what jumps."""
        if self._waiting:
            self._judge(len(self._waiting) - 1)
            self._waiting = []
        return self._found
