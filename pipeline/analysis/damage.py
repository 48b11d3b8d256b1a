"""Where a recording is damaged: from the first doubtful packet to the next clean key frame.

A decoder conceals what it cannot read with parts of other pictures, and what follows is built on
that until a picture that needs no other. Three witnesses:

- the decoder: errors, pictures it marks as corrupt, what it complains of;
- the packet: a form that cannot be right (`media.nal`), lost bytes, decoding times that jump to a
  picture which is no key frame;
- the picture: garbage that the decoder took for a picture. A part changes from one picture to the
  next as no motion can (its mean over 8 by 8 pixels leaves the range of its neighbourhood), with
  edges along the blocks of the coding or a change that lies in blocks, and the next key frame
  turns it back; the pictures beside both moments are calm. Or all below one row of blocks is
  shifted to the side, brighter or darker.

Damage is contiguous in a file, and its first bytes may decode without a complaint: half a second
before the first complaint counts too. Garbage without a complaint is missed where it is faint,
where the scene moves fast, and in the first and mostly in the last group of pictures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

BEFORE_S = 0.5  # before the first complaint
JOIN_S = 0.5  # spans nearer than this are one
JUMP_S = 10.0
GARBAGE = "garbage in the picture"
ROWS = 96  # of the small pictures that are compared
EXCESS = 10  # code values outside the range of the neighbourhood
PART = 0.002  # share of the picture that must change at once
GRID = 1.0  # code values; see `gridness`
GRID_PART = 0.003  # share of the picture whose change must lie in blocks
BLOCKS = 1.4  # see `in_blocks`
SHORT_S = 0.5  # of garbage in pictures between key frames that few others are built on
LEVEL = 3  # code values by which the middle of a row must change
SURE_GRID = 5.0  # where no key frame comes that could turn it back
CALM = 0.25  # of a change: what the pictures beside it may change
BACK = 0.5  # of a change: what may be left of it after the key frame


@dataclass(frozen=True)
class Doubt:
    """A damaged stretch [start_s, stop_s) of a stream; stop_s may be infinite."""

    start_s: float
    stop_s: float
    sign: str


@dataclass
class _Packet:
    time_s: float
    key: bool
    sign: str


@dataclass
class _Begun:
    """Garbage that may have begun at start_s, in `part` of the small picture `before`."""

    start_s: float
    before: NDArray[np.uint8]
    part: NDArray[np.bool_]
    rise: float
    blocks: bool = False
    keys: int = 0


@dataclass
class DamageFold:
    """Packets in the order of the file and pictures in order of showing, then `finish`.

    Times are time stamps in seconds. Luma is (row, col) uint8 of the coded picture.
    """

    packets: list[_Packet] = field(default_factory=list)
    corrupt: list[float] = field(default_factory=list)
    garbage: list[Doubt] = field(default_factory=list)
    _keys: set[float] = field(default_factory=set)
    _last: float | None = None
    _pending: str = ""
    _before: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None = None
    _older: NDArray[np.uint8] | None = None
    _changed: float = 0.0
    _begun: _Begun | None = None
    _ended: tuple[Doubt, float] | None = None

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

    def picture(self, time_s: float, corrupt: bool, luma: NDArray[np.uint8] | None) -> None:
        """One decoded picture; luma None where it has none of 8 bits to look at."""
        if corrupt:
            self.corrupt.append(time_s)
        small = _small(luma) if luma is not None and min(luma.shape) >= 32 else None
        before = self._before
        if small is None or luma is None or before is None or before[1].shape != small.shape:
            self._before = None if small is None or luma is None else (luma, small)
            self._older = self._begun = self._ended = None
            self._changed = 0.0
            return
        self._compare(time_s, luma, small, *before)
        self._older, self._before = before[1], (luma, small)

    def _compare(
        self,
        time_s: float,
        luma: NDArray[np.uint8],
        small: NDArray[np.uint8],
        luma_before: NDArray[np.uint8],
        small_before: NDArray[np.uint8],
    ) -> None:
        excess = _excess(small, small_before)
        part = excess > EXCESS
        changed = float(part.mean())
        if self._ended is not None:
            doubt, share = self._ended
            if changed <= CALM * share:
                self.garbage.append(doubt)
            self._ended = None
        begun = self._begun
        if begun is not None and self._may_end(begun, time_s, part, luma, luma_before):
            if begun.keys == 2:
                self._begun = None
            same = (part & begun.part).sum() >= CALM * begun.part.sum()
            left = _excess(small, begun.before)[begun.part].mean()
            if same and left <= BACK * excess[begun.part].mean():
                self._ended, self._begun = (Doubt(begun.start_s, time_s, GARBAGE), changed), None
        if self._begun is None and self._ended is None and changed >= PART:
            calm = self._older is None or self._changed <= CALM * changed
            rise = gridness(luma, part) - gridness(luma_before, part) if calm else 0.0
            blocks = calm and _in_blocks(luma, luma_before, part)
            if calm and (
                rise >= GRID or blocks or _below_a_row(part) or shifted_below(luma, luma_before)
            ):
                self._begun = _Begun(time_s, small_before, part, rise, blocks)
        self._changed = changed

    def _may_end(
        self,
        begun: _Begun,
        time_s: float,
        part: NDArray[np.bool_],
        luma: NDArray[np.uint8],
        luma_before: NDArray[np.uint8],
    ) -> bool:
        """True at a key frame, and where garbage that few pictures are built on goes in blocks."""
        if time_s in self._keys:
            # In an open group the leading pictures show the garbage before its key frame does.
            begun.keys += 1
            return True
        short = begun.blocks and begun.keys == 0 and time_s - begun.start_s <= SHORT_S
        return short and _in_blocks(luma, luma_before, part)

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
        begun = self._begun
        if begun is not None and begun.rise >= SURE_GRID and begun.part.mean() < 0.5:
            found.append(Doubt(begun.start_s, float("inf"), GARBAGE))
        return joined(found + self.garbage)


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


def gridness(luma: NDArray[np.uint8], part: NDArray[np.bool_]) -> float:
    """How much steeper luma steps are across the 8-pixel grid of the coding than beside it.

    part: (row, col) of a small picture, see `_small`. In code values; about 0 in a picture,
    several in garbage. The larger of the two directions.
    """
    import cv2

    step = _step(luma)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    rows, cols = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    top, bottom = int(rows[0]) * step // 8 * 8, (int(rows[-1]) + 1) * step
    left, right = int(cols[0]) * step // 8 * 8, (int(cols[-1]) + 1) * step
    size = (near.shape[1] * step, near.shape[0] * step)
    mask = cv2.resize(near, size, interpolation=cv2.INTER_NEAREST)[top:bottom, left:right]
    cut = luma[top : top + mask.shape[0], left : left + mask.shape[1]].astype(np.int16)
    most = 0.0
    for values, chosen in ((cut, mask), (cut.T, mask.T)):
        at = np.arange(8, values.shape[1] - 2, 8)
        inside = chosen[:, at] > 0
        if at.size == 0 or inside.sum() < 8:
            continue
        across = np.abs(values[:, at] - values[:, at - 1])
        beside = np.maximum(
            np.abs(values[:, at - 1] - values[:, at - 2]),
            np.abs(values[:, at + 1] - values[:, at]),
        )
        excess = np.minimum(across, 60) - np.minimum(beside, 60)
        most = max(most, float(excess[inside].mean()))
    return most


def in_blocks(
    luma: NDArray[np.uint8], before: NDArray[np.uint8], part: NDArray[np.bool_]
) -> float:
    """How much more the change of luma differs across the 8-pixel grid than across its middle.

    A ratio, about 1 in a picture. Unlike `gridness` it holds where the decoder has smoothed
    the edges: means of 3 pixels on either side are compared. part: as in `gridness`.
    """
    import cv2

    step = _step(luma)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    size = (near.shape[1] * step, near.shape[0] * step)
    mask = cv2.resize(near, size, interpolation=cv2.INTER_NEAREST)
    change = luma[: size[1], : size[0]].astype(np.float32) - before[: size[1], : size[0]]
    change = np.clip(change, -40, 40) * mask
    across = beside = 0.0
    for values, chosen in ((change, mask), (change.T, mask.T)):
        total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
        for offset in (0, 4):
            at = np.arange(8 + offset, values.shape[1] - 8, 8)
            steps = total[:, at + 3] - 2 * total[:, at] + total[:, at - 3]
            inside = chosen[:, at] > 0
            mean = float(np.abs(steps[inside]).mean()) / 3 if inside.any() else 0.0
            across, beside = (across + mean, beside) if offset == 0 else (across, beside + mean)
    return across / (beside + 1.0)


def _in_blocks(
    luma: NDArray[np.uint8], before: NDArray[np.uint8], part: NDArray[np.bool_]
) -> bool:
    return part.mean() >= GRID_PART and in_blocks(luma, before, part) >= BLOCKS


def shifted_below(luma: NDArray[np.uint8], before: NDArray[np.uint8]) -> bool:
    """True if all below a row of 8-pixel blocks, black as well, is brighter, or all darker.

    So a lost level goes on to the end of a picture of Motion JPEG; light keeps black black,
    and does not end at a row above which nothing changes.
    """
    count = luma.shape[0] // 8
    change = luma[: 8 * count, ::4].astype(np.int16) - before[: 8 * count, ::4]
    level = np.median(change.reshape(count, -1), axis=1)
    first = int(np.argmax(np.abs(level) >= LEVEL))
    below, above = level[first:], change[: 8 * max(0, first - 1)]
    if not 1 <= first <= count - 3:
        return False
    still = above.size == 0 or float((np.abs(above) <= 4).mean()) >= 0.75
    return still and bool((below >= LEVEL).all() or (below <= -LEVEL).all())


def _step(luma: NDArray[np.uint8]) -> int:
    return max(4, int(luma.shape[0]) // ROWS)


def _small(luma: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Means over squares of `_step` pixels (every other pixel of larger pictures)."""
    import cv2

    step = _step(luma)
    rows, cols = luma.shape[0] // step, luma.shape[1] // step
    whole = luma[: rows * step, : cols * step]
    return np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), np.uint8)


def _excess(now: NDArray[np.uint8], before: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """How far each of two pictures leaves the range that the other has within two places around."""
    import cv2

    box = np.ones((5, 5), np.uint8)
    sides = []
    for one, other in ((now, before), (before, now)):
        sides.append(cv2.subtract(one, cv2.dilate(other, box)))
        sides.append(cv2.subtract(cv2.erode(other, box), one))
    return np.asarray(np.maximum.reduce(sides), np.uint8)


def _below_a_row(part: NDArray[np.bool_]) -> bool:
    """True if all of the picture below a row has changed, out to both sides, and little above.

    What follows a fault inside one intra picture; a flash or a cut changes the top as well.
    """
    rows = part.mean(axis=1)
    changed = np.flatnonzero(rows > 0.6)
    if not changed.size or changed[0] < 0.1 * len(rows):
        return False
    first = int(changed[0])
    return bool((rows[first + 1 :] > 0.6).all() and rows[: max(0, first - 3)].max() < 0.05)
