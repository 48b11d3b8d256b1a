"""How well a narration was recorded: level, noise, clipping, reverberation. Pure.

The limits are common practice, no source; what is measured is said, nothing is cleaned by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.loudness import HOP_S, lufs
from pipeline.analysis.sound.offset import ENVELOPE_HOP_S
from pipeline.analysis.sound.track_levels import span_mask

LEAST_LUFS = -50.0
"""Speech quieter than this in the file lies near the steps of 16 bits and the noise of inputs."""
LEAST_OVER_NOISE_DB = 20.0
MOST_CLIPPED_RATIO = 0.01
"""Of the spoken time, in pieces of CLIPPED_HOP_S that are clipped."""
CLIPPED_HOP_S = 0.02
_FULL_SCALE, _FULL_SAMPLES = 0.985, 3
_FLATS = ((0.0, 0.00025, _FULL_SCALE), (0.0004, 0.0004, 0.97))
"""(mean over s, for s, share of its peak): what is so long within that share is flat. Of a voice's
waves only those under 220 Hz are. Resampling afterwards puts ripples on the flat, and the mean
takes them off. Of 84 voices overdriven by 6 to 16 dB, turned down, most brought through 44.1, 32 or
16 kHz, all are told (of 48, by the first alone 19); of 48 that are not overdriven none."""
MOST_REVERBERATION_S = 0.5
"""Made rooms of 0.3 s and less were read as 0.39 at most, of 0.8 s as 0.44 to 0.76: long
ones are read too short, since the next syllable comes before they have died away."""
_LEAST_FALL_DB, _LEAST_FALL_S = 6.0, 0.1
_LEAST_FALLS = 8
_OVER_FLOOR_DB = 6.0


@dataclass(frozen=True)
class NarrationQuality:
    """Of a whole narration; None where there was too little to tell.

    speech_lufs: level of what is spoken. over_noise_db: that over the noise in the pauses.
    clipped_ratio: share of the spoken time with samples at full scale. reverberation_s: least
    time of a fall by 60 dB.
    """

    speech_lufs: float | None
    over_noise_db: float | None
    clipped_ratio: float
    reverberation_s: float | None


def levels_of_speech(
    hop_power: NDArray[np.floating], spans: Sequence[tuple[float, float]]
) -> tuple[float | None, float | None]:
    """(level of the speech in LUFS, its distance to the noise in dB) from power per 100 ms.

    The noise is the quietest fifth of the pauses: breath and rustling are no noise floor.
    """
    inside = span_mask(spans, hop_power.size)
    if not inside.any():
        return None, None
    spoken = float(lufs(np.asarray(hop_power[inside], np.float64).mean()))
    pauses = np.asarray(hop_power[~inside], np.float64)
    if pauses.size < round(1.0 / HOP_S):
        return spoken, None
    return spoken, spoken - float(lufs(np.percentile(pauses, 20)))


class ClippedFold:
    """Takes blocks (channel, n); tells for how long they are clipped.

    A piece of CLIPPED_HOP_S is clipped if three samples lie at full scale, or if it is flat at the
    level at which the loudest hundredth of all pieces end: an input that was overdriven, and
    turned down afterwards.
    """

    def __init__(self, rate_hz: int = 48000) -> None:
        self._size, self._rate_hz = round(CLIPPED_HOP_S * rate_hz), rate_hz
        self._full: list[NDArray[np.bool_]] = []
        self._flats: list[NDArray[np.float64]] = []  # (of _FLATS, flat and peak, piece)

    def step(self, block: NDArray[np.float32]) -> None:
        from scipy.ndimage import uniform_filter1d

        full = self._pieces(block) >= _FULL_SCALE
        self._full.append(full.sum(axis=1) >= _FULL_SAMPLES)
        rows = []
        for mean_s, flat_s, share in _FLATS:
            mean, run = (max(1, round(v * self._rate_hz)) for v in (mean_s, flat_s))
            pieces = self._pieces(uniform_filter1d(block, mean, axis=1))
            peak = pieces.max(axis=1)
            level = np.cumsum(pieces >= share * peak[:, None], axis=1)
            rows.append([(level[:, run:] - level[:, :-run] == run).any(axis=1), peak])
        self._flats.append(np.array(rows, np.float64))

    def _pieces(self, sound: NDArray[np.float32]) -> NDArray[np.float32]:
        """(piece, sample) of the loudest channel."""
        loudest = np.abs(sound).max(axis=0)
        return np.pad(loudest, (0, -loudest.size % self._size)).reshape(-1, self._size)

    def finish(self) -> float:
        """Seconds."""
        if not self._full:
            return 0.0
        clipped = np.concatenate(self._full)
        flats = np.concatenate(self._flats, axis=2)
        for (flat, peak), (_, _, share) in zip(flats, _FLATS, strict=True):
            ceiling = float(np.percentile(peak, 99))
            at_ceiling = (peak >= share * ceiling) & (peak * share <= ceiling) & (peak > 0)
            clipped |= (flat > 0) & at_ceiling
        return float(clipped.sum()) * CLIPPED_HOP_S


def reverberation_s(levels: NDArray[np.floating]) -> float | None:
    """Time of a fall by 60 dB, estimated from how speech dies away.

    levels: (band, hop) in dB per 10 ms, of `EnvelopeFold`. In a room no sound falls faster
    than the room lets it: of all clear falls the fast ones tell the room (the idea of Ratnam
    and others, J. Acoust. Soc. Am. 114, 2003, with straight lines instead of a likelihood).
    """
    times: list[float] = []
    for band in np.asarray(levels, np.float64)[1:]:
        if band.size < 100:
            continue
        floor = float(np.percentile(band, 2)) + _OVER_FLOOR_DB
        smooth = np.convolve(band, np.ones(3) / 3, "same")
        falling = np.concatenate([[False], np.diff(smooth) < 0, [False]])
        edges = np.flatnonzero(np.diff(falling.astype(np.int8)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            piece = band[start : stop + 1]
            piece = piece[: int(np.argmax(piece < floor))] if (piece < floor).any() else piece
            seconds = piece.size * ENVELOPE_HOP_S
            if seconds < _LEAST_FALL_S or piece[0] - piece[-1] < _LEAST_FALL_DB:
                continue
            slope = np.polyfit(np.arange(piece.size) * ENVELOPE_HOP_S, piece, 1)[0]
            times.append(-60.0 / float(slope))
    return float(np.percentile(times, 40)) if len(times) >= _LEAST_FALLS else None


def quality_told(quality: NarrationQuality) -> list[str]:
    """A sentence for everything that was recorded badly: what it is, and what to do."""
    said = []
    quiet = quality.speech_lufs is not None and quality.speech_lufs < LEAST_LUFS
    if quiet:
        said.append(
            f"the narration was recorded very quietly ({quality.speech_lufs:.0f} LUFS): raise the"
            " input of the recorder, or come nearer to the microphone"
        )
    noisy = quality.over_noise_db is not None and quality.over_noise_db < LEAST_OVER_NOISE_DB
    if noisy:
        said.append(
            f"noise lies only {max(0.0, quality.over_noise_db or 0.0):.0f} dB under the voice of"
            " the narration: come nearer to the microphone, away from fans, and record it again"
        )
    if quality.clipped_ratio > MOST_CLIPPED_RATIO:
        said.append(
            f"the narration is clipped in {100 * quality.clipped_ratio:.0f} % of what is spoken:"
            " lower the input of the recorder and record it again"
        )
    rings_s = quality.reverberation_s
    # In noise, or at the lower end of the levels (-90 dB), the falls cannot be read.
    if rings_s is not None and rings_s > MOST_REVERBERATION_S and not (quiet or noisy):
        said.append(
            f"the narration was recorded in a room that rings for {rings_s:.1f} s"
            " or more: come nearer to the microphone, or to a room with curtains or carpets"
        )
    return said
