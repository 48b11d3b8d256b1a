"""The two tracks rendered after the plan: narration and background with their gains; their sum."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from pipeline.analysis.sound.gain import GainRide
from pipeline.analysis.sound.track_levels import Samples
from pipeline.model.mix import MixPlan


def to_channels(block: Samples, channels: int) -> Samples:
    """The block with 1 or 2 channels.

    Mono is put on both (dual mono); more than two are folded down by ITU-R BS.775-4
    (centre and surrounds at -3 dB, no LFE), in ffmpeg's channel order.
    """
    have = block.shape[0]
    if have == channels:
        return block
    if have == 1:
        return np.repeat(block, channels, axis=0)
    half = np.float32(np.sqrt(0.5))
    left, right = block[0].copy(), block[1].copy()
    if have in (3, 5, 6, 7, 8):
        left += half * block[2]
        right += half * block[2]
    if have >= 4:
        first = {4: 2, 5: 3}.get(have, 4)
        for k in range(first, have):
            (left if (k - first) % 2 == 0 else right)[...] += half * block[k]
    stereo = np.stack([left, right])
    return stereo if channels == 2 else np.asarray(stereo.mean(axis=0, keepdims=True))


class Feed:
    """Hands out a stream in pieces of a wanted length, zeros after its end."""

    def __init__(self, blocks: Iterable[Samples] | None, channels: int) -> None:
        self._blocks = iter(blocks) if blocks is not None else iter(())
        self._channels = channels
        self._pieces: list[Samples] = []
        self._held = 0
        self.ended = False

    def take(self, count: int) -> Samples:
        while self._held < count and not self.ended:
            block = next(self._blocks, None)
            if block is None:
                self.ended = True
                break
            block = to_channels(np.asarray(block, dtype=np.float32), self._channels)
            self._pieces.append(block)
            self._held += block.shape[1]
        held = (
            np.concatenate(self._pieces, axis=1) if self._pieces
            else np.zeros((self._channels, 0), np.float32)
        )
        out, rest = held[:, :count], held[:, count:]
        self._pieces, self._held = [rest], rest.shape[1]
        if out.shape[1] < count:
            out = np.pad(out, ((0, 0), (0, count - out.shape[1])))
        return out


def render_tracks(
    procedure: Iterable[Samples] | None,
    narration: Iterable[Samples] | None,
    plan: MixPlan,
    channels: int = 2,
    rate_hz: int = 48000,
) -> Iterator[tuple[Samples, Samples]]:
    """(background, narration) blocks after their gains, each (channels, n).

    Both inputs start at output time 0 and may have any channel count and block sizes;
    what is missing is silence, what goes past plan.duration_s is dropped.
    """
    total = round(plan.duration_s * rate_hz)
    behind, front = Feed(procedure, channels), Feed(narration, channels)
    behind_gain = GainRide(plan.background_gain, rate_hz)
    front_gain = GainRide(plan.narration_gain, rate_hz)
    for start in range(0, total, rate_hz):
        count = min(rate_hz, total - start)
        yield behind_gain.step(behind.take(count)), front_gain.step(front.take(count))


def render_mix(
    procedure: Iterable[Samples] | None,
    narration: Iterable[Samples] | None,
    plan: MixPlan,
    channels: int = 2,
    rate_hz: int = 48000,
) -> Iterator[Samples]:
    """The mix before the limiter, blocks of one second (channels, n) float32."""
    for behind, front in render_tracks(procedure, narration, plan, channels, rate_hz):
        yield behind + front
