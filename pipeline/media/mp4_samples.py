"""The samples of a track, from its tables to their bytes, and what of them no player shows."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pipeline.media.mp4_file import BrokenFile, Track


def follow_samples(track: Track) -> None:
    """Offsets and sizes in bytes of every sample, from the sample tables."""
    sizes = track.boxes.get("stsz", bytes(12))
    uniform, count = struct.unpack_from(">II", sizes, 4)
    if uniform:
        if count > 1 << 26:
            raise BrokenFile("too many samples")
        track.sizes = np.full(count, uniform, np.int64)
    else:
        track.sizes = np.frombuffer(sizes, ">u4", count, 12).astype(np.int64)
    if "co64" in track.boxes:
        chunks = np.frombuffer(track.boxes["co64"], ">u8", offset=8).astype(np.int64)
    else:
        chunks = np.frombuffer(track.boxes.get("stco", bytes(8)), ">u4", offset=8).astype(np.int64)
    runs = np.frombuffer(track.boxes.get("stsc", bytes(8)), ">u4", offset=8).reshape(-1, 3)
    runs = runs.astype(np.int64)
    if len(chunks) and (not len(runs) or runs[0, 0] != 1):
        raise BrokenFile("a broken sample table")
    stops = np.append(runs[1:, 0], len(chunks) + 1)
    per_chunk = repeated(runs[:, 1], np.maximum(0, stops - runs[:, 0]), len(chunks))
    if int(per_chunk.sum()) != count:
        raise BrokenFile("a broken sample table")
    first = np.cumsum(per_chunk) - per_chunk
    start = np.cumsum(track.sizes) - track.sizes
    inside = start - np.repeat(start[first] if count else start, per_chunk)
    track.offsets = np.repeat(chunks, per_chunk) + inside


def repeated(
    values: NDArray[np.int64], times: NDArray[np.int64], expected: int
) -> NDArray[np.int64]:
    """np.repeat whose length is known; a table that says otherwise is broken."""
    if int(times.sum()) != expected:
        raise BrokenFile("a broken sample table")
    return np.repeat(values, times)


def sample_bytes(stream: BinaryIO, track: Track) -> Iterator[bytes]:
    """The bytes of every sample, in order of the track."""
    for offset, size in zip(track.offsets.tolist(), track.sizes.tolist(), strict=True):
        if size > 64 << 20:
            raise BrokenFile("a sample is too large")
        stream.seek(offset)
        data = stream.read(size)
        if len(data) != size:
            raise BrokenFile("cut off")
        yield data


def hidden_parts(track: Track, movie_timescale: int) -> tuple[int, float]:
    """Samples outside the edit list, as a number and in seconds of presentation."""
    count = len(track.sizes)
    pairs = np.frombuffer(track.boxes.get("stts", bytes(8)), ">u4", offset=8).reshape(-1, 2)
    if not track.timescale or not movie_timescale:
        raise BrokenFile("a broken time table")
    length = repeated(pairs[:, 1].astype(np.int64), pairs[:, 0].astype(np.int64), count)
    shown = np.cumsum(length) - length
    if "ctts" in track.boxes:
        raw = np.frombuffer(track.boxes["ctts"], ">i4", offset=8).reshape(-1, 2)
        times = raw[:, 0].astype(np.int64) & 0xFFFFFFFF
        shown = shown + repeated(raw[:, 1].astype(np.int64), times, count)
    if "elst" not in track.boxes:
        return 0, 0.0
    data = track.boxes["elst"]
    wide = data[0] == 1
    (entries,) = struct.unpack_from(">I", data, 4)
    visible = np.zeros(count, bool)
    for index in range(entries):
        span, start, rate = struct.unpack_from(
            ">QqI" if wide else ">IiI", data, 8 + index * (20 if wide else 12)
        )
        if rate != 0x10000:
            raise BrokenFile("an edit list that changes speed")
        if start < 0:
            continue
        # One tick of the movie's clock is lost in rounding.
        stop = start + (span + 1) * track.timescale / movie_timescale
        visible |= (shown + length > start) & (shown < stop)
    return int((~visible).sum()), float(length[~visible].sum() / track.timescale)
