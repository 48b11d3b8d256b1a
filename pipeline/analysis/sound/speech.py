"""Where somebody speaks: the scores of the voice activity detectors along a sound.

Measured pitfalls that this module keeps away from its callers: sound at another rate gives
no detections and no error, so it is resampled here; sound 40 dB down halves the
recall, so the level is evened out first; two channels in opposite phase cancel in
the mean, so channels that differ are looked at one by one.

Scores are kept (`SpeechSeries`), spans are decided from them later, so a threshold
is changed without decoding again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import finite
from pipeline.analysis.sound.speech_net import FEATURES, features
from pipeline.analysis.sound.speech_verdict import less_steady, verdict
from pipeline.analysis.sound.voice_activity import (
    DETECTORS,
    HOP,
    NARRATION,
    RATE_HZ,
    VERDICT,
    WEIGHED,
    Detector,
    JudgeOfSound,
)

HOP_S = 0.032
"""Hop of the score series, seconds: the window of Silero VAD at 16 kHz."""
_CHUNK_HOPS = 1280  # 41 s are judged at once
_CONTEXT_HOPS = 64  # 2.048 s of sound on both sides, so that no seam is heard by a detector
_TARGET_DBFS = -18.0  # loudest 32 ms nearby are brought here
_GAIN_LIMITS_DB = (-30.0, 60.0)
_SAME_RATIO = 1e-3  # channels that differ from one mean by 30 dB less count as one
_SAME_GAIN = (0.25, 4.0)  # of a channel over that mean
_CLIPPED = 0.985


@dataclass(frozen=True)
class SpeechSeries:
    """Scores per 32 ms hop; hop k covers [k, k + 1) * HOP_S of the stream.

    probability: detector -> (hop,) float16, 0..1, the highest over the channels; also VERDICT,
    where all of WEIGHED were asked.
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
            {name: arrays[f"speech_{name}"] for name in (*DETECTORS, VERDICT)
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
        detectors: Sequence[Detector] = NARRATION,
        reach_s: float = 2.0,
    ) -> None:
        import soxr  # type: ignore[import-untyped, unused-ignore]

        self._clip_hop = round(HOP_S * rate_hz)
        if abs(self._clip_hop - HOP_S * rate_hz) > 1e-6:
            raise ValueError(f"32 ms are not a whole number of samples at {rate_hz} Hz")
        unknown = set(detectors) - set(DETECTORS)
        if unknown or not detectors:
            raise ValueError(f"unknown detectors: {sorted(unknown)}")
        self._judges: dict[str, JudgeOfSound] = {name: DETECTORS[name]() for name in detectors}
        self._names = [*detectors, *([VERDICT] if set(WEIGHED) <= set(detectors) else [])]
        self._channels = channels
        self._rate_hz = rate_hz
        self._reach_hops = max(1, round(reach_s / HOP_S))
        self._resampler = (
            None if rate_hz == RATE_HZ
            else soxr.ResampleStream(rate_hz, RATE_HZ, channels, dtype="float32", quality="MQ")
        )
        self._samples = 0
        self._clip_left = np.zeros((channels, 0), np.float32)
        self._clipped: list[NDArray[np.float16]] = []
        # 16 kHz sound still needed, starting with the left context of the next chunk.
        self._pieces: list[NDArray[np.float32]] = []
        self._held = 0
        self._left_hops = 0
        self._scores: dict[str, list[NDArray[np.float16]]] = {name: [] for name in self._names}
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
        need = (self._left_hops + _CHUNK_HOPS + _CONTEXT_HOPS) * HOP
        while self._held >= need:
            self._judge(_CHUNK_HOPS, need)
            need = (self._left_hops + _CHUNK_HOPS + _CONTEXT_HOPS) * HOP

    def _judge(self, chunk_hops: int, need: int) -> None:
        """Judge the next `chunk_hops` hops with the context at hand."""
        held = np.concatenate(self._pieces, axis=1)
        piece = held[:, :need]
        own = slice(self._left_hops, self._left_hops + chunk_hops)
        levels = self._hop_levels(piece)
        lanes = self._lanes(piece)
        scores = {name: np.zeros(chunk_hops, np.float32) for name in self._names}
        for lane in lanes:
            if not lane.any():
                continue  # digital silence: no detector is needed
            for name, values in self._heard(self._evened(lane)).items():
                np.maximum(scores[name], values[own], out=scores[name])
        for name, values in scores.items():
            self._scores[name].append(values.astype(np.float16))
        self._levels.append(levels.max(axis=0)[own].astype(np.float16))
        keep_from = max(0, self._left_hops + chunk_hops - _CONTEXT_HOPS)
        self._left_hops = self._left_hops + chunk_hops - keep_from
        rest = held[:, keep_from * HOP :].copy()
        self._pieces, self._held = [rest], rest.shape[1]

    def _heard(self, even: NDArray[np.float32]) -> dict[str, NDArray[np.float32]]:
        """Scores of every detector, and the verdict of those that are weighed."""
        heard = {name: judge.scores(even) for name, judge in self._judges.items()}
        if VERDICT in self._names:
            moving = self._evened(less_steady(even))
            said = [heard[name] for name in WEIGHED]
            said += [self._judges[name].scores(moving) for name in WEIGHED]
            found = features(even).reshape(-1, 2, FEATURES).mean(axis=1)
            heard[VERDICT] = verdict(np.stack(said, axis=1), found)
        return heard

    @staticmethod
    def _hop_levels(piece: NDArray[np.float32]) -> NDArray[np.float64]:
        hops = piece.reshape(piece.shape[0], -1, HOP)
        power = np.einsum("chn,chn->ch", hops, hops).astype(np.float64) / HOP
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
        share = (np.arange(HOP, dtype=np.float32) / HOP)[None, :]
        line = points[:-1, None] + np.diff(points)[:, None] * share
        out = lane * line.reshape(-1)[HOP // 2 : HOP // 2 + lane.size]
        return np.asarray(np.clip(out, -1.0, 1.0, out=out), dtype=np.float32)

    def finish(self) -> SpeechSeries:
        """The series of all that was taken in; a last hop that is not whole is filled up."""
        if self._samples:
            self._count_clipped(np.zeros((self._channels, 0), np.float32), last=True)
            self._feed(np.zeros((self._channels, 0), np.float32), last=True)
            left = self._held - self._left_hops * HOP
            if left > 0:
                hops = -(-left // HOP)
                total = (self._left_hops + hops) * HOP
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
