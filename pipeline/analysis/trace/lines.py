"""Where a suspect runs along a release in time: lines of position and speed. Pure.

T = speed * t + offset: t of the suspect, T of the release, both in seconds. A picture that is
alike by chance lies anywhere, those of a copy on one line. Hashes of a release are kept on a
grid of `STEP_S`; the suspect is sampled twice as often, so that one of its pictures lies near
each kept one whatever its speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.trace.disc import BITS, distances

STEP_S = 0.5  # between kept hashes
SAMPLE_S = 0.25  # between looked at pictures of a suspect
WINDOW_S, HOP_S = 10.0, 5.0
LEAST = 8  # kept pictures that a line must pass through
SPEEDS = np.exp(np.arange(np.log(0.62), np.log(1.68), 0.012))
_NEAR_S = 0.2  # a picture of the suspect further away than this is not the one meant


@dataclass(frozen=True)
class Kept:
    """Hashes of one release: hashes (m, 32) uint8 at `at` (m) steps of STEP_S, rising."""

    at: NDArray[np.int64]
    hashes: NDArray[np.uint8]


@dataclass(frozen=True)
class Line:
    """score: mean agreement of bits along it, -1 .. 1; pictures: how many it passes through."""

    score: float
    speed: float
    offset_s: float
    pictures: int


def windows(time_s: NDArray[np.float64]) -> list[slice]:
    """Stretches of about `WINDOW_S` of the suspect's pictures, half of each in the next."""
    if not len(time_s):
        return []
    found: list[slice] = []
    last = max(float(time_s[0]), float(time_s[-1]) - WINDOW_S)
    for start in np.append(np.arange(time_s[0], last, HOP_S), last):
        first, stop = np.searchsorted(time_s, [start - 1e-6, start + WINDOW_S + 1e-6])
        part = slice(int(first), int(stop))
        if stop - first >= LEAST and part not in found:
            found.append(part)
    return found


def best_line(
    time_s: NDArray[np.float64],
    hashes: NDArray[np.uint8],
    kept: Kept,
    speeds: NDArray[np.float64] = SPEEDS,
) -> Line | None:
    """The best line of one window, (n) times and (n, 32) hashes, through one release.

    None where no line passes through `LEAST` kept pictures.
    """
    if len(time_s) < LEAST or len(kept.at) < LEAST:
        return None
    # On the grid, with room around it for a window that reaches over an end.
    length_s = float(time_s[-1] - time_s[0])
    room = int(length_s * float(speeds.max()) / STEP_S) + 2
    size = int(kept.at[-1] - kept.at[0]) + 1 + 2 * room
    agree = np.zeros((len(time_s), size), np.float32)
    there = np.zeros(size, np.float32)
    column = kept.at - kept.at[0] + room
    agree[:, column] = 1.0 - 2.0 * distances(hashes, kept.hashes).astype(np.float32) / BITS
    there[column] = 1.0
    best: Line | None = None
    for speed in speeds:
        for phase_s in (0.0, STEP_S / 2):
            steps = np.arange(int((length_s * speed - phase_s) / STEP_S) + 1)
            wanted = time_s[0] + (steps * STEP_S + phase_s) / speed
            row = _nearest(time_s, wanted)
            near = np.abs(time_s[row] - wanted) <= _NEAR_S
            steps, row = steps[near], row[near]
            if len(steps) < LEAST:
                continue
            starts = size - int(steps[-1])
            total, count = np.zeros(starts, np.float32), np.zeros(starts, np.float32)
            for step, one in zip(steps, row, strict=True):
                total += agree[one, step : step + starts]
                count += there[step : step + starts]
            least = max(LEAST, len(steps) * 2 // 3)
            score = np.where(count >= least, total / np.maximum(count, 1), -1.0)
            top = int(np.argmax(score))
            if score[top] > -1.0 and (best is None or score[top] > best.score):
                here_s = (top - room + int(kept.at[0])) * STEP_S - phase_s
                offset = here_s - float(speed) * float(time_s[0])
                best = Line(float(score[top]), float(speed), offset, int(count[top]))
    return best


def _nearest(times: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.intp]:
    after = np.clip(np.searchsorted(times, wanted), 1, len(times) - 1)
    return np.where(wanted - times[after - 1] <= times[after] - wanted, after - 1, after)


@dataclass(frozen=True)
class Stretch:
    """A run of the suspect [start_s, stop_s) along a line of one release."""

    start_s: float
    stop_s: float
    line: Line

    def at(self, time_s: float) -> float:
        """The release's time at the suspect's."""
        return self.line.speed * time_s + self.line.offset_s


def joined(found: Sequence[Stretch], near_s: float = 0.8) -> list[Stretch]:
    """Windows that lie along one line, or nearly, as one stretch with the best one's line."""
    out: list[Stretch] = []
    for one in sorted(found, key=lambda s: s.start_s):
        last = out[-1] if out else None
        if last is not None and one.start_s <= last.stop_s + STEP_S:
            seam = min(one.start_s, last.stop_s)
            if abs(last.at(seam) - one.at(seam)) <= near_s:
                line = max(last.line, one.line, key=lambda v: v.score)
                out[-1] = Stretch(last.start_s, max(last.stop_s, one.stop_s), line)
                continue
        out.append(one)
    return out


def trimmed(
    stretch: Stretch,
    time_s: NDArray[np.float64],
    hashes: NDArray[np.uint8],
    kept: Kept,
    least: float,
) -> Stretch:
    """The stretch cut to the pictures that agree: from the first to the last of three in a row
    whose mean agreement is at least `least`. As it was where none do."""
    inside = (time_s >= stretch.start_s - 1e-6) & (time_s <= stretch.stop_s + 1e-6)
    moments = time_s[inside]
    wanted = np.round((stretch.line.speed * moments + stretch.line.offset_s) / STEP_S)
    place = np.clip(np.searchsorted(kept.at, wanted), 0, len(kept.at) - 1)
    good = kept.at[place] == wanted
    differing = np.bitwise_count(hashes[inside] ^ kept.hashes[place]).sum(axis=1, dtype=np.int64)
    agree = np.where(good, 1.0 - 2.0 * differing / BITS, 0.0)
    mean = np.convolve(agree, np.ones(3) / 3, "valid")
    on = np.flatnonzero(mean >= least)
    if not len(on):
        return stretch
    return Stretch(float(moments[on[0]]), float(moments[on[-1] + 2]), stretch.line)
