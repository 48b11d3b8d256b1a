"""Sound of a file on the time axis of its pictures: the sample number is the time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.media.avi_chunks import demuxed
from pipeline.media.complaints import Heard, listening
from pipeline.media.container import open_media
from pipeline.media.labels import label
from pipeline.media.time_stamps import JUMP_S, LONGEST_S, endless_file, jump_of_sound, seconds
from pipeline.model.recording import TimeJump

RATE_HZ = 48_000
SOUND_REACH_S = 0.15  # packets of sound last 20 to 100 ms, and overlap the next one
OVER = 2.0  # times full scale: no coder makes that of sound that a converter gave


def read_sound(
    path: Path,
    *,
    stream_index: int = 0,
    origin_s: float = 0.0,
    channels: int | None = 2,
    note: list[str] | None = None,
    jumps: Sequence[TimeJump] = (),
    damage: list[tuple[float, float]] | None = None,
) -> Iterator[NDArray[np.float32]]:
    """Blocks (channel, sample) of float32 at 48 kHz, starting at `origin_s` of the file's axis.

    channels: 1 or 2 mixes down (or copies mono to both); None keeps the file's own.
    jumps: those of the pictures, which the sound then follows. damage: gets the spans of the
    samples given out, in seconds, that could not be decoded without a complaint, or lie far over
    full scale: up to the end of the next sound that could, gaps between them included.
    Gaps of the time stamps are filled with silence, overlaps are cut, so that the
    sample number is the time. Raises InputError if the sound cannot be opened.
    """
    waiting: list[NDArray[np.float32]] = []
    count = 0
    # Decoders give some 20 ms at a time; what filters and listens is cheaper in larger pieces.
    for block in _sound_blocks(path, stream_index, origin_s, channels, note, jumps, damage):
        waiting.append(block)
        count += block.shape[1]
        if count >= RATE_HZ // 2:
            yield np.concatenate(waiting, axis=1)
            waiting, count = [], 0
    if waiting:
        yield np.concatenate(waiting, axis=1)


def _sound_blocks(
    path: Path,
    stream_index: int,
    origin_s: float,
    channels: int | None,
    note: list[str] | None,
    jumps: Sequence[TimeJump],
    damage: list[tuple[float, float]] | None,
) -> Iterator[NDArray[np.float32]]:
    """As `read_sound`, block by block as they are decoded."""
    import av

    with ExitStack() as stack:
        container = stack.enter_context(closing(open_media(path)))
        if damage is not None:
            stack.enter_context(listening())
        streams = container.streams.audio
        if stream_index >= len(streams):
            raise InputError("A file holds no sound", label(path), "give one with sound")
        stream = streams[stream_index]
        # One thread: what a decoder says in a thread of its own is not heard.
        stream.codec_context.thread_count = 1
        layout = {1: "mono", 2: "stereo"}.get(channels or 0)
        if layout is None:
            layout = stream.codec_context.layout.name
        # Packed: PyAV counts the planes of eight channels and more past their end.
        resampler = av.AudioResampler(format="flt", layout=layout, rate=RATE_HZ)
        written = 0  # samples given out; their time is written / RATE_HZ after origin_s
        damaged = 0
        first = True
        base = 0
        shift_s = 0.0  # from the file's axis to that of the samples given out
        left = list(jumps)

        def blocks(frame: Any) -> Iterator[NDArray[np.float32]]:
            for piece in resampler.resample(frame):
                packed = piece.to_ndarray().reshape(piece.samples, -1)
                yield np.ascontiguousarray(packed.T, np.float32)

        heard = Heard(stream.codec_context.codec.name)

        begun_s: float | None = None  # of damage that has not ended yet
        lossy = not stream.codec_context.codec.name.startswith("pcm")

        def frames() -> Iterator[Any]:
            nonlocal damaged, begun_s
            packets = demuxed(container, stream, path)
            while True:
                try:
                    packet = heard(next, packets)
                    decoded = heard(packet.decode)
                except (StopIteration, av.error.EOFError):
                    return
                except (av.error.FFmpegError, ValueError, OSError, MemoryError):
                    damaged += 1
                    if begun_s is None:
                        begun_s = _before(written)
                    if damaged > 100_000:
                        return
                    continue
                good = not (heard.complained or packet.is_corrupt)
                heard.clear()
                if not good and begun_s is None:
                    begun_s = _before(written)
                yield from decoded
                if good and decoded and begun_s is not None and damage is not None:
                    damage.append((begun_s, written / RATE_HZ + SOUND_REACH_S))
                    begun_s = None

        source_rate = stream.codec_context.sample_rate or RATE_HZ
        expected: float | None = None
        for frame in frames():
            time_s = seconds(frame.pts, frame.time_base) if frame.pts is not None else expected
            if time_s is None:
                time_s = origin_s
            if first:
                base = round((time_s - origin_s) * RATE_HZ)
                first = False
                if base > 0:
                    base = min(base, 3600 * RATE_HZ)
                    yield from _silence(base, channels_of(resampler, channels, stream))
                    written += base
                    base = 0
                # base < 0: that many samples are dropped below
            elif expected is not None:
                gap_s = time_s - expected
                known = None
                if left and abs(gap_s) > 0.02:
                    known = jump_of_sound(left, time_s - origin_s, expected - origin_s + shift_s)
                if known is not None:
                    del left[: left.index(known) + 1]
                    gap_s += known.shift_s - shift_s  # what is left after the jump
                    shift_s = known.shift_s
                if 0.02 < gap_s <= JUMP_S:
                    fill = round(gap_s * RATE_HZ)
                    yield from _silence(fill, channels_of(resampler, channels, stream))
                    written += fill
                elif gap_s < -0.02 and gap_s >= -JUMP_S:
                    base -= round(-gap_s * RATE_HZ)
                elif abs(gap_s) > JUMP_S:
                    shift_s -= gap_s
                if abs(gap_s) > 0.02 and note is not None:
                    note.append(f"sound: time stamps jump by {gap_s:.3f} s")
            expected = time_s + frame.samples / source_rate
            for block in blocks(frame):
                if base < 0:
                    cut = min(-base, block.shape[1])
                    block = block[:, cut:]
                    base += cut
                if block.shape[1]:
                    if lossy and damage is not None and float(np.abs(block).max()) > OVER:
                        damage.append(
                            (_before(written), (written + block.shape[1]) / RATE_HZ + SOUND_REACH_S)
                        )
                    written += block.shape[1]
                    yield block
            if written > LONGEST_S * RATE_HZ:
                raise endless_file(path, "more than a day of sound")
        for block in blocks(None):
            written += block.shape[1]
            yield block
        if begun_s is not None and damage is not None:
            damage.append((begun_s, written / RATE_HZ + SOUND_REACH_S))
        if damaged and note is not None:
            note.append(f"sound: {damaged} damaged packets left out")


def _before(written: int) -> float:
    """From when a damaged packet at that sample may reach."""
    return max(0.0, written / RATE_HZ - SOUND_REACH_S)


def channels_of(resampler: Any, channels: int | None, stream: Any) -> int:
    return channels or int(stream.codec_context.channels)


def _silence(samples: int, channels: int) -> Iterator[NDArray[np.float32]]:
    while samples > 0:
        size = min(samples, RATE_HZ)
        yield np.zeros((channels, size), np.float32)
        samples -= size


def without_channel(
    path: Path,
    origin_s: float,
    channel: int,
    jumps: Sequence[TimeJump] = (),
    damage: list[tuple[float, float]] | None = None,
) -> Iterator[NDArray[np.float32]]:
    """Stereo of all channels but `channel` (from 1), each at equal weight."""
    for block in read_sound(path, origin_s=origin_s, channels=None, jumps=jumps, damage=damage):
        rest = np.delete(block, channel - 1, axis=0) if block.shape[0] >= channel else block
        one = rest.mean(axis=0) if rest.shape[0] else np.zeros(block.shape[1], np.float32)
        yield np.stack([one, one]).astype(np.float32)


def only_channel(
    path: Path, origin_s: float, channel: int, jumps: Sequence[TimeJump] = ()
) -> Iterator[NDArray[np.float32]]:
    """One channel (from 1) as mono; silence if the file has fewer."""
    for block in read_sound(path, origin_s=origin_s, channels=None, jumps=jumps):
        if block.shape[0] >= channel:
            yield np.ascontiguousarray(block[channel - 1 : channel])
        else:
            yield np.zeros((1, block.shape[1]), np.float32)


def narration_sound(
    path: Path, damage: list[tuple[float, float]] | None = None
) -> Iterator[NDArray[np.float32]]:
    """A narration file as mono blocks, starting at its first sample. damage: as `read_sound`."""
    with closing(open_media(path)) as container:
        streams = container.streams.audio
        start = streams[0].start_time if streams and streams[0].start_time else 0
        origin_s = float(start * streams[0].time_base) if streams else 0.0
    yield from read_sound(path, origin_s=origin_s, channels=1, damage=damage)
