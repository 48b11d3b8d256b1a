"""What no microphone gives in uncompressed sound: samples that were overwritten.

Coded sound says by itself where it was harmed; in PCM any bytes are sound. What came through a
converter is limited in band, so that neighbouring samples follow each other; bytes that do not
belong there jump, and it is quiet at once before and after them, where a clank would ring. Where
zeros were written, sound stops from one sample to the next, and goes on so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

STEP = 0.25  # of full scale: second difference of a step, at least
OVER_USUAL = 25.0  # and so many times the median around it
QUIET = (0.01, 12.0)  # of full scale, plus so many times the median: no ringing
CLIPPED = 0.98  # of full scale: clipped sound has corners of its own, ...
WILD = 1.2  # ... but does not bend by so much of full scale from one sample to the next
TOGETHER = 64  # samples between steps of one place
NOISE = (16, 0.3)  # steps of one place, and their usual size: from there on a burst of noise, ...
OVER_BESIDE = 5.0  # ... which need only be so many times what is beside it
BESIDE = (8, 48)  # samples beyond it that must be quiet
AROUND_S = 0.05  # before and after it that go with it
RATE_HZ = 48_000
DEAD = 1e-4  # of full scale: a sample that is zero, also after a change of rate
DEAD_S = 0.002  # least length of zeros
STOP = 0.02  # of full scale: from one sample to the next, into zeros or out of them
LIVE_S = 0.05  # before and after zeros, in which there is sound

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
        sure = np.where(clipped & (bend < WILD), 0, bend).max(axis=0)
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
            beside = max(before.max(initial=0), after.max(initial=0))
            inside = float(np.median(bend[first : last + 1]))
            noise = len(place) >= NOISE[0] and inside >= NOISE[1]
            if beside < loud or (noise and OVER_BESIDE * beside < inside):
                start_s, stop_s = (begun + first) / RATE_HZ, (begun + last) / RATE_HZ
                self._found.append((max(0.0, start_s - AROUND_S), stop_s + AROUND_S))

    def finish(self) -> list[tuple[float, float]]:
        """Spans in seconds around what jumps."""
        if self._waiting:
            self._judge(len(self._waiting) - 1)
            self._waiting = []
        return self._found


class StoppedFold:
    """A fold over blocks of sound, as `ClickFold`: zeros inside sound that stops dead, or begins
    so, at once. Sound that was faded, and silence at the start or the end, is none."""

    def __init__(self) -> None:
        self._at = 0
        self._last = 0.0  # level of the last sample: the largest of all channels
        self._open: tuple[int, float] | None = None  # zeros that go on: from when, level before
        self._free = 0  # end of the last zeros
        self._waiting: tuple[int, int] | None = None  # found, if there is sound behind them
        self._found: list[tuple[int, int]] = []

    def step(self, block: Samples) -> None:
        level = np.abs(block).max(axis=0)
        turns = np.diff((level <= DEAD).astype(np.int8), prepend=0, append=0)
        starts, stops = np.flatnonzero(turns > 0), np.flatnonzero(turns < 0)
        going_on = self._open is not None and (not len(starts) or starts[0] > 0)
        if going_on:
            self._zeros(self._at, float(level[0]) if len(level) else 0.0)
        # Only those that go on, went on, or are long: sound passes zero all the time.
        long = (stops - starts >= DEAD_S * RATE_HZ) | (starts == 0) | (stops == len(level))
        for start, stop in zip(starts[long].tolist(), stops[long].tolist(), strict=True):
            if start or self._open is None:
                self._open = (self._at + start, float(level[start - 1]) if start else self._last)
            if stop < len(level):
                self._zeros(self._at + stop, float(level[stop]))
        self._at += len(level)
        self._last = float(level[-1]) if len(level) else self._last

    def _zeros(self, stop: int, after: float) -> None:
        """The open zeros end before sample `stop`, whose level is `after`."""
        assert self._open is not None
        (start, before), self._open = self._open, None
        if stop - start < DEAD_S * RATE_HZ:
            return
        self._settle(start)
        if start - self._free >= LIVE_S * RATE_HZ and max(before, after) >= STOP:
            self._waiting = (start, stop)
        self._free = stop

    def _settle(self, sound_until: int) -> None:
        if self._waiting is not None and sound_until - self._waiting[1] >= LIVE_S * RATE_HZ:
            self._found.append(self._waiting)
        self._waiting = None

    def finish(self) -> list[tuple[float, float]]:
        """Spans in seconds around the zeros."""
        self._settle(self._open[0] if self._open is not None else self._at)
        return [
            (max(0.0, start / RATE_HZ - AROUND_S), stop / RATE_HZ + AROUND_S)
            for start, stop in self._found
        ]


def overwritten_folds(codec: str) -> list[tuple[str, ClickFold | StoppedFold]]:
    """(what it is a sign of, fold) for sound that says nothing of itself; none for other codecs."""
    if not codec.startswith(("pcm", "adpcm")):
        return []
    return [
        ("steps that no microphone gives", ClickFold()),
        ("zeros inside the sound", StoppedFold()),
    ]
