"""Which pictures the finished file has, and when, beside those that the plan asks for."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from contextlib import closing, suppress
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.media.avi_chunks import demuxed
from pipeline.media.container import attached, open_media
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.model.time import Span, merge_spans
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.verifying.result import make_check

SAME_S = 0.005  # a picture keeps its time but for the ticks of the file
_AHEAD_S = 2.0  # packets lie no further from the time they are shown at
_EDGE_S = 0.02  # of a compared part, where a picture may belong to either side


def times_check(
    plan: Plan, stamps_s: Iterable[float], wanted_s: Sequence[float], parts: Sequence[Span]
) -> Check:
    """Pictures that are missing, or that nobody asked for.

    stamps_s: of all packets of the file, decoded or not. wanted_s: of the pictures of the played
    parts that were compared, `parts`. Held, black and card pieces have the rate of the plan.
    """
    have = np.sort(np.asarray(list(stamps_s), float))
    wrong = sorted(t for t in wanted_s if _away(have, t) > SAME_S)
    should = np.sort(np.asarray(wanted_s, float))
    for part in merge_spans(parts, 1e-3):
        inside = have[(have >= part.start_s + _EDGE_S) & (have < part.stop_s - _EDGE_S)]
        wrong += [float(t) for t in inside if _away(should, float(t)) > SAME_S]
    for piece in plan.pieces:
        if piece.kind == "play":
            continue
        count = max(1, round(piece.length_s * plan.frame_rate_hz))
        there = (have >= piece.out_start_s - SAME_S) & (have < piece.in_clip.stop_s - SAME_S)
        if abs(int(there.sum()) - count) > 1:
            wrong.append(piece.out_start_s)
    at = f", first at {min(wrong):.2f} s" if wrong else ""
    return make_check("pictures at their times", len(wrong), 0, "missing or too many" + at,
                      not wrong)  # fmt: skip


def _away(times: np.ndarray[tuple[int], np.dtype[np.float64]], time_s: float) -> float:
    """Distance to the nearest of sorted times."""
    at = bisect_left(times, time_s)
    near = [abs(float(times[k]) - time_s) for k in (at - 1, at) if 0 <= k < times.size]
    return min(near, default=np.inf)


class Packets(NamedTuple):
    """Of the pictures of a source in a span of it; nothing is decoded.

    times_s: when they are shown, rising; empty where packets do not tell it. keys_s: of those that
    stand for themselves. key_gap_s: the longest stretch without one.
    """

    times_s: NDArray[np.float64]
    keys_s: NDArray[np.float64]
    key_gap_s: float


def packets_of(media: SourceMedia, here: Span) -> Packets:
    """The packets of a source from two seconds before a span to its end."""
    import av

    recording = media.recording
    told = not recording.video.interlaced and not recording.jumps
    found: list[float] = []
    keys: list[float] = []
    origin_s = recording.video.start_s
    with closing(open_media(media.path)) as container, suppress(av.error.FFmpegError):
        stream = next(s for s in container.streams.video if not attached(s))
        base = stream.time_base
        if here.start_s > _AHEAD_S:
            at_s = here.start_s + origin_s - _AHEAD_S
            container.seek(int(at_s / base), stream=stream, backward=True)
        for packet in demuxed(container, stream, media.path):
            if not packet.size:
                continue
            if packet.pts is None or packet.is_corrupt:
                told = False
                continue
            found.append(float(packet.pts * base) - origin_s)
            if packet.is_keyframe:
                keys.append(found[-1])
            if packet.dts is not None and packet.dts * base > here.stop_s + origin_s + _AHEAD_S:
                break
    times = np.unique(np.asarray(found if told else [], float))
    alone, times = (t[(t >= here.start_s) & (t < here.stop_s)]
                    for t in (np.unique(np.asarray(keys, float)), times))  # fmt: skip
    gaps = np.diff([here.start_s, *alone, here.stop_s])
    return Packets(times, alone if told else alone[:0], float(gaps.max(initial=0.0)))


def agree(packets: NDArray[np.float64], met: Sequence[float], compared: Sequence[Span]) -> bool:
    """Whether packets and pictures are of the same times in what was compared of a source."""
    pictures = np.unique(np.asarray(met, float))  # windows may begin at the same key frame
    for span in compared:
        a, b = (t[(t >= span.start_s + _EDGE_S) & (t < span.stop_s - _EDGE_S)]
                for t in (packets, pictures))  # fmt: skip
        b = b[b < packets[-1] + SAME_S] if packets.size else b
        if a.size != b.size or (a.size and float(np.abs(a - b).max()) > SAME_S):
            return False
    return True
