"""Time stamps of a file while it is read: jumps, gaps, damage, and the one axis made of them.

Time 0 is the first shown frame. A jump of the decoding times is closed, and kept in a table
that every later reading, every seek and the sound follow.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.media.complaints import Watch
from pipeline.media.labels import label
from pipeline.model.recording import Recording, TimeJump

JUMP_S = 10.0
LONG_GAP_S = 1.0
# Limits for files that would never end: nothing real comes near them.
LONGEST_S = 24 * 3600.0


def seconds(stamp: int, base: Fraction) -> float:
    """A time stamp in seconds: the float nearest to the fraction, which is not made for it."""
    return stamp * base.numerator / base.denominator


@dataclass
class ReadReport:
    """What was met while reading: counts of frames, damaged packets, and gaps in time.

    damaged_s: time stamps of damaged packets, less the first one of the file (the first
    10,000). jumped: jumps of the decoding times met; undated: no packet had one so far.
    lost_start_s: length before the first picture that can be decoded. jumps: where
    the time stamps jump. watch: is told of all packets and pictures as they are read.
    """

    frames: int = 0
    damaged: int = 0
    damaged_s: list[float] = field(default_factory=list)
    lost_start_s: float = 0.0
    gaps: list[tuple[float, float]] = field(default_factory=list)
    jumps: list[TimeJump] = field(default_factory=list)
    last_s: float = 0.0
    shortest_s: float = float("inf")
    longest_s: float = 0.0
    jumped: int = 0
    undated: bool = False
    packets: array[int] = field(default_factory=lambda: array("q"))
    decoding: array[int] = field(default_factory=lambda: array("q"))
    watch: Watch | None = None

    def add_damage(self, time_s: float | None) -> None:
        self.damaged += 1
        if time_s is not None and len(self.damaged_s) < 10_000:
            self.damaged_s.append(time_s)

    def damaged_spans(self, jumps: Sequence[TimeJump] = ()) -> list[tuple[float, float]]:
        """Where packets were damaged, on the recording's axis; at most a second apart is one."""
        spans: list[tuple[float, float]] = []
        for raw_s in sorted(self.damaged_s):
            at_s = max(0.0, raw_s + shift_at(jumps, raw_s))
            if spans and at_s - spans[-1][1] <= 1.0:
                spans[-1] = (spans[-1][0], at_s)
            else:
                spans.append((at_s, at_s))
        return spans

    def count_packets(self, time_base: Fraction, origin_s: float) -> None:
        """Measure frames and times from the packets' time stamps.

        For a reading that left out unreferenced pictures: one packet is one picture.
        Between jumps of the decoding times the stamps are sorted.
        """
        if not self.packets:
            return
        raw = np.frombuffer(self.packets, np.int64) * float(time_base) - origin_s
        decoding = np.frombuffer(self.decoding, np.int64).astype(np.float64)
        ahead_s = np.diff(decoding * float(time_base))
        cuts = np.flatnonzero((ahead_s < 0) | (ahead_s > JUMP_S)) + 1
        parts = [np.unique(part) for part in np.split(raw, cuts)]
        times: NDArray[np.float64] = np.concatenate(parts)
        self.lost_start_s = round(max(0.0, -float(parts[0].min(initial=0.0))), 6)
        first = int(np.argmax(times > -1e-4)) if times.size else 0
        times = times[first:]
        if times.size < 2:
            return
        steps = np.diff(times)
        inside = steps[(steps > 0) & (steps <= JUMP_S)]
        usual_s = float(np.median(inside)) if inside.size else 0.04
        broken = (steps <= 0) | (steps > JUMP_S)
        kept = np.where(broken, usual_s, steps)
        shown = np.concatenate([[times[0]], times[0] + np.cumsum(kept)])
        self.jumps = [
            TimeJump(
                at_s=round(float(shown[k + 1]), 6),
                shift_s=round(float(shown[k + 1] - times[k + 1]), 9),
            )
            for k in np.flatnonzero(broken)[:10_000]
        ]
        self.frames = int(times.size)
        self.last_s = float(kept.sum())
        good = kept[~broken] if (~broken).any() else kept
        self.shortest_s, self.longest_s = float(good.min()), float(good.max())
        self.gaps = [
            (round(float(kept[:k].sum()), 6), round(float(steps[k]), 6))
            for k in np.flatnonzero(broken | (kept > LONG_GAP_S))
        ]

    @property
    def variable_rate(self) -> bool:
        """True if frame distances differ by more than a fifth and 2 ms."""
        spread = self.longest_s - self.shortest_s
        return self.frames > 2 and spread > max(0.002, 0.2 * self.shortest_s)


def seekable(recording: Recording) -> bool:
    """False where the time stamps jump back, so that one of them stands for two moments.

    Such a file is read from its start.
    """
    before = 0.0
    for jump in recording.jumps:
        if jump.shift_s > before + 1e-3:
            return False
        before = jump.shift_s
    return True


def shift_at(jumps: Sequence[TimeJump], raw_s: float) -> float:
    """The shift that holds at a time stamp (less the first one of the file)."""
    shift_s = 0.0
    for jump in jumps:
        if raw_s < jump.at_s - jump.shift_s - 1e-6:
            break
        shift_s = jump.shift_s
    return shift_s


def on_file_axis(jumps: Sequence[TimeJump], time_s: float) -> float:
    """The time stamp, less the first one of the file, of a moment of the recording."""
    shift_s = 0.0
    for jump in jumps:
        if time_s < jump.at_s - 1e-6:
            break
        shift_s = jump.shift_s
    return time_s - shift_s


def known_jump(jumps: Sequence[TimeJump], time_s: float) -> TimeJump | None:
    """The jump of the table near `time_s`: pictures left out move it by a little."""
    near = min(jumps, key=lambda j: abs(j.at_s - time_s), default=None)
    return near if near is not None and abs(near.at_s - time_s) < 1.0 else None


def endless_file(path: Path, got: str) -> InputError:
    return InputError(
        "A file does not come to an end", f"{label(path)}: {got}", "copy it again, or convert it"
    )


def jump_of_sound(jumps: Sequence[TimeJump], raw_s: float, expected_s: float) -> TimeJump | None:
    """The jump of the pictures after which sound at `raw_s` goes on about where it was."""
    near = min(jumps, key=lambda j: abs(raw_s + j.shift_s - expected_s))
    return near if abs(raw_s + near.shift_s - expected_s) < 2.0 else None
