"""Where a recording is damaged: from the first doubtful packet to the next clean key frame.

A decoder conceals what it cannot read with parts of other pictures, and what follows is built on
that until a picture that needs no other. Three witnesses:

- the decoder: errors, pictures it marks as corrupt, what it complains of;
- the packet: a form that cannot be right (`media.nal`), lost bytes, decoding times that jump to a
  picture which is no key frame;
- the picture: garbage that the decoder took for a picture (`analysis.garbage`).

Damage is contiguous in a file, and its first bytes may decode without a complaint: half a second
before the first complaint counts too. Garbage without a complaint is missed where it is faint,
where the scene moves fast, and in the first and mostly in the last group of pictures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.garbage import GARBAGE, SURE_GRID, Doubt, GarbageFold, small_luma

BEFORE_S = 0.5  # before the first complaint
JOIN_S = 0.5  # spans nearer than this are one
JUMP_S = 10.0


@dataclass
class _Packet:
    time_s: float
    key: bool
    sign: str


@dataclass
class DamageFold:
    """Packets in the order of the file and pictures in order of showing, then `finish`.

    Times are time stamps in seconds. Luma is (row, col) uint8 of the coded picture.
    """

    packets: list[_Packet] = field(default_factory=list)
    corrupt: list[float] = field(default_factory=list)
    _keys: set[float] = field(default_factory=set)
    _last: float | None = None
    _last_key_s: float = -np.inf
    _leading: set[float] = field(default_factory=set)
    _pending: str = ""

    def __post_init__(self) -> None:
        self._each = GarbageFold(self._keys)
        # Without the pictures that are shown before a key frame and coded after it.
        self._trailing = GarbageFold(self._keys, from_before=True)

    def packet(
        self, time_s: float | None, decode_s: float | None, key: bool, sign: str = ""
    ) -> None:
        """One packet; `sign` names what is wrong with it, empty if nothing is.

        time_s None: it carries no picture, or nobody knows when; its sign is the next one's.
        """
        if time_s is None:
            self._pending = self._pending or sign
            return
        sign, self._pending = sign or self._pending, ""
        if decode_s is not None:
            if self._last is not None and not key:
                step_s = decode_s - self._last
                if step_s < -1e-6 or step_s > JUMP_S:
                    sign = sign or "decoding times jump"
            self._last = decode_s
        self.packets.append(_Packet(time_s, key, sign))
        if key:
            self._keys.add(time_s)
            self._last_key_s = time_s
        elif time_s < self._last_key_s:
            self._leading.add(time_s)

    def picture(self, time_s: float, corrupt: bool, luma: NDArray[np.uint8] | None) -> None:
        """One decoded picture; luma None where it has none of 8 bits to look at."""
        if corrupt:
            self.corrupt.append(time_s)
        small = small_luma(luma) if luma is not None and min(luma.shape) >= 32 else None
        self._each.picture(time_s, luma, small)
        if self._leading and time_s not in self._leading:
            self._trailing.picture(time_s, luma, small)

    def finish(self) -> list[Doubt]:
        """The damaged stretches in order of time, joined where they touch."""
        packets = self.packets
        if not packets:
            return []
        times = np.array([p.time_s for p in packets])
        order = np.sort(times)
        steps = np.diff(order)
        usual_s = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.04
        found: list[Doubt] = []
        corrupt = set(self.corrupt)
        for packet in packets:
            if packet.time_s in corrupt and not packet.sign:
                packet.sign = "decoded with errors"
        if self._pending:
            packets[-1].sign = packets[-1].sign or self._pending
        clean = [n for n, p in enumerate(packets) if p.key and not p.sign]
        next_key: list[int | None] = [None] * (len(packets) + 1)
        keys = set(clean)
        for number in range(len(packets) - 1, -1, -1):
            next_key[number] = number if number in keys else next_key[number + 1]
        last_key: int | None = None
        done = -1
        for number, packet in enumerate(packets):
            if number in keys:
                last_key = number
            if not packet.sign or number < done:
                continue
            if last_key is not None and packet.time_s < packets[last_key].time_s:
                # Shown before the key frame that it follows: nothing later is built on it.
                found.append(Doubt(packet.time_s, packets[last_key].time_s, packet.sign))
                continue
            until = next_key[number + 1]
            first = number
            while first > 0 and 0 <= packet.time_s - packets[first - 1].time_s <= BEFORE_S:
                first -= 1
            part = times[first:until]
            start_s = float(part.min())
            stop_s = float("inf") if until is None else packets[until].time_s
            earlier = order[order < start_s - 1e-9]
            if earlier.size:
                start_s = min(start_s, float(earlier[-1]) + usual_s)
            found.append(Doubt(start_s, stop_s, packet.sign))
            done = len(packets) if until is None else until
        begun = self._each.begun
        if begun is not None and begun.rise >= SURE_GRID and begun.part.mean() < 0.5:
            found.append(Doubt(begun.start_s, float("inf"), GARBAGE))
        return joined(found + self._each.found + self._trailing.found)


def joined(doubts: list[Doubt], gap_s: float = JOIN_S) -> list[Doubt]:
    """In order of time; those nearer than gap_s are one, with the first sign."""
    out: list[Doubt] = []
    for doubt in sorted(doubts, key=lambda d: (d.start_s, d.stop_s)):
        if out and doubt.start_s - out[-1].stop_s <= gap_s:
            stop_s = max(out[-1].stop_s, doubt.stop_s)
            out[-1] = Doubt(out[-1].start_s, stop_s, out[-1].sign)
        elif doubt.stop_s > doubt.start_s:
            out.append(doubt)
    return out


def on_axis(
    doubts: list[Doubt], shift_at: Callable[[float], float], duration_s: float
) -> list[Doubt]:
    """Stretches in time stamps as stretches of the recording's axis, inside its length."""
    out = []
    for doubt in doubts:
        start_s = max(0.0, doubt.start_s + shift_at(doubt.start_s))
        stop_s = duration_s
        if np.isfinite(doubt.stop_s):
            stop_s = min(duration_s, doubt.stop_s + shift_at(doubt.stop_s))
        if stop_s - start_s > 1e-4:
            out.append(Doubt(round(start_s, 6), round(stop_s, 6), doubt.sign))
    return joined(out)
